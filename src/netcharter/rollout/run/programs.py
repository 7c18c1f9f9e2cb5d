"""Programs on a real host: in a clean environment, bounded in time and in what they may print.

A program dies with the process that started it, so that nothing goes on changing a host after the
one who watches over it is gone.
"""

from __future__ import annotations

import ctypes
import os
import selectors
import shutil
import signal
import subprocess
import time
from collections.abc import Iterable, Mapping
from functools import partial

from netcharter.rollout.observe import Said
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed, RolloutRefused

SEARCHED = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
ENVIRONMENT: Mapping[str, str] = {"LC_ALL": "C", "TZ": "UTC", "PATH": SEARCHED, "HOME": "/"}
MOST = 64 * 2**20  # bytes that a program may print
SAID = 2000  # characters of a complaint that are kept
PACKAGES: Mapping[str, str] = {
    "ip": "iproute2",
    "tc": "iproute2",
    "nft": "nftables",
    "sysctl": "procps",
}
NET_ADMIN = 12  # linux/capability.h: CAP_NET_ADMIN
_PR_SET_PDEATHSIG = 1  # linux/prctl.h
_libc = ctypes.CDLL(None, use_errno=True)


def demand(names: Iterable[str]) -> None:
    """Raises RolloutRefused unless the host has these programs, and lets us change its network."""
    absent = [name for name in names if shutil.which(name, path=SEARCHED) is None]
    if absent:
        packages = sorted({PACKAGES.get(name, name) for name in absent})
        raise RolloutRefused(
            f"no {' and no '.join(absent)} was found on this machine",
            f"install {', '.join(packages)}; nothing was changed",
        )
    with open("/proc/self/status", encoding="ascii", errors="replace") as file:
        powers = next((line.split()[1] for line in file if line.startswith("CapEff")), "0")
    if not int(powers, 16) >> NET_ADMIN & 1:
        raise RolloutRefused(
            "changing the network of a machine is for its administrator (CAP_NET_ADMIN)",
            "run it as root; nothing was changed",
        )


def run(effect: Run) -> Said:
    """Run a program and return what it answered.

    Raises EffectFailed if there is no such program, if it is not done in time, or prints too much;
    and, where the effect says that it matters, if it fails.
    """
    told = " ".join(effect.argv)[:200]
    said = _answered(effect, told)
    if effect.fails and said.code != 0:
        words = said.err.decode("utf-8", "replace").strip()[:SAID]
        raise EffectFailed(told, words or f"it ended with {said.code}")
    return said


def _answered(effect: Run, told: str) -> Said:
    name, *arguments = effect.argv
    path = shutil.which(name, path=SEARCHED)
    if path is None:
        raise EffectFailed(told, "there is no such program here")
    try:
        process = subprocess.Popen(
            [path, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=dict(ENVIRONMENT),
            cwd="/",
            process_group=0,  # of its own: to be ended whole, and not by a key at the terminal
            preexec_fn=partial(_die_with, os.getpid()),  # noqa: PLW1509 - no locks are taken in it
        )
    except (OSError, subprocess.SubprocessError) as problem:
        raise EffectFailed(told, str(problem)) from None
    try:
        return _talk(process, effect, told)
    finally:
        _ended(process)


def _die_with(parent: int) -> None:
    _libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:  # it died before this was asked for
        os._exit(1)


def _ended(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None and not pipe.closed:
            try:
                pipe.close()
            except BrokenPipeError:
                pass


def _talk(process: subprocess.Popen[bytes], effect: Run, told: str) -> Said:
    """Give the program its input and take its answers, all at once, until it is done."""
    assert process.stdin and process.stdout and process.stderr
    end = time.monotonic() + effect.seconds
    answers: dict[int, bytearray] = {process.stdout.fileno(): bytearray()}
    answers[process.stderr.fileno()] = bytearray()
    rest = memoryview(effect.stdin)
    with selectors.DefaultSelector() as selector:
        os.set_blocking(process.stdin.fileno(), False)
        selector.register(process.stdin, selectors.EVENT_WRITE)
        for pipe in (process.stdout, process.stderr):
            selector.register(pipe, selectors.EVENT_READ)
        while selector.get_map():
            left = end - time.monotonic()
            ready = selector.select(max(left, 0))
            if left <= 0 or not ready:
                raise EffectFailed(told, f"it was not done after {effect.seconds:g} s")
            for key, _ in ready:
                if key.fileobj is process.stdin:
                    rest = _given(process, rest)
                    if not rest:
                        selector.unregister(process.stdin)
                        process.stdin.close()
                elif not _taken(key.fd, answers[key.fd], told):
                    selector.unregister(key.fileobj)
    out, err = (bytes(answers[fd]) for fd in answers)
    return Said(_code(process, end, effect, told), out, err)


def _given(process: subprocess.Popen[bytes], rest: memoryview) -> memoryview:
    assert process.stdin
    try:
        return rest[os.write(process.stdin.fileno(), rest[:65536]) :] if rest else rest
    except BrokenPipeError:  # it does not want more; its exit tells whether that is right
        return rest[:0]


def _taken(descriptor: int, so_far: bytearray, told: str) -> bool:
    """Take what is there; whether there may be more."""
    part = os.read(descriptor, 65536)
    so_far += part
    if len(so_far) > MOST:
        raise EffectFailed(told, f"it printed more than {MOST} bytes")
    return bool(part)


def _code(process: subprocess.Popen[bytes], end: float, effect: Run, told: str) -> int:
    try:
        return process.wait(max(end - time.monotonic(), 0.1))
    except subprocess.TimeoutExpired:
        raise EffectFailed(told, f"it was not done after {effect.seconds:g} s") from None
