"""Telling ports apart: the keeper plugs a cable in or out, and the machine says which it was.

A state machine without a clock: it is given what the devices feel, and when. The watching itself is
somebody else's work.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from netcharter.diagnostics.escape import terminal
from netcharter.rollout.preparing.shapes import NetDevice, Use

SETTLED = 1.5  # seconds for which a cable must stay as it is; contacts bounce
PATIENCE = 120.0  # seconds for one cable

Carriers = Mapping[str, bool | None]
Saying = Literal["begin", "wait", "told", "several", "nothing", "done"]


@dataclass(frozen=True, slots=True)
class Port:
    """A device of the charter that is to be found. device: as the charter has it; names: of the
    lines and areas on it."""

    device: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Watch:
    """How far it is. todo: what is still to be found, the first one now; found: what is, in the
    charter's words, with the machine's; skipped: what was not; before: what was felt when this
    cable's turn began, None if it has not; since: when the turn began, and when each device became
    as it is now."""

    todo: tuple[Port, ...]
    found: Mapping[str, str] = field(default_factory=dict)
    skipped: tuple[str, ...] = ()
    before: Carriers | None = None
    now: Carriers = field(default_factory=dict)
    began: float = 0.0
    since: Mapping[str, float] = field(default_factory=dict)

    @property
    def done(self) -> bool:
        return not self.todo


@dataclass(frozen=True, slots=True)
class Heard:
    """What came of a look. port: whose turn it is, or was; devices: the one that was told, or the
    several that changed."""

    saying: Saying
    port: Port | None = None
    devices: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """For the keeper; "" where there is nothing new to say."""
        names = ", ".join(self.port.names) if self.port else ""
        devices = " and ".join(map(terminal, self.devices))
        return {
            "begin": f"plug the cable of {names} in now; if it is in already, pull it out",
            "wait": "",
            "told": f"{names}: {devices}",
            "several": f"{devices} changed at the same time; leave the others alone, and change only"
            f" the cable of {names} once more",
            "nothing": f"nothing was felt of the cable of {names}: is it another machine's socket, or"
            " is its other end switched off?",
            "done": "all cables are known",
        }[self.saying]


def ports_of(uses: Sequence[Use]) -> tuple[Port, ...]:
    """What is to be found for a charter, in its order: a device with VLANs is one cable."""
    names: dict[str, list[str]] = {}
    for one in uses:
        names.setdefault(one.device, []).append(one.name)
    return tuple(Port(device, tuple(said)) for device, said in names.items())


def sockets(devices: Mapping[str, NetDevice]) -> tuple[str, ...]:
    """The devices of a machine into which a cable can go; in a container, which has none that are
    real, the ends of pairs that lead out of it."""
    real = tuple(name for name, one in devices.items() if one.real)
    return real or tuple(name for name, one in devices.items() if one.kind == "veth")


def looked(
    watch: Watch,
    at: float,
    carriers: Carriers,
    settled: float = SETTLED,
    patience: float = PATIENCE,
) -> tuple[Watch, Heard]:
    """One look at what the devices feel. at: seconds of a clock that does not go back; carriers: of
    every socket, None where it can't be felt (switched off, or gone), which counts as no cable.

    A device counts once it has felt otherwise than at the beginning of the turn for `settled`
    seconds, if no other does. What is found once is out of the game.
    """
    if watch.done:
        return watch, Heard("done")
    port = watch.todo[0]
    felt = {name: bool(one) for name, one in carriers.items()}
    before = watch.before
    if before is None:
        since = dict.fromkeys(felt, at)
        return replace(watch, before=felt, now=felt, began=at, since=since), Heard("begin", port)
    since = {
        name: watch.since.get(name, at) if watch.now.get(name) == one else at
        for name, one in felt.items()
    }
    watch = replace(watch, now=felt, since=since)
    changed = [n for n, one in felt.items() if one != before.get(n, False)]
    changed = sorted(set(changed) - {*watch.found.values()})
    if changed and all(at - since[name] >= settled for name in changed):
        if len(changed) == 1:
            return _told(watch, port, changed[0]), Heard("told", port, (changed[0],))
        return replace(watch, before=felt, began=at), Heard("several", port, tuple(changed))
    if at - watch.began >= patience:
        return skipped(watch), Heard("nothing", port)
    return watch, Heard("wait", port)


def _told(watch: Watch, port: Port, device: str) -> Watch:
    found = {**watch.found, port.device: device}
    return replace(watch, todo=watch.todo[1:], found=found, before=None)


def skipped(watch: Watch) -> Watch:
    """Go on with the next cable; this one stays unknown."""
    if watch.done:
        return watch
    return replace(
        watch,
        todo=watch.todo[1:],
        skipped=(*watch.skipped, watch.todo[0].device),
        before=None,
    )


def mapping(watch: Watch) -> dict[str, str]:
    """What is to be changed in the charter: its devices with those that were found, where they
    differ."""
    return {old: new for old, new in watch.found.items() if old != new}
