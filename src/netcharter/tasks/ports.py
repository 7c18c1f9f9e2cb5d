"""Which socket is which: cables are plugged in or out, and a charter gets the devices that felt it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import unified_diff
from typing import Any

from netcharter.rollout.prepare import facts_of
from netcharter.rollout.preparing import ports
from netcharter.rollout.preparing.asking import ADDRESS, LINK, Asked
from netcharter.rollout.preparing.ports import PATIENCE, Heard, Watch, mapping, ports_of
from netcharter.rollout.run import gathering, programs
from netcharter.rollout.run.gathering import gather
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.tasks.cutover import areas_left
from netcharter.tasks.moving import Moved, understood, with_devices
from netcharter.tasks.preparing import uses_of
from netcharter.tasks.sources import Source, Unusable

__all__ = ["PATIENCE", "Found", "found_out", "sockets", "switch", "watch_of", "watching"]
_ASKED = Asked((Run(LINK, fails=False), Run(ADDRESS, fails=False)), ("/sys/class/net/*/carrier",))


@dataclass(frozen=True, slots=True)
class Socket:
    """A network device into which a cable can go. up: switched on, so that it feels its cable."""

    name: str
    up: bool


def sockets() -> tuple[Socket, ...]:
    """Those of this machine. Raises RolloutRefused where there is none to be seen."""
    devices = facts_of(gather(_ASKED)).devices or {}
    found = tuple(Socket(name, devices[name].up) for name in ports.sockets(devices))
    if not found:
        raise RolloutRefused("this machine shows no network device that takes a cable",
                             "look at `ip -d link`; nothing was changed")  # fmt: skip
    return found


def switch(names: Collection[str], on: bool) -> tuple[str, ...]:
    """Switch devices on or off, whatever fails; what failed, in words."""
    failed = []
    for name in names:
        try:
            programs.run(Run(("ip", "link", "set", "dev", name, "up" if on else "down")))
        except EffectFailed as fault:
            failed.append(str(fault))
    return tuple(failed)


def watch_of(source: Source, leave: Sequence[str] = ()) -> Watch:
    """What is to be found for a charter. leave: areas that stay elsewhere. Raises Unusable."""
    charter, _ = understood(source)
    left = areas_left(charter, leave)
    return Watch(ports_of([u for u in uses_of(charter) if u.kind == "line" or u.name not in left]))


def watching(
    watch: Watch, names: Sequence[str], pause: Callable[[float], bool]
) -> Iterator[tuple[Watch, Heard]]:
    """As `gathering.watching`, on this machine."""
    return gathering.watching(watch, names, pause=pause)


@dataclass(frozen=True)
class Found:
    """What was found out. rows: the charter's device, the names on it, this machine's device (None:
    it stays unknown); moved: the charter with these devices, None where that can't be made, and
    `fault` says why."""

    source: Source
    rows: tuple[tuple[str, tuple[str, ...], str | None], ...]
    before: Mapping[str, str]
    moved: Moved | None
    fault: str = ""

    @property
    def ok(self) -> bool:
        """Every cable was found, and the charter can be written."""
        return self.moved is not None and all(there is not None for _, _, there in self.rows)

    @property
    def texts(self) -> Mapping[str, str]:
        """The charter's files with the devices that were found."""
        return self.moved.texts if self.moved else self.before

    def as_json(self) -> dict[str, Any]:
        """`ok`, `ports` [{`device`, `for`, `found`}], `changed`, `files`, `reason`."""
        rows = [{"device": d, "for": list(f), "found": there} for d, f, there in self.rows]
        moved = self.moved.as_json() if self.moved else {"changed": [], "files": {}}
        return {"ok": self.ok, "ports": rows, **moved, "reason": self.fault}

    def lines(self) -> Iterator[str]:
        """The cables with their sockets."""
        for device, names, there in self.rows:
            called = ", ".join(names)
            if there is None:
                yield f"{called}: not found; the charter says {device}"
            elif there == device:
                yield f"{called}: {there}, as the charter says"
            else:
                yield f"{called}: {there}; the charter says {device}"
        if self.fault:
            yield f"The charter can't be changed so: {self.fault}"
        elif self.moved is not None and not self.moved.changed:
            yield "Nothing is to be changed in the charter."

    def difference(self) -> Iterator[str]:
        """What changes in the charter, as a unified difference."""
        for name, text in self.texts.items():
            old = self.before[name].splitlines()
            yield from unified_diff(old, text.splitlines(), name, name, lineterm="")


def found_out(source: Source, begun: Watch, watch: Watch) -> Found:
    """What came of watching. begun: what was to be found. Raises Unusable."""
    _, reading = understood(source)
    rows = tuple((p.device, p.names, watch.found.get(p.device)) for p in begun.todo)
    change = mapping(watch)
    unknown = {device for device, _, there in rows if there is None}
    shared = sorted(set(change.values()) & unknown)
    if shared:
        fault = f"{shared[0]} would be named twice; find the cable that it is for now, too"
        return Found(source, rows, reading.texts, None, fault)
    try:
        return Found(source, rows, reading.texts, with_devices(source, change))
    except Unusable as fault:
        words = "; ".join(one.message for one in fault.diagnostics)
        return Found(source, rows, reading.texts, None, words)
