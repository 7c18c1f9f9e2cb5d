"""Work in namespaces of its own, of which nothing is left when it ends, whatever ends it.

Three processes: the caller; a warden, who enters new namespaces and waits; and the worker, the
first process of a process namespace, so that the kernel ends everything it started together with
it. Network devices, rulesets and mounts belong to namespaces which exist as long as the worker.

    caller --wire--> warden     "stop", "kill", or the end of the caller
    caller <-answers-- worker   progress, then the result or the failure

Warden and worker are killed when the one who made them ends (PR_SET_PDEATHSIG), also by SIGKILL;
the wire says the same a second time. Within the work `/run` is empty, and results come back as
values only.
"""

from __future__ import annotations

import errno
import os
import pickle
import select
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any, NoReturn, TypeVar

from netcharter.lab import isolation
from netcharter.lab.trouble import LabFailed, LabImpossible

T = TypeVar("T")
Progress = Callable[[int, int, str], None]  # done, of how many, words

LIMIT = 3600.0  # seconds for the whole work
GRACE = 3.0  # seconds from "stop" to "kill", and from there to doing it oneself
NAMESPACES = "/run/netns"  # where `ip` looks for names of network namespaces
_STOP, _KILL = b"s", b"k"
_HEAD = 8  # bytes that say how long a message is


_caller: ContextVar[int | None] = ContextVar("caller", default=None)  # where the worker's go


class Stopped(BaseException):
    """Raised within the work when the caller wants it to end."""


def report(done: int, total: int, words: str) -> None:
    """Called within the work: tell the caller how far it is. Elsewhere nobody hears it."""
    out = _caller.get()
    if out is not None:
        _send(out, "progress", (done, total, words))


def apart(
    work: Callable[[], T],
    *,
    on_progress: Progress | None = None,
    as_user: bool = False,
    limit: float = LIMIT,
) -> T:
    """Run `work` in a forked process inside network, mount and process namespaces of its own.

    As root, or as root of a user namespace of its own where that is refused (or `as_user`).
    What the work says to `report` becomes calls of `on_progress` here. Returns the work's result or
    raises its failure; both must be picklable.
    Raises LabImpossible where the machine cannot, LabFailed if the work died, TimeoutError after
    `limit` seconds.
    """
    with _started(work, as_user) as running:
        return _answer(running, on_progress or _unheard, limit)  # type: ignore[no-any-return]


def _unheard(done: int, total: int, words: str) -> None:
    pass


# --- the caller ----------------------------------------------------------------------------------


@dataclass(slots=True)
class _Running:
    """The warden as its caller sees it."""

    pid: int
    handle: int  # becomes readable when the warden has ended
    wire: int
    answers: int
    buffer: bytearray = field(default_factory=bytearray)


@contextmanager
def _started(work: Callable[[], Any], as_user: bool) -> Iterator[_Running]:
    listening, wire = os.pipe()
    answers, telling = os.pipe()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # not between fork and try
    pid = os.fork()
    if pid == 0:
        os.close(wire)
        os.close(answers)
        _warden(work, as_user, listening, telling)
    os.close(listening)
    os.close(telling)
    running = _Running(pid, os.pidfd_open(pid), wire, answers)
    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        yield running
    except BaseException:
        _stop(running)
        raise
    finally:
        _end(running)
        for descriptor in (running.handle, wire, answers):
            os.close(descriptor)


def _stop(running: _Running) -> None:
    """Ask the work to end by itself; a second Ctrl-C cuts that short."""
    with suppress(KeyboardInterrupt, OSError):
        os.write(running.wire, _STOP)
        _ended(running.handle, GRACE)


def _end(running: _Running) -> None:
    """The warden is gone afterwards, and with it everything else."""
    try:
        with suppress(BrokenPipeError):
            os.write(running.wire, _KILL)
        if not _ended(running.handle, GRACE):
            os.kill(running.pid, signal.SIGKILL)
    except KeyboardInterrupt:
        os.kill(running.pid, signal.SIGKILL)
        raise
    finally:
        os.waitpid(running.pid, 0)


def _ended(handle: int, seconds: float) -> bool:
    return bool(select.select([handle], [], [], seconds)[0])


def _answer(running: _Running, on_progress: Progress, limit: float) -> Any:
    for kind, value in _messages(running, time.monotonic() + limit):
        if kind == "progress":
            on_progress(*value)
        elif kind == "failure":
            raise value
        else:
            return value
    raise LabFailed("the work in the lab was killed before it was done")


def _messages(running: _Running, end: float) -> Iterator[tuple[str, Any]]:
    """What the worker says, until it says no more."""
    while True:
        left = end - time.monotonic()
        if left <= 0:
            raise TimeoutError("the work in the lab took too long")
        ready = select.select([running.answers, running.handle], [], [], left)[0]
        if running.answers in ready:
            data = os.read(running.answers, 1 << 20)
            running.buffer += data
            yield from _whole(running.buffer)
            if not data:
                return
        elif ready:
            return


