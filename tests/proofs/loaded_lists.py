"""What a kernel that does as the plan says would have loaded, written out by hand from the plan.

Not the kit: one list for all entrances, row by row, as `docs/explanation/kit.md` describes what
must come out of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcharter.plan import coding, labels
from netcharter.plan.coding import ANY4, ANY6, ANY_HARDWARE, NOBODY
from netcharter.plan.fate import quiet_entrances
from netcharter.plan.shapes import ALWAYS, Limit, Plan, Region, Row
from netcharter.proofs.loaded import Loaded
from netcharter.space.ranges import Ranges, intersect, ranges, subtract, union

ICMP4 = coding.service(1, 0, 0xFFFF)
TCP = (coding.service(6, 0, 0xFFFF),)
ALL = coding.REAL_SERVICES
Held = tuple[tuple[str, str, bool], ...]


def types(protocol: int, *numbers: int) -> Ranges:
    return ranges(*(coding.service(protocol, n * 256, n * 256 + 255) for n in numbers))


# RFC 792, RFC 950; RFC 4443 section 2.1, RFC 4620: errors, and replies that somebody asked for
ERRORS = union(types(1, 3, 11, 12), types(58, *range(128)))
REPLIES = union(types(1, 0, 14, 16, 18), types(58, 129, 140))
UNTRACKED = subtract((ICMP4,), union(ERRORS, REPLIES, types(1, 8, 13, 15, 17)))
UNTRACKED_ALL = subtract(types(1, *range(256)), types(1, 8, 13, 15, 17))
UNTRACKED_ALL = union(UNTRACKED_ALL, subtract(types(58, *range(256)), types(58, 128, 139)))
V6 = coding.V6
LOOPBACK = ((0x7F000000, 0x7FFFFFFF), (V6 + 1, V6 + 1))
UNSPECIFIED4 = ((0, 0),)  # RFC 1122 section 3.2.1.3; the rest of 0/8 is routed since Linux 5.3
NOBODY6 = ((V6, V6),)
GROUPS = ((0xE0000000, 0xEFFFFFFF), (0xFFFFFFFF, 0xFFFFFFFF), (V6 + (0xFF << 120), V6 + 2**128 - 1))
# RFC 4291 section 2.7: scopes 0 and 1 never leave a host
NARROW = ranges(
    *(
        (V6 + (top << 112), V6 + (top << 112) + 2**112 - 1)
        for top in range(0xFF00, 0x10000)
        if top & 15 < 2
    )
)
LINK_LOCAL = ((V6 + (0xFE80 << 112), V6 + (0xFEC0 << 112) - 1),)


def line_anycast(plan: Plan) -> Ranges:
    """RFC 4291 section 2.6.1; RFC 6164 section 5.1 for a /127."""
    networks = [line.v6.network for line in plan.lines if line.v6 is not None]
    return coding.addresses(n[0] for n in networks if n.prefixlen < 127)


def over_limit(row: Row, limit: Limit, family: int) -> Iterator[str]:
    """What a row asks to find out that a source has too many, as a list is read."""
    source = "ip saddr" if family == 4 else "ip6 saddr & ffff:ffff:ffff:ffff::"
    begun, open_, offer = limit.said.begun, limit.said.at_once, labels.slug(limit.offer)
    rate = f"limit rate over {begun}/{limit.said.unit} burst {begun} packets"
    asked = [f"update @nc_new{family}_{offer} {{ {source} {rate} }}"] if begun else []
    asked += [f"add @nc_once{family}_{offer} {{ {source} ct count over {open_} }}"] if open_ else []
    for number, words in enumerate(asked, 1):
        yield f"over {labels.row_name(row.label)} rule {number}: {words}"


class Written:
    """The list for one plan."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.devices = {area.name: area.device for area in plan.areas}
        self.devices |= {line.name: line.device for line in plan.lines} | {"gateway": ""}
        self.inner = frozenset(area.device for area in plan.areas)
        self.outer = frozenset(line.device for line in plan.lines)
        self.every = self.inner | self.outer
        self.quiet = quiet_entrances(plan)
        self.networks = union(*(coding.network(area.v4) for area in plan.areas))
        self.blank = Loaded(
            entrances=self.every,
            exits=self.every | {"", "*"},
            hardware=ANY_HARDWARE,
            source=union(ANY4, ANY6),
            destination=union(ANY4, ANY6),
            service=ALL,
            port=((0, 0xFFFF),),
            held=(),
            given=(),
            let=False,
            manner="silent",
            delivered=None,
            hidden=False,
            counters=(),
            where="here",
        )

    def all(self) -> list[Loaded]:
        found = [*self.first(), *(leaf for row in self.plan.rows for leaf in self.row(row))]
        return [
            leaf
            for leaf in found
            if leaf.source and leaf.destination and leaf.service and leaf.hardware
        ]

    def first(self) -> Iterator[Loaded]:
        """What comes before any decision, and what enters by other devices."""
        invalid = replace(self.blank, counters=("nc_invalid",))
        stray = replace(self.blank, counters=("nc_stray",))
        elsewhere, itself = frozenset({"*", "elsewhere0"}), frozenset({""})
        outside = replace(self.blank, entrances=self.every | elsewhere)
        yield replace(outside, destination=union(LOOPBACK, UNSPECIFIED4, NARROW))
        mine = union(*(line.own for line in self.plan.lines), self.plan.gateway)
        yield replace(outside, source=union(LOOPBACK, GROUPS, intersect(mine, ANY4)))
        yield replace(outside, source=UNSPECIFIED4, destination=subtract(ANY4, GROUPS))
        far = ((0xE0000100, 0xEFFFFFFF),)  # RFC 5771 section 4
        igmp = coding.service(2, 0, 0xFFFF)
        no_igmp = subtract(ALL, (igmp,))
        yield replace(outside, source=UNSPECIFIED4, destination=far, service=no_igmp)
        for device in sorted(self.every | elsewhere):
            passed = replace(
                outside, entrances=frozenset({device}), exits=(self.every | {"*"}) - {device}
            )
            yield replace(passed, source=NOBODY6)
            yield replace(passed, source=LINK_LOCAL, manner="unreachable")
        yield replace(stray, entrances=elsewhere)
        yield replace(invalid, service=union(ERRORS, REPLIES))
        yield replace(self.blank, entrances=itself, service=ERRORS, let=True, manner=None)
        yield replace(invalid, entrances=itself, service=REPLIES)
        yield replace(stray, destination=line_anycast(self.plan))

    def row(self, row: Row) -> Iterator[Loaded]:
        if row.routed:
            return
        for region in row.regions:
            for name in sorted(region.entrances):
                for held in self._held(row, region, name):
                    leaf = replace(
                        self.blank,
                        entrances=frozenset({self.devices[name]}),
                        hardware=self._hardware(region, name),
                        source=region.source,
                        destination=region.destination,
                        service=intersect(region.service, ALL),
                        held=held,
                        counters=(labels.row_name(row.label),),
                        where=row.label,
                    )
                    yield from self._limited(row, leaf)
                    yield from self._let(row, leaf) if row.let else self._refused(row, leaf, name)

    def _hardware(self, region: Region, name: str) -> Ranges:
        return ANY_HARDWARE if name in self._lines() else region.hardware

    def _lines(self) -> frozenset[str]:
        return frozenset(line.name for line in self.plan.lines)

    def _held(self, row: Row, region: Region, name: str) -> Iterator[Held]:
        """The look-ups in living sets, as alternatives."""
        device = "oifname" if name == "gateway" else "iifname"
        time: Held = ()
        if region.when != ALWAYS:
            time = ((labels.when_set(region.when, row.let), device, row.let),)
        family = 4 if intersect(region.source, ANY4) else 6
        places = [place.name for place in self.plan.by_names]
        for bit, place in enumerate(places if region.led is not None else ()):
            if region.led == frozenset(n for n in range(1 << len(places)) if n >> bit & 1):
                name4, name6 = labels.led_set(place, 4), labels.led_set(place, 6)
                asked = (name4, "ip daddr") if family == 4 else (name6, "ip6 daddr")
                time = (*time, (*asked, True))
        if region.who is None:
            yield time
            return
        key = f"iifname . {'ip' if family == 4 else 'ip6'} saddr . ether saddr"
        if NOBODY in region.who:
            yield (*time, (labels.signed_set(family), key, False))
        if region.who - {NOBODY}:
            yield (*time, (labels.who_set(region.who - {NOBODY}, family), key, True))

    def _limited(self, row: Row, leaf: Loaded) -> Iterator[Loaded]:
        """What its source has too many of already: only what is tracked can be counted."""
        limit = row.limit
        if limit is None or not leaf.entrances <= {*limit.devices}:
            return
        family = 4 if intersect(leaf.source, ANY4) else 6
        for words in over_limit(row, limit, family):
            given = ("limit", words, True)
            service = subtract(leaf.service, UNTRACKED_ALL)
            counters = (f"nc_over_{labels.slug(limit.offer)}",)
            yield replace(leaf, service=service, given=(given,), counters=counters)

    def _refused(self, row: Row, leaf: Loaded, name: str) -> Iterator[Loaded]:
        if row.quiet or name in self.quiet:
            yield leaf
            return
        yield replace(leaf, service=intersect(leaf.service, TCP), manner="reset")
        yield replace(leaf, manner="prohibited")

    def _let(self, row: Row, leaf: Loaded) -> Iterator[Loaded]:
        leaf = replace(leaf, let=True, manner=None)
        if row.delivery is not None:
            leaf = replace(
                leaf, delivered=(coding.address(row.delivery.address), row.delivery.port)
            )
        source = intersect(leaf.source, self.networks)
        if source:
            out = replace(leaf, source=source, exits=self.outer)
            lost = replace(out, let=False, manner="silent", counters=(*leaf.counters, "nc_invalid"))
            yield replace(lost, service=intersect(leaf.service, UNTRACKED), delivered=None)
            yield replace(out, hidden=True)
        for area in self.plan.areas if row.delivery is not None else ():
            mine = intersect(leaf.source, coding.network(area.v4))
            yield replace(leaf, source=mine, exits=frozenset({area.device}), hidden=True)
        yield leaf
