"""The state of the site that a probe asks for: lines that are up, hours that are open, who is in.

What steward and gate do on a real gateway is done here before a probe is sent: the sets they keep
hold just what the setting says.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence

from netcharter.lab.site import TABLE, Site
from netcharter.plan import labels
from netcharter.plan.coding import hardware_text
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Probe, Setting, Station
from netcharter.render.escape import bare_device

_DEFINED = re.compile(r"^    (?:set|map) (\S+) \{", re.MULTILINE)

Contents = Mapping[str, frozenset[str]]  # set or map -> its elements in nft's words


class Scene:
    """One site, and what its living sets hold just now. ruleset: the kit's."""

    def __init__(self, plan: Plan, stations: Sequence[Station], site: Site, ruleset: str) -> None:
        self._plan = plan
        self._site = site
        self._known = frozenset(_DEFINED.findall(ruleset))
        areas = {area.name: bare_device(area.device) for area in plan.areas}
        self._devices = {s.name: areas[s.entrance] for s in stations if s.entrance in areas}
        self._held: Contents = {}

    def put(self, setting: Setting, probes: Iterable[Probe]) -> None:
        """Make it so, for these probes, which all ask for this setting. Sets that the kit does not
        have, since nothing in it asks for them, stay unfilled.
        """
        self._site.lines(setting.up)
        found = contents(self._plan, self._devices, setting, probes)
        wanted = {name: held for name, held in found.items() if name in self._known}
        text = "".join(changes(self._held, wanted))
        if text:
            self._site.nft(text)
        self._held = wanted


def contents(
    plan: Plan, devices: Mapping[str, str], setting: Setting, probes: Iterable[Probe]
) -> Contents:
    """What those sets hold that are not empty (docs/explanation/kit.md, people and hours).

    devices: station -> the gateway's device there, for stations in areas.
    """
    everywhere = frozenset(f'"{name}"' for name in _everywhere(plan))
    found = dict.fromkeys(setting.open, everywhere)
    if not setting.joins and setting.identity is None:
        return found
    for probe in probes:
        packet = probe.packet
        if packet.hardware is None:
            raise ValueError(f"nobody can be signed in there: {probe.told}")
        where, hardware = devices[probe.station], hardware_text(packet.hardware)
        who = f'"{where}" . {packet.source} . {hardware}'
        for name in setting.joins:
            if family_of(name) == packet.source.version:
                found[name] = found.get(name, frozenset()) | {who}
        if setting.identity is not None:
            name = labels.class_map(packet.source.version)
            mark = labels.pack(labels.Mark(identity=setting.identity))
            found[name] = found.get(name, frozenset()) | {f"{who} : {mark:#010x}"}
    return found


def changes(before: Contents, after: Contents) -> Iterator[str]:
    """nft's commands from one to the other, to be carried out together."""
    for name in sorted(before.keys() | after.keys()):
        held, wanted = before.get(name, frozenset()), after.get(name, frozenset())
        if held == wanted:
            continue
        if held:
            yield f"flush {_kind(name)} inet {TABLE} {name}\n"
        if wanted:
            yield f"add element inet {TABLE} {name} {{ {', '.join(sorted(wanted))} }}\n"


def family_of(name: str) -> int:
    """The family of a set of those who are signed in, by its name (`plan.labels`)."""
    for family in (4, 6):
        if name == labels.signed_set(family) or name.startswith(f"nc_who{family}_"):
            return family
    raise ValueError(f"not a set of people: {name}")


def _kind(name: str) -> str:
    return "map" if name in (labels.class_map(4), labels.class_map(6)) else "set"


def _everywhere(plan: Plan) -> Iterator[str]:
    """Every device of the site, and `lo`: in the output hook the device of exit is looked up."""
    devices = [*(line.device for line in plan.lines), *(area.device for area in plan.areas)]
    yield from dict.fromkeys(map(bare_device, devices))
    yield "lo"
