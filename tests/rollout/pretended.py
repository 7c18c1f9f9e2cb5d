"""A pretended host whose whole state is a few settings, and which can die at any effect.

It shares nothing with the real one but the shapes: its files are a dictionary, its network is a
dictionary, a step of converging sets one setting.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Literal

from netcharter.rollout.host import Files, Ways, Work
from netcharter.rollout.phases import Making
from netcharter.rollout.shapes import (
    Effect,
    Folder,
    HostState,
    Point,
    Remove,
    Run,
    Step,
    Write,
)
from netcharter.rollout.store import Armed, Paths, Process, armed_text
from netcharter.rollout.trouble import EffectFailed, RolloutRefused

START = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)
STOCK = {"address": "stock", "filter": "none", "forwarding": "0"}
STATE = "/state"
Side = Literal["before", "after"]


class Died(BaseException):
    """The process was killed: nothing more of it happens."""


@dataclass
class Pretended:
    """dies: at which effect, counted from 0, and on which side of it; fails: effects, by number,
    that fail; full: nothing can be written."""

    settings: dict[str, str] = field(default_factory=lambda: dict(STOCK))
    files_: dict[str, bytes] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    boot: str = "boot 1"
    seconds: float = 100.0
    dies: tuple[int, Side] | None = None
    fails: frozenset[int] = frozenset()
    full: bool = False
    arms: bool = True
    count: int = 0
    dead: bool = False
    held: bool = False
    timer_lives: bool = False
    ended: int = 0
    unready: bool = False
    watched: bool = False
    done: list[Effect] = field(default_factory=list)

    def rebooted(self) -> None:
        self.settings, self.boot, self.seconds = dict(STOCK), self.boot + "+", 5.0
        self.revived()
        self.timer_lives = False

    def revived(self) -> None:
        """Another process takes over."""
        self.dies, self.dead, self.held, self.fails = None, False, False, frozenset()

    def ready(self) -> None:
        if self.unready:
            raise RolloutRefused("no nft was found on this machine", "install nftables")

    def swept(self) -> None:
        self._alive()
        self.watched = False

    def perform(self, effect: Effect) -> None:
        self._alive()
        number, self.count = self.count, self.count + 1
        if self.dies == (number, "before"):
            self._die()
        if number in self.fails or (self.full and isinstance(effect, Write | Folder)):
            raise EffectFailed(type(effect).__name__, "No space left on device")
        self._do(effect)
        self.done.append(effect)
        if self.dies == (number, "after"):
            self._die()

    def _do(self, effect: Effect) -> None:
        match effect:
            case Write(path, data):
                self.files_[path] = data
            case Point(path, target):
                self.links.pop(path, None)
                if target is not None:
                    self.links[path] = target
            case Remove(path):
                for name in [n for n in self.files_ if n == path or n.startswith(path + "/")]:
                    del self.files_[name]
            case Run(argv):
                self.settings[argv[1]] = argv[2]

    def _die(self) -> None:
        self.dead = True
        raise Died

    def _alive(self) -> None:
        if self.dead:
            raise Died

    def read(self, path: str) -> bytes | None:
        self._alive()
        return self.files_.get(path)

    def names(self, path: str) -> tuple[str, ...]:
        self._alive()
        inside = [n.removeprefix(path + "/") for n in self.files_ if n.startswith(path + "/")]
        return tuple(sorted({name.split("/")[0] for name in inside}))

    def files(self, path: str) -> dict[str, bytes]:
        self._alive()
        return {
            name.removeprefix(path + "/"): data
            for name, data in self.files_.items()
            if name.startswith(path + "/")
        }

    def link(self, path: str) -> str | None:
        self._alive()
        return self.links.get(path)

    def observe(self, settings: Collection[str]) -> HostState:
        self._alive()
        return HostState(self.seconds, settings=dict(self.settings))

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.seconds)

    def clock(self) -> float:
        return self.seconds

    def boot_id(self) -> str:
        return self.boot

    def wait(self, seconds: float) -> None:
        self.seconds += seconds

    def lives(self, process: Process) -> bool:
        return self.timer_lives

    @contextmanager
    def locked(self, paths: Paths, what: str, patience: float | None = None) -> Iterator[None]:
        self._alive()
        if self.held:
            raise RolloutRefused("another is at it", "wait")
        self.held = True
        try:
            yield
        finally:
            self.held = False

    def this_process(self) -> Process:
        return Process(77, 7)

    def end_holder(self, paths: Paths) -> bool:
        self.ended += self.held
        self.held = False
        return True

    def arm(self, paths: Paths, version: int) -> None:
        if not self.arms:
            raise EffectFailed("starting the undo timer", "it did not get ready")
        self.timer_lives = True
        self.perform(Write(paths.armed, armed_text(Armed(version, Process(77, 7)))))


def kit(**settings: str) -> dict[str, bytes]:
    """A kit that sets these."""
    data = json.dumps({**STOCK, **settings}).encode()
    digest = hashlib.sha256(data).hexdigest()
    manifest = json.dumps({"files": {"settings": {"sha256": digest}}}).encode()
    return {"settings": data, "manifest.json": manifest}


def settings_of(*kits: Files) -> frozenset[str]:
    return frozenset(name for files in kits for name in json.loads(files["settings"]))


def _wanted(
    files: Files, now: HostState, previous: Files | None, set_aside: Collection[str]
) -> HostState:
    return HostState(now.at, settings=json.loads(files["settings"]))


def _as_before(before: HostState, now: HostState, *kits: Files) -> HostState:
    return before


def _converge(
    now: HostState, wanted: HostState, at: float, old: Files | None, new: Files | None
) -> tuple[Step, ...]:
    return tuple(
        Step(f"{name} is set", (Run(("set", name, value)),))
        for name, value in wanted.settings.items()
        if now.settings.get(name) != value
    )


def _unlike(one: HostState, other: HostState) -> tuple[str, ...]:
    both: Mapping[str, str] = {**one.settings, **other.settings}
    return tuple(n for n in sorted(both) if one.settings.get(n) != other.settings.get(n))


def _rehearsal(steps: Iterable[Step]) -> tuple[Run, ...]:
    """Nothing of it can be tried without effect."""
    return ()


def _left_out(now: HostState, wanted: HostState) -> tuple[str, ...]:
    return ()


def _possible(now: HostState, wanted: HostState) -> HostState:
    return wanted


def _going(now: HostState, wanted: HostState, *kits: Files) -> tuple[str, ...]:
    return ()


WAYS = Ways(
    settings_of, _wanted, _as_before, _converge, _rehearsal, _left_out, _unlike, _possible, _going
)


def work(host: Pretended) -> Work:
    return Work(host, Paths(STATE), WAYS, "the keeper")


def making(**settings: str) -> Making:
    return Making(kit(**settings), b"charter: 1\n", "the keeper", "because")
