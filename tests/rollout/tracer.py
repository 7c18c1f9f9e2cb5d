"""A tracer that stops a command and all its children at every system call, and kills them at one.

By ptrace(2), through ctypes, so that it is the same on x86_64 and aarch64: no register is read.
What is counted are stops, two for a call (entry and return), so that a process dies before a call
as well as after it. A traced process marks its progress by sending itself MARK, which does nothing
otherwise: a tracer sees signals that are ignored, too (ptrace(2), "Signal-delivery-stop").
Until the first mark nothing is counted: starting Python is thousands of calls.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field

MARK = signal.SIGURG

# linux/ptrace.h
_CONT, _DETACH, _SYSCALL, _SEIZE, _INTERRUPT, _LISTEN = 7, 17, 24, 0x4206, 0x4207, 0x4208
_SYSGOOD, _FORK, _VFORK, _CLONE, _EXEC, _EXITKILL = 0x1, 0x2, 0x4, 0x8, 0x10, 0x100000
_OPTIONS = _SYSGOOD | _FORK | _VFORK | _CLONE | _EXEC | _EXITKILL
_EVENT_STOP = 128
_GET_MESSAGE = 0x4201
_BIRTHS = (1, 2, 3)  # fork, vfork, clone
_AT_CALL = signal.SIGTRAP | 0x80
_WALL = 0x40000000
_STOPS = (signal.SIGSTOP, signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU)

_libc = ctypes.CDLL(None, use_errno=True)
_libc.ptrace.argtypes = (ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p)
_libc.ptrace.restype = ctypes.c_long


@dataclass
class Traced:
    """What became of a command. lengths: stops from each mark to the next, or to the end or the
    death; died: whether it was killed; code: its exit if it was not; spared: processes of other
    sessions, which were let go."""

    lengths: list[int] = field(default_factory=list)
    died: bool = False
    code: int | None = None
    spared: list[int] = field(default_factory=list)
    killed: int = 0


def possible() -> bool:
    """Whether this machine lets a process be traced."""
    try:
        return trace([sys.executable, "-c", "pass"]).code == 0
    except OSError:
        return False


def trace(
    command: Sequence[str], mark: int | None = None, stop: int = 0, spare: bool = False
) -> Traced:
    """Run a command; kill it and all its children `stop` stops after the mark of that number.

    spare: processes that lead a session of their own are let go instead, as if they had been
    started elsewhere. Raises OSError where tracing is not allowed.
    """
    child = os.fork()
    if child == 0:
        _begin(command)
    os.waitpid(child, os.WUNTRACED)
    try:
        _ptrace(_SEIZE, child, _OPTIONS)
    except OSError:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        raise
    os.kill(child, signal.SIGCONT)
    return _Tracing(child, mark, stop, spare).run()


def _begin(command: Sequence[str]) -> None:
    try:
        os.kill(os.getpid(), signal.SIGSTOP)  # until it is traced
        os.execvp(command[0], list(command))
    finally:
        os._exit(127)


class _Tracing:
    def __init__(self, child: int, mark: int | None, stop: int, spare: bool) -> None:
        self.main = child
        self.mark, self.stop, self.spare = mark, stop, spare
        self.alive = {child}
        self.counting = False
        self.result = Traced()

    def run(self) -> Traced:
        while self.main in self.alive:
            pid, status = os.waitpid(-1, _WALL)
            if os.WIFSTOPPED(status):
                self.alive.add(pid)
                self._stopped(pid, status)
                if self._time_to_die():
                    self._die(pid)
                    return self.result
            else:
                self._ended(pid, status)
        self._let_go_of_all()
        return self.result

    def _time_to_die(self) -> bool:
        lengths = self.result.lengths
        return self.mark is not None and len(lengths) == self.mark + 1 and lengths[-1] >= self.stop

    def _stopped(self, pid: int, status: int) -> None:
        """Let it go on, with the signal that it was to get, if it was stopped by one."""
        number, event = os.WSTOPSIG(status), status >> 16
        if event in _BIRTHS:
            self.alive.add(_born(pid))  # it is known before it has made its first stop
        if number == MARK and pid == self.main and not event:
            self.counting = True
            self.result.lengths.append(0)
        elif self.counting and number == _AT_CALL:
            self.result.lengths[-1] += 1
        if self._time_to_die():
            return
        if event == _EVENT_STOP and number in _STOPS:
            _quietly(_LISTEN, pid, 0)
            return
        passed = 0 if event or number in (_AT_CALL, signal.SIGTRAP) else number
        _quietly(_SYSCALL if self.counting else _CONT, pid, passed)

    def _ended(self, pid: int, status: int) -> None:
        self.alive.discard(pid)
        if pid == self.main:
            self.result.code = os.waitstatus_to_exitcode(status)

    def _die(self, stopped: int) -> None:
        """Everybody dies, wherever they are; nobody does anything more."""
        self.result.died = True
        free = {pid for pid in self.alive if self.spare and _leads_a_session(pid, self.main)}
        for pid in self.alive - free:
            try:
                os.kill(pid, signal.SIGKILL)
                self.result.killed += 1
            except ProcessLookupError:
                pass
        for pid in self.alive - free:
            _buried(pid)
        for pid in free:
            self._let_go(pid, pid == stopped)

    def _let_go_of_all(self) -> None:
        for pid in list(self.alive):
            self._let_go(pid, False)

    def _let_go(self, pid: int, stopped: bool) -> None:
        if not stopped:
            _quietly(_INTERRUPT, pid, 0)
            try:
                _, status = os.waitpid(pid, _WALL)
            except ChildProcessError:
                return
            if not os.WIFSTOPPED(status):
                return
        _quietly(_DETACH, pid, 0)
        self.result.spared.append(pid)


def _buried(pid: int) -> None:
    """Wait for its end; stops that were on their way come first."""
    while True:
        try:
            _, status = os.waitpid(pid, _WALL)
        except ChildProcessError:
            return
        if not os.WIFSTOPPED(status):
            return


def _born(pid: int) -> int:
    """The child of a process that is stopped at having it; the process itself, if it was killed."""
    message = ctypes.c_ulong(pid)
    _libc.ptrace(_GET_MESSAGE, pid, None, ctypes.byref(message))
    return message.value


def _leads_a_session(pid: int, main: int) -> bool:
    try:
        return pid != main and os.getsid(pid) == pid
    except ProcessLookupError:
        return False


def _ptrace(request: int, pid: int, data: int) -> None:
    if _libc.ptrace(request, pid, None, data) == -1:
        number = ctypes.get_errno()
        raise OSError(number, f"ptrace {request:#x}: {os.strerror(number)}")


def _quietly(request: int, pid: int, data: int) -> None:
    """For a process that may have died meanwhile: then its end is what is waited for next."""
    try:
        _ptrace(request, pid, data)
    except ProcessLookupError:
        pass
