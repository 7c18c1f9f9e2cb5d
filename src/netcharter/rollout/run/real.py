"""A real host: files, programs, clocks, the lock, and the undo timer as a process of its own."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Collection
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TypeVar

from netcharter.rollout import placing
from netcharter.rollout.observe import WATCHING, Asking, Unobservable, observing
from netcharter.rollout.run import files, programs
from netcharter.rollout.run.lock import end_holder, lives, locked, this_process
from netcharter.rollout.shapes import Effect, Folder, HostState, Point, Remove, Run, Write
from netcharter.rollout.store import Paths, Process, armed_of
from netcharter.rollout.trouble import EffectFailed, StateBroken
from netcharter.rollout.units import timer_started

T = TypeVar("T")
PATIENCE = 10.0  # seconds that people wait for the lock
ARMED_WITHIN = 30.0  # seconds
LOOK = 0.02  # seconds between two looks whether the timer is armed
SYSTEMD = "/run/systemd/system"  # is there where it runs (sd_booted(3))
CGROUP = "/proc/self/cgroup"
BOOT_ID = "/proc/sys/kernel/random/boot_id"
TIMER = (sys.executable, "-P", "-m", "netcharter.rollout.run.timer")
_UNIT = re.compile(r":/system\.slice/netcharter-[^/\n]*\.service$", re.MULTILINE)
PROGRAMS = ("ip", "nft", "tc", "sysctl", "grep")


@dataclass(slots=True)
class RealHost:
    """The machine, or the namespace, in which this process runs (`host.Host`).

    boot: a text that stands for this boot instead of the kernel's; timer: the command that starts
    an undo timer, to which the state folder and the version are added; managed: whether a service
    manager looks after what runs here, and /etc is its, None for what is to be found.
    """

    boot: str | None = None
    timer: tuple[str, ...] = TIMER
    patience: float = PATIENCE
    managed: bool | None = None
    _timers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def ready(self) -> None:
        programs.demand(PROGRAMS)

    def swept(self) -> None:
        programs.run(Run(("nft", "delete", "table", *WATCHING), fails=False))

    def perform(self, effect: Effect) -> None:
        perform(effect)

    def read(self, path: str) -> bytes | None:
        return files.read(path)

    def names(self, path: str) -> tuple[str, ...]:
        return files.names(path)

    def files(self, path: str) -> dict[str, bytes]:
        return files.files(path)

    def link(self, path: str) -> str | None:
        return files.link(path)

    def observe(self, settings: Collection[str]) -> HostState:
        return observe(settings, self.managed)

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def clock(self) -> float:
        return clock()

    def boot_id(self) -> str:
        if self.boot is not None:
            return self.boot
        with files.told("asking which boot this is"), open(BOOT_ID, encoding="ascii") as file:
            return file.read().strip()

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)

    def lives(self, process: Process) -> bool:
        return lives(process)

    def locked(
        self, paths: Paths, what: str, patience: float | None = None
    ) -> AbstractContextManager[None]:
        return locked(paths.lock, what, self.patience if patience is None else patience)

    def this_process(self) -> Process:
        return this_process()

    def end_holder(self, paths: Paths) -> bool:
        return end_holder(paths.lock)

    def arm(self, paths: Paths, version: int) -> None:
        command = (*self.timer, os.path.abspath(paths.root), str(version))
        if has_systemd():
            programs.run(Run(timer_started(command, version, str(time.monotonic_ns()))))
            self._awaited(paths, version, None)
            return
        with files.told("starting the undo timer"), open(paths.said, "wb") as said:
            os.fchmod(said.fileno(), 0o640)
            process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
                env=dict(programs.ENVIRONMENT),
                cwd="/",
                start_new_session=True,  # neither a closed terminal nor a key there reaches it
            )
        self._timers.append(process)
        self._awaited(paths, version, process)

    def _awaited(self, paths: Paths, version: int, process: subprocess.Popen[bytes] | None) -> None:
        end = time.monotonic() + ARMED_WITHIN
        while time.monotonic() < end:
            data = files.read(paths.armed)
            if data is not None and _armed_for(data, version):
                return
            if process is not None and process.poll() is not None:
                break
            time.sleep(LOOK)
        if process is not None and process.poll() is None:
            process.kill()
        said = (files.read(paths.said) or b"").decode("utf-8", "replace").strip()
        raise EffectFailed("starting the undo timer", said[-500:] or "it did not get ready")


def _armed_for(data: bytes, version: int) -> bool:
    with suppress(StateBroken):
        armed = armed_of("trial/armed", data)
        return armed.version == version and lives(armed.process)
    return False


def perform(effect: Effect) -> None:
    """Do one thing. Raises EffectFailed."""
    match effect:
        case Run():
            programs.run(effect)
        case Write():
            files.write(effect)
        case Folder():
            files.folder(effect)
        case Point():
            files.point(effect)
        case Remove():
            files.remove(effect)


def observe(settings: Collection[str], managed: bool | None = None) -> HostState:
    """What this host is like. settings: as `Host.observe` has it; managed: as `RealHost` has it.
    Raises EffectFailed."""
    ours = has_own_files() if managed is None else managed
    paths = [name for name in settings if placing.is_path(name) and ours]
    units = [name for name in settings if placing.is_unit(name) and ours]
    manager = units and (has_systemd() if managed is None else managed)
    known = [name for name in settings if not placing.is_path(name) and not placing.is_unit(name)]
    state = answered(observing(clock(), known, units if manager else ()))
    return replace(state, files={path: files.there(path) for path in sorted(paths)})


def answered(asking: Asking[T]) -> T:
    """What comes of asking this host. Raises EffectFailed."""
    try:
        question = next(asking)
        while True:
            question = asking.send(programs.run(question))
    except StopIteration as end:
        found: T = end.value
        return found
    except Unobservable as problem:
        raise EffectFailed("reading what the host is like", str(problem)) from None


def clock() -> float:
    """Seconds from boot, sleep included (clock_gettime(2), CLOCK_BOOTTIME)."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def has_own_files() -> bool:
    """Whether /etc is that of the machine whose network this is. In a network namespace that shares
    it with the rest of a machine, what lies there is about another network: it is left alone."""
    try:
        if os.path.samestat(os.stat("/proc/1/ns/net"), os.stat("/proc/self/ns/net")):
            return True
        return not os.path.samestat(os.stat(os.path.join("/proc/1/root", "etc")), os.stat("/etc"))
    except OSError:  # not ours to look at, and so not ours
        return _of_a_unit_of_ours()


def has_systemd() -> bool:
    """Whether systemd runs here, and what it starts is in our network namespace."""
    if not os.path.isdir(SYSTEMD):
        return False
    try:
        return os.path.samestat(os.stat("/proc/1/ns/net"), os.stat("/proc/self/ns/net"))
    except OSError:  # not ours to look at, and so not ours
        return _of_a_unit_of_ours()


def _of_a_unit_of_ours() -> bool:
    """Whether systemd has begun this as a unit of ours, which have its network and may not look at
    its process; by the name of the control group (systemd.slice(5))."""
    with suppress(OSError), open(CGROUP, encoding="ascii", errors="replace") as file:
        return os.path.isdir(SYSTEMD) and bool(_UNIT.search(file.read()))
    return False
