"""A running gateway beside another ruleset, or beside a charter: which connections change."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from netcharter.diagnostics import Span
from netcharter.lab.agreement import plan_host
from netcharter.lab.reading import NotListed, listing_of_kit
from netcharter.lab.trouble import CommandFailed, LabFailed, LabImpossible
from netcharter.plan import coding, labels
from netcharter.plan.shapes import Plan, Row
from netcharter.proofs.story import row_name
from netcharter.readback.differing import (
    ChangeRow,
    Difference,
    Telling,
    difference,
    let_and_delivered,
    whole_verdict,
)
from netcharter.readback.ground import LINK_LOCAL6
from netcharter.readback.listing import read_listing
from netcharter.readback.points import FAMILY4, FAMILY6, Frame, frame, points
from netcharter.readback.questions import origin_text
from netcharter.readback.shapes import (
    DESTINATION,
    ENTRANCE,
    HARDWARE,
    HARDWARE_NONE,
    SERVICE,
    SOURCE,
    SYMBOLS,
    Host,
    Leaf,
)
from netcharter.readback.walk import decisions
from netcharter.render import render
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, intersect, subtract, union
from netcharter.tasks.inheriting.gateway import File, OldGateway
from netcharter.tasks.inheriting.ruleset import BY_JSON, ruleset_of
from netcharter.tasks.inheriting.saying import ECHO, ICMPS
from netcharter.tasks.inheriting.terms import Site
from netcharter.tasks.sources import Source, unusable, usable_plan

_CHARTER = re.compile(r"^charter:", re.MULTILINE)


@dataclass(frozen=True)
class Beside:
    """A difference, and who decides on the other side, in the words of that side."""

    difference: Difference
    rows: Mapping[str, Row]  # by the counter that tells a decision of a charter; else empty
    texts: Mapping[str, str]

    def decided_after(self, row: ChangeRow) -> tuple[str, Span | None]:
        """Who decides on the other side, and where that stands."""
        found = [self.rows[c] for c in row.counters[1] if c in self.rows]
        if found:
            return row_name(found[-1]), found[-1].span
        origin = row.deciders[1]
        return origin_text(origin), origin.span if origin.chain else None


def is_charter(file: File) -> bool:
    """Does a text look like a charter rather than a ruleset?"""
    return _CHARTER.search(file.text()) is not None


def beside_ruleset(gateway: OldGateway, other: File) -> Beside:
    """A gateway beside another ruleset on the same machine. Raises Unusable, NoAnswer."""
    ruleset = ruleset_of(other.data, other.name)
    found = decisions(ruleset.listing, gateway.host)
    common = frame(gateway.decisions, found)
    old, new = (points(one, gateway.host, common) for one in (gateway.decisions, found))
    told = difference(old, new, gateway.words, whole_verdict)
    return Beside(told, {}, {**gateway.texts, **ruleset.texts})


def beside_charter(gateway: OldGateway, source: Source) -> Beside:
    """A gateway beside the kit of a charter, loaded apart and read back. Raises Unusable, NoAnswer."""
    loaded = usable_plan(source)
    told, rows = beside_plan(gateway, loaded.plan)
    return Beside(told, rows, {**gateway.texts, **loaded.texts})


def beside_plan(
    gateway: OldGateway, plan: Plan, new_addresses: bool = False
) -> tuple[Difference, Mapping[str, Row]]:
    """As `beside_charter`, of a plan: whether something is let, and where it is delivered. In what
    manner a refusal shows, and what source is shown beyond a line, does not count.

    new_addresses: told row by row is also what is about addresses that only the plan has, as where
    a plan is enacted on a machine that has none yet.
    """
    listing = read_listing(_listing(plan), "nftables.nft").listing
    assert listing is not None
    host = _with_real_addresses(plan_host(plan), gateway)
    found = decisions(listing, host)
    wired = frozenset(area.device for area in plan.areas) if new_addresses else frozenset()
    common = frame(gateway.decisions, found, hosts=(gateway.host, host), wired=wired)
    old, new = points(gateway.decisions, gateway.host, common), points(found, host, common)
    rows = {labels.row_name(row.label): row for row in plan.rows}

    def row(leaf: Leaf) -> Row | None:
        return next((rows[c] for c in reversed(leaf.counters) if c in rows), None)

    def name(leaf: Leaf) -> str:
        found = row(leaf)
        return found.label if found is not None else leaf.decider.chain or leaf.decider.text

    def sort(leaf: Leaf) -> str | None:
        """Housekeeping is the same at every site, and told in sum."""
        found = row(leaf)
        return name(leaf) if found is None or found.kind == "housekeeping" else None

    site = Site(gateway, plan)
    hosts = {
        area.device: area.hosts if new_addresses else site.hosts(area.name) for area in plan.areas
    }
    own = subtract(union(*host.own.values()), LINK_LOCAL6)
    if not new_addresses:
        own = intersect(union(*gateway.host.own.values()), own)
    telling = Telling(tuple(_known_to_both(site, host, common, hosts, own)), sort, name)
    hosts |= {line.device: site.outside for line in plan.lines}
    known = gateway.words
    names = {area.device: area.name for area in plan.areas}
    names |= {line.device: line.name for line in plan.lines} | dict(known.names)
    lines = known.lines | {line.device for line in plan.lines if line.device not in known.names}
    words = replace(known, names=names, hosts={**known.hosts, **hosts}, lines=lines)
    return difference(old, new, words, let_and_delivered, telling), rows


def _known_to_both(
    site: Site,
    host: Host,
    common: Frame,
    areas: Mapping[str, Ranges],
    own: Ranges,
) -> Iterator[RawBox]:
    """What both gateways know, as disjoint boxes: areas and lines with their proper sources, to
    hosts, to the gateway's lasting addresses (`own`) and to the internet, but for messages that
    begin no conversation. The rest is the affair of housekeeping, and of addresses that only one of
    them has.
    """
    outside = subtract(site.outside, host.broadcast)
    destinations = union(own, outside, *areas.values())
    started = subtract(coding.REAL_SERVICES, subtract(ICMPS, ECHO))
    lines = [line.device for line in site.plan.lines]
    known = full(HARDWARE_NONE)  # whoever is in an area has a hardware address
    anything = full(HARDWARE_NONE + 1)
    for devices, sources, hardware in (
        *(([device], hosts, known) for device, hosts in areas.items()),
        (lines, outside, anything),
    ):
        for family in (FAMILY4, FAMILY6):
            box = common.box(
                {
                    ENTRANCE: common.numbers(devices),
                    SOURCE: intersect(sources, family),
                    DESTINATION: intersect(destinations, family),
                    SERVICE: started,
                    HARDWARE: hardware,
                }
            )
            if all(box):
                yield box


def _listing(plan: Plan) -> str:
    text = render(plan).files["nftables.nft"].decode()
    try:
        return listing_of_kit(text)
    except (NotListed, CommandFailed, LabFailed, LabImpossible, TimeoutError) as fault:
        raise unusable(
            "ruleset-not-loaded",
            f"the charter's kit has to be loaded to be compared, and that is not possible: {fault}",
            "--compare",
            "",
            f"do it on a machine that can, or compare rulesets: {BY_JSON}",
        ) from None


def _with_real_addresses(host: Host, gateway: OldGateway) -> Host:
    """The host of the plan, its lines' unknown addresses exchanged for those that they have now, and
    with the link-local ones, which no plan says and every kit leaves as they are.
    """
    own: dict[str, Ranges] = {}
    for device in dict.fromkeys((*host.own, *host.devices)):
        addresses, real = host.own.get(device, ()), gateway.host.own.get(device, ())
        unknown = intersect(addresses, ((SYMBOLS, SYMBOLS + 63),))
        found = union(subtract(addresses, unknown), real) if unknown and real else addresses
        own[device] = union(found, intersect(real, LINK_LOCAL6))
    return replace(host, own=own)
