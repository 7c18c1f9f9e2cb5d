"""`show --around`: by which means hosts get round the resolver and the rules, area by area."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from textwrap import wrap
from typing import Any

from netcharter.diagnostics.escape import terminal
from netcharter.plan.shapes import Plan
from netcharter.proofs.around import Around, Way, around
from netcharter.proofs.certify import Prover
from netcharter.proofs.channels import CHANNELS, Channel
from netcharter.proofs.naming import Naming, listed
from netcharter.report.limits import AROUND, CAUTIONS, told
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.sources import Source, answerable, usable_plan

STANDS = ("open", "undecidable", "closed")
MIND = (CAUTIONS["filters"], CAUTIONS["monitoring"], CAUTIONS["law"])
INDENT = " " * 15


@dataclass(frozen=True)
class AroundShown:
    """What was found, of which plan, from which moment (UTC) on."""

    plan: Plan
    begin: datetime
    found: Around

    def as_json(self) -> dict[str, Any]:
        """As the page on JSON says under `show`."""
        families = self.found.families
        return {
            "ok": True,
            "site": self.plan.site,
            "timezone": self.plan.timezone,
            "from": self.begin.isoformat(timespec="seconds").replace("+00:00", "Z"),
            "channels": [_channel(self.plan, one) for one in CHANNELS],
            "ways": [one.as_json() for one in self.found.ways],
            "families": {"holds": families.holds, "one_family": list(families.one_family)},
            "complete": self.found.complete,
            "limits": list(AROUND),
            "cautions": list(MIND),
        }

    def text(self, width: int) -> str:
        """For a terminal of so many columns."""
        return "".join(f"{terminal(line)}\n" for line in self._lines(width))

    def _lines(self, width: int) -> Iterator[str]:
        moment = Naming(self.plan).instant_text(self.begin)
        yield f"{self.plan.site}: ways around the gateway's resolver and rules, from {moment} on"
        for area in self.plan.areas:
            yield ""
            yield area.name
            yield from self._area(area.name, width)
        yield ""
        yield from _families(self.found, width)
        if not self.found.complete:
            yield "Some of what lets a means is not listed: there is too much of it."
        yield from told("limits of this list", AROUND, width)
        yield from told("please mind", MIND, width)

    def _area(self, name: str, width: int) -> Iterator[str]:
        groups = list(_groups([*self.found.of(name, 4), *self.found.of(name, 6)]))
        shown: set[str] = set()
        for stands in STANDS[:2]:
            for group in groups:
                if group[0].stands == stands:
                    yield from self._open(group, width, shown)
        closed: dict[str, list[str]] = {}
        for group in groups:
            if group[0].stands == "closed":
                closed.setdefault(_of(group), []).append(group[0].channel.name)
        for families, names in closed.items():
            yield from _block(f"  closed       {families}: {', '.join(names)}", width)

    def _open(self, group: Sequence[Way], width: int, shown: set[str]) -> Iterator[str]:
        """One means as it stands in one family or both, with a connection not shown before."""
        first = group[0]
        yield from _block(f"  {first.stands:<12} {first.channel.name}, {_of(group)}", width)
        yield from _block(f"{INDENT}{self._when(group)}", width)
        for one in _openings(group):
            yield from _block(f"{INDENT}by {one}", width)
        sentence = first.witness.sentence if first.witness else ""
        if sentence and sentence not in shown:
            shown.add(sentence)
            yield from _block(f"{INDENT}{sentence}", width)

    def _when(self, group: Sequence[Way]) -> str:
        way = group[0]
        told = "at all times"
        if not all(one.always for one in group):
            begin = min(one.first for one in group if one.first is not None)
            told = f"at some times, first {Naming(self.plan).instant_text(begin)}"
        if way.share is not None:
            told += f"; {way.share[0]} of {way.share[1]} ports"
        return told + (f"; leaves by {listed(way.lines)}" if way.lines else "")


def show_around(source: Source, now: datetime, as_of: str | None = None) -> AroundShown:
    """From now (aware) on, or as of another date or moment. Raises Unusable."""
    loaded = usable_plan(source)
    begin = judged_from(now, as_of, loaded.plan.timezone)
    with answerable(loaded):
        return AroundShown(loaded.plan, begin.astimezone(UTC), around(Prover(loaded.plan, begin)))


def _channel(plan: Plan, one: Channel) -> Mapping[str, object]:
    return {
        "channel": one.key,
        "name": one.name,
        "services": Naming(plan).services(one.services),
        "to": one.to,
        "means": one.means,
        "source": one.source,
        "hidden": one.hidden,
    }


def _groups(ways: Sequence[Way]) -> Iterator[list[Way]]:
    """Both families of a means together where they stand alike, by the same decisions."""
    groups: dict[tuple[object, ...], list[Way]] = {}
    for way in ways:
        deciders = frozenset(one.decided_by for one in way.openings)
        key = (way.channel.key, way.stands, deciders, way.share)
        groups.setdefault(key, []).append(way)
    order = [one.key for one in CHANNELS]
    yield from sorted(groups.values(), key=lambda group: order.index(group[0].channel.key))


def _openings(group: Sequence[Way]) -> Iterator[str]:
    """What lets a means, once for both families where it says the same of both."""
    told: dict[str, None] = {}
    for way in group:
        family = f" (IPv{way.family})" if told else ""
        for one in way.openings:
            text = f"{one.decided_by}: {one.who} with {one.service}, {one.when}"
            if text not in told:
                told[text] = None
                yield text + family


def _of(group: Sequence[Way]) -> str:
    return listed(f"IPv{one.family}" for one in group)


def _families(found: Around, width: int) -> Iterator[str]:
    if found.families.holds:
        aside = listed(found.families.one_family)
        text = "proven: what is refused in IPv4 is refused in IPv6"
        yield from _block(f"{text}, left aside {aside}" if aside else text, width)
    else:
        yield "BROKEN: what is refused in IPv4 is not refused in IPv6; `netcharter check` shows it"


def _block(text: str, width: int) -> Iterator[str]:
    yield from wrap(text, width, subsequent_indent=INDENT + "  ", break_on_hyphens=False)
