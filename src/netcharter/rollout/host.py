"""What a roll-out asks of the host it works on, so that a pretended one can stand in its place."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from netcharter.rollout.shapes import Effect, HostState, Run, Step
from netcharter.rollout.store import Paths, Process


class Host(Protocol):
    """A machine. Whatever can't be done raises EffectFailed, unless said otherwise."""

    def ready(self) -> None:
        """Raises RolloutRefused where the host lacks a program that is needed, or this process the
        right to change its network."""

    def swept(self) -> None:
        """What a process of ours that was killed may have left on the host besides a trial, and
        which changes nothing, is gone."""

    def perform(self, effect: Effect) -> None:
        """Do one thing, and return when it is done and on the disk."""

    def read(self, path: str) -> bytes | None:
        """A file; None where there is none."""

    def names(self, path: str) -> tuple[str, ...]:
        """What is in a folder, sorted; nothing where there is none."""

    def files(self, path: str) -> dict[str, bytes]:
        """All files below a folder, by their path in it; nothing where there is none."""

    def link(self, path: str) -> str | None:
        """Where a symbolic link leads to, "" for what is there and is none; None where nothing is."""

    def observe(self, settings: Collection[str]) -> HostState:
        """What the host is like now. settings: names of what matters beside devices and what is on
        them: kernel settings (`net/...`), files (by their whole path) and services (units)."""

    def utc(self) -> datetime:
        """The time of day."""

    def clock(self) -> float:
        """Seconds from boot, sleep included."""

    def boot_id(self) -> str:
        """Another text after every boot."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def lives(self, process: Process) -> bool:
        """Whether just this process is there still."""

    def locked(
        self, paths: Paths, what: str, patience: float | None = None
    ) -> AbstractContextManager[None]:
        """The lock of a state folder, for work named in words. Raises RolloutRefused if another
        has it for longer than `patience`, in seconds; None: as long as people may be kept."""

    def this_process(self) -> Process:
        """The process that asks."""

    def end_holder(self, paths: Paths) -> bool:
        """End the process of ours that has the lock, for it is stuck; whether there was one."""

    def arm(self, paths: Paths, version: int) -> None:
        """Start the undo timer as a process of its own, and return when it is armed."""


Files = Mapping[str, bytes]


def nothing_by_hand(new: Files | None, old: Files | None, now: HostState) -> tuple[str, ...]:
    """For kits in which nothing runs."""
    return ()


@dataclass(frozen=True, slots=True)
class Ways:
    """The pure halves of a roll-out. Kits are files by name; those that are no kit, or can't be put
    in place, raise RolloutRefused.

    settings_of: names of the settings, files and services that some kits speak of. wanted: what a
    host should be like by a kit, from what it is like, the kit that it has, and the tables of others
    that are to be set aside. as_before: what it should be like once a trial is undone, from what it
    was like before, what it is like, and the kits of the trial. converge: the steps from one state
    to another at a time of the clock that counts from boot, given the kit that leaves and the one
    that comes. rehearsal: what of some steps can be tried without effect. unlike: in what two states
    differ, in words; left_out: what of a state can't be had on a host, in words; possible: the state
    without that. going: what of others one state has and another has not, in words, given the kits
    that are ours. by_hand: what is to be begun and ended by hand on a host where one kit takes
    the place of another, in words.
    """

    settings_of: Callable[..., frozenset[str]]
    wanted: Callable[[Files, HostState, Files | None, Collection[str]], HostState]
    as_before: Callable[..., HostState]
    converge: Callable[[HostState, HostState, float, Files | None, Files | None], tuple[Step, ...]]
    rehearsal: Callable[[Iterable[Step]], tuple[Run, ...]]
    left_out: Callable[[HostState, HostState], tuple[str, ...]]
    unlike: Callable[[HostState, HostState], tuple[str, ...]]
    possible: Callable[[HostState, HostState], HostState]
    going: Callable[..., tuple[str, ...]]
    by_hand: Callable[[Files | None, Files | None, HostState], tuple[str, ...]] = nothing_by_hand


def nobody_listens(step: Step) -> None:
    """For work whose steps are told to nobody."""


@dataclass(frozen=True, slots=True)
class Work:
    """A host, a state folder, the ways, and who does it. told: hears of every step before it."""

    host: Host
    paths: Paths
    ways: Ways
    who: str
    told: Callable[[Step], None] = nobody_listens