def _whole(buffer: bytearray) -> Iterator[tuple[str, Any]]:
    """Takes the messages that have come whole out of the buffer."""
    while len(buffer) >= _HEAD:
        length = int.from_bytes(buffer[:_HEAD], "big")
        if len(buffer) < _HEAD + length:
            return
        said = bytes(buffer[_HEAD : _HEAD + length])
        del buffer[: _HEAD + length]
        yield pickle.loads(said)


# --- the warden ----------------------------------------------------------------------------------


def _warden(work: Callable[[], Any], as_user: bool, wire: int, out: int) -> NoReturn:
    """Enter the namespaces, let the worker begin, and see to its end."""
    try:
        os.setsid()  # Ctrl-C at the terminal is the caller's alone
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_SETMASK, set())
        _enter(as_user)
        isolation.die_with_parent()
        if _wire(wire, 0.0) != "gone":
            _guard(work, wire, out)
    except OSError as problem:
        _send(out, "failure", _refusal(problem))
    finally:
        os._exit(0)


def _guard(work: Callable[[], Any], wire: int, out: int) -> NoReturn:
    watching, alive = os.pipe()  # nobody but the warden holds the second
    worker = os.fork()
    if worker == 0:
        os.close(alive)
        os.close(wire)
        _worker(work, watching, out)
    os.close(out)
    handle = os.pidfd_open(worker)
    if select.select([handle, wire], [], [])[0] == [wire]:
        if _wire(wire, 0.0) == "stop":
            os.kill(worker, signal.SIGTERM)
            select.select([handle, wire], [], [], GRACE)
        os.kill(worker, signal.SIGKILL)
    os.waitpid(worker, 0)
    os._exit(0)


def _wire(wire: int, seconds: float) -> str:
    """What the caller wants: "stop", "gone" if it wants all to end or has ended itself, or ""."""
    if not select.select([wire], [], [], seconds)[0]:
        return ""
    return "stop" if os.read(wire, 1) == _STOP else "gone"


def _enter(as_user: bool) -> None:
    flags = isolation.NEW_NETWORK | isolation.NEW_MOUNTS | isolation.NEW_PROCESSES
    user, group = os.geteuid(), os.getegid()
    if user == 0 and not as_user:
        try:
            isolation.unshare(flags)
            return
        except PermissionError:
            pass  # root of a container, perhaps, who may still have a user namespace
    isolation.become_root_of_a_user_namespace(flags, user, group)


def _refusal(problem: OSError) -> LabImpossible:
    remedies = {
        errno.EPERM: "run it as root, or let users have user namespaces "
        "(sysctl kernel.unprivileged_userns_clone, kernel.apparmor_restrict_unprivileged_userns)",
        errno.EACCES: "run it as root, or let users have user namespaces",
        errno.ENOSPC: "raise user.max_user_namespaces and its neighbours (sysctl), or run it as root",
        errno.EINVAL: "run it on a kernel with network, mount, process and user namespaces",
    }
    remedy = remedies.get(
        problem.errno or 0, "run it as root on a machine that may make namespaces"
    )
    return LabImpossible(f"the kernel lets no namespaces be made here ({problem.strerror})", remedy)


# --- the worker ----------------------------------------------------------------------------------


def _worker(work: Callable[[], Any], watching: int, out: int) -> NoReturn:
    """The work itself, as the first process of its process namespace."""
    try:
        signal.signal(signal.SIGTERM, _stopped)
        isolation.die_with_parent()
        if select.select([watching], [], [], 0)[0]:
            os._exit(0)  # the warden had gone before
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        _settle(work, out)
    except Stopped:
        os._exit(0)
    finally:
        os._exit(1)


def _settle(work: Callable[[], Any], out: int) -> NoReturn:
    try:
        _own_mounts()
        _caller.set(out)
        said = _message("result", work())
    except Stopped:
        raise
    except BaseException as failure:  # noqa: BLE001 - the caller raises it
        said = _message("failure", _portable(failure))
    _write(out, said)
    os._exit(0)


def _stopped(number: int, frame: object) -> None:
    raise Stopped


def _own_mounts() -> None:
    try:
        isolation.private_mounts()
        isolation.mount_memory("/run")
        os.mkdir(NAMESPACES)
    except OSError as problem:
        raise _refusal(problem) from None


def _portable(failure: BaseException) -> BaseException:
    """The failure itself if it survives the way to the caller, or else what it says."""
    told = "".join(traceback.format_exception(failure))
    if not _travels(failure):
        return LabFailed(told)
    failure.add_note(f"In the lab:\n{told}")
    return failure


def _travels(failure: BaseException) -> bool:
    try:
        return type(pickle.loads(pickle.dumps(failure))) is type(failure)
    except Exception:  # noqa: BLE001 - an exception may fail to travel in any way it likes
        return False


def _send(out: int, kind: str, value: Any) -> None:
    _write(out, _message(kind, value))


def _message(kind: str, value: Any) -> bytes:
    said = pickle.dumps((kind, value))
    return len(said).to_bytes(_HEAD, "big") + said


def _write(out: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(out, rest) :]
