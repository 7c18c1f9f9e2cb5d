"""The ruleset: one table of our own, replaced as a whole in one transaction.

`docs/explanation/kit.md` tells how a packet travels through it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence

from netcharter.plan import labels
from netcharter.plan.icmp import ERRORS4, ICMPV4, ICMPV6
from netcharter.plan.shapes import Plan, Row
from netcharter.render import escape
from netcharter.render.clauses import Listed, sender
from netcharter.render.entrances import Chains, entrance_chains, filtered
from netcharter.render.exits import exit_chains, staying
from netcharter.render.ground import FAMILIES, NUMBERS, Entrance, World, entrances, world
from netcharter.render.leading import LASTING, MOST
from netcharter.render.limits import limit_counters, limit_lines, limit_sets
from netcharter.render.sizes import told_sizes
from netcharter.render.translation import (
    delivered,
    hiding_lines,
    nat_chains,
    offers_chain,
    set_row,
)
from netcharter.render.wording import (
    INDENT,
    SET_KINDS,
    NamedSets,
    addresses,
    braces,
    chain,
    place,
)
from netcharter.space.ranges import intersect

TABLE = "inet netcharter"
SESSIONS = 65535  # most sign-ins the sets hold at a time
STAYING = 4096  # most devices that stay on a line for now
SITE_DEVICES = 256  # most devices a set of hours holds
ANSWERS = 200  # refusals answered per second

# What conntrack begins a conversation with; it calls all other first messages invalid.
TRACKED4, TRACKED6 = frozenset({8, 13, 15, 17}), frozenset({128, 139})


def nftables(plan: Plan) -> str:
    """The text for `nft -f`. Raises ValueError for a plan that a packet filter cannot say."""
    ways = entrances(plan)
    worlds = tuple(world(plan, family) for family in FAMILIES)
    out = Chains(NamedSets(listed_sets(plan)), [place.name for place in plan.by_names])
    rows = filtered(plan.rows)
    for way in ways:
        entrance_chains(way, rows, worlds, out)
    translating = nat_chains(plan, ways, out)
    leaving = exit_chains(plan, ways, worlds, out)
    decided = [row for row in plan.rows if not row.routed]
    lines = [
        "# Written by netcharter; docs/explanation/kit.md tells what stands where.",
        f"table {TABLE}",
        f"delete table {TABLE}",
        f"table {TABLE} {{",
        f"{INDENT}comment {escape.comment(plan.site)}",
        "",
        *_counters(decided),
        *limit_counters(decided),
        *_fixed_sets(worlds),
        *_shared_sets(out.sets),
        *_living_sets(plan),
        *limit_sets(decided),
        *_tails(ways),
        *(text for row in decided for text in _row_chain(row)),
        *(offers_chain(plan.rows) if delivered(plan.rows) else ()),
        *out.text,
        *_line_marks(plan),
        *_hooks(plan, ways, translating, leaving),
        "}",
    ]
    _check_names(decided)
    return "\n".join(lines) + "\n"


def _check_names(rows: Sequence[Row]) -> None:
    names = [labels.row_name(row.label) for row in rows]
    for name, count in Counter(names).items():
        if count > 1:
            raise ValueError(f"{count} decisions share a name: {name}")


# --- counters and sets ---------------------------------------------------------------------------


def _counters(rows: Iterable[Row]) -> Iterator[str]:
    for row in rows:
        remark = escape.comment(row.label, place(row))
        yield f"{INDENT}counter {labels.row_name(row.label)} {{ comment {remark}; }}"
    for name in (labels.INVALID, labels.STRAY):
        yield f"{INDENT}counter {name} {{ }}"


def _fixed_sets(worlds: Sequence[World]) -> Iterator[str]:
    for found in worlds:
        kind = f"ipv{found.family}_addr"
        for name, contents in (
            ("own", found.own),
            ("self", found.self),
            ("many", found.many),
            ("kept", found.kept),
            ("net", found.net),
        ):
            yield from _interval_set(f"nc_{name}{found.family}", kind, addresses(contents))


def _interval_set(name: str, kind: str, elements: Sequence[str]) -> Iterator[str]:
    yield f"{INDENT}set {name} {{"
    yield f"{INDENT * 2}type {kind}; flags interval"
    if elements:
        yield f"{INDENT * 2}elements = {{"
        yield from (f"{INDENT * 3}{element}," for element in elements[:-1])
        yield f"{INDENT * 3}{elements[-1]}"
        yield f"{INDENT * 2}}}"
    yield f"{INDENT}}}"


def listed_sets(plan: Plan) -> Listed:
    """What lists of addresses hold, by IP version, and the names of the sets."""
    found = []
    for family in FAMILIES:
        numbers = NUMBERS[family]
        found.append((intersect(plan.hostile, numbers), labels.hostile_set(family)))
        for name, said in plan.charter.places.items():
            if said.list is not None:
                found.append(
                    (intersect(plan.places[name], numbers), labels.place_set(name, family))
                )
    return Listed(tuple((contents, name) for contents, name in found if contents))


def _shared_sets(sets: NamedSets) -> Iterator[str]:
    for name in sorted(sets.found):
        kind, elements = sets.found[name]
        assert kind in SET_KINDS
        yield from _interval_set(name, kind, elements)


def _living_sets(plan: Plan) -> Iterator[str]:
    """What gate and steward fill while the gateway runs; empty means closed."""
    if any(area.sign_in for area in plan.areas):
        for family in FAMILIES:
            session = f"type ifname . ipv{family}_addr . ether_addr"
            yield _living("set", labels.signed_set(family), session, SESSIONS, "anybody")
            for who in labels.people_asked_for(plan.rows):
                remark = ", ".join(sorted(who))
                yield _living("set", labels.who_set(who, family), session, SESSIONS, remark)
            name = labels.class_map(family)
            yield _living("map", name, f"{session} : mark", SESSIONS, "identity classes")
    for when, let in labels.times_asked_for(plan.rows):
        words = [when.during or "always", *([f"until {when.until}"] if when.until else [])]
        remark = " ".join([*words, "is open" if let else "is not in force"])
        yield _living("set", labels.when_set(when, let), "type ifname", SITE_DEVICES, remark)
    for line in plan.lines:
        if line.automatic:
            name = labels.line_set(line.name)
            yield _living("set", name, "type ipv4_addr", SITE_DEVICES, line.name)
    for named in plan.by_names:
        for family in FAMILIES:
            for name in (labels.led_set(named.name, family), labels.asked_set(named.name, family)):
                kind = f"type ipv{family}_addr; timeout {LASTING}s"
                yield _living("set", name, kind, MOST, f"where the names of {named.name} lead")
    for name in staying(plan):
        remark = f"who stays on {name}"
        yield _living("set", labels.stay_set(name), "type ipv4_addr", STAYING, remark)

    if len(plan.lines) > 1 and plan.areas:
        for family in FAMILIES:
            name = labels.gone_set(family)
            yield _living("set", name, "type mark", labels.LINE_MASK, "lines that failed")


def _living(word: str, name: str, kind: str, size: int, remark: str) -> str:
    contents = f"{kind}; flags timeout; size {size}; comment {escape.comment(remark)};"
    return f"{INDENT}{word} {name} {{ {contents} }}"


# --- chains that belong to decisions -------------------------------------------------------------


def _row_chain(row: Row) -> Iterator[str]:
    """Count, then let with the decision's number in the mark, or refuse in its manner."""
    name = labels.row_name(row.label)
    remark = escape.comment(row.label, place(row))
    before = limit_lines(row)
    if row.let:
        # Apart, because a packet without conversation has no mark, which ends the rule.
        lines = [set_row(row), "accept"]
    else:
        lines = ["drop" if row.quiet else "goto nc_refuse"]
    return chain(name, [*before, f"counter name {name} comment {remark}", *lines])


def _tails(ways: Sequence[Entrance]) -> Iterator[str]:
    silent = [escape.device(way.device) for way in ways if way.silent and way.device]
    refuse = [f"iifname {braces(dict.fromkeys(silent))} drop"] if silent else []
    yield from chain(
        "nc_refuse",
        [
            *refuse,
            f"limit rate over {ANSWERS}/second burst {ANSWERS} packets drop",
            # Without the counter nft would not list a match on the family, were there one.
            "meta l4proto tcp counter reject with tcp reset",
            "reject with icmpx type admin-prohibited",
        ],
    )
    yield from chain(
        labels.STRAY, [f"counter name {labels.STRAY} drop"], "no decision: must stay at zero"
    )
    yield from chain(
        labels.INVALID, [f"counter name {labels.INVALID} drop"], "fits no conversation"
    )
    errors4 = braces(str(number) for number in ERRORS4)
    errors = [f"icmp type {errors4} accept", "icmpv6 type 0-127 accept"]
    yield from chain("nc_related", [*errors, "goto nc_invalid"], "only ICMP errors")
    # What the gateway itself answers: a reset belongs to the refused conversation; an error about
    # a packet that is not tracked belongs to none.
    resets = "meta l4proto tcp tcp flags & rst == rst accept"
    yield from chain("nc_answers", [*errors, resets, "goto nc_invalid"], "of the gateway")


def _line_marks(plan: Plan) -> Iterator[str]:
    """Write the line into the mark: where a conversation came in, or where it leaves."""
    for line in plan.lines:
        number = labels.pack(labels.Mark(line=line.number))
        keep = 0xFFFFFFFF & ~labels.LINE_MASK
        write = f"ct mark set ct mark and {keep:#010x} or {number:#010x}"
        yield from chain(labels.enter_chain(line.name), [write], line.name)
        yield from chain(labels.exit_chain(line.name), [write], line.name)


# --- hooks ---------------------------------------------------------------------------------------


def _hooks(
    plan: Plan, ways: Sequence[Entrance], translating: Sequence[str], leaving: Sequence[str]
) -> Iterator[str]:
    yield from _before_tracking()
    yield from _marking(plan, leaving)
    if sizes := list(told_sizes(plan)):
        yield from _base("nc_forward_size", "filter", "forward", "mangle", "accept", sizes)
    yield from _filters(plan, ways)
    if translating:
        jumps = _dispatch("nat", [way for way in ways if way.name in translating])
        yield from _base("nc_prerouting_nat", "nat", "prerouting", "dstnat", "accept", jumps)
    hiding = list(hiding_lines(plan))
    yield from _base("nc_postrouting_nat", "nat", "postrouting", "srcnat", "accept", hiding)


def _base(
    name: str, kind: str, hook: str, priority: str, policy: str, lines: Iterable[str]
) -> Iterator[str]:
    first = f"type {kind} hook {hook} priority {priority}; policy {policy};"
    return chain(name, [first, *lines])


def _before_tracking() -> Iterator[str]:
    """Messages that conntrack calls invalid although they are nobody's answer stay untracked, so
    that the decisions are asked; an IPv6 routing header of type 0 goes (RFC 5095)."""
    four = sorted(m.type for m in ICMPV4 if m.through != "state" and m.type not in TRACKED4)
    six = {m.type for m in ICMPV6 if m.through != "state" and m.type not in TRACKED6}
    lines = [
        "rt type 0 drop",
        f"icmp type {braces(map(str, four))} notrack",
        f"icmpv6 type {braces(map(str, sorted(six)))} notrack",
    ]
    yield from _base("nc_prerouting_raw", "filter", "prerouting", "raw", "accept", lines)
    yield from _base("nc_output_raw", "filter", "output", "raw", "accept", lines)


def _marking(plan: Plan, leaving: Sequence[str]) -> Iterator[str]:
    """Replies leave by the line they came on, and what left by a line stays on it."""
    restore = (
        f"ct mark and {labels.LINE_MASK:#010x} != 0x00000000 "
        f"meta mark set ct mark and {labels.LINE_MASK:#010x}"
    )
    unmarked = f"ct mark and {labels.LINE_MASK:#010x} == 0x00000000"
    before, after = [*_reset(plan), restore, *_classes(plan), *leaving], []
    if plan.lines:
        before.append(f"ct state new iifname vmap {_by_line(plan, labels.enter_chain)}")
        after.append(f"ct state new {unmarked} oifname vmap {_by_line(plan, labels.exit_chain)}")
        after += _untranslatable(plan)
    yield from _base("nc_prerouting_mark", "filter", "prerouting", "mangle", "accept", before)
    yield from _base("nc_output_mark", "route", "output", "mangle", "accept", [restore])
    yield from _base("nc_postrouting_mark", "filter", "postrouting", "mangle", "accept", after)


def _reset(plan: Plan) -> Iterator[str]:
    """Whoever speaks in a TCP conversation that left by a line that failed is told that it is over
    (RFC 9293 section 3.5.2), and dials again by another. Here, since routing may refuse it next."""
    devices = braces(dict.fromkeys(escape.device(area.device) for area in plan.areas))
    for family in FAMILIES if len(plan.lines) > 1 and plan.areas else ():
        yield (
            f"ct state established ct direction original meta nfproto ipv{family} "
            f"meta l4proto tcp iifname {devices} "
            f"ct mark and {labels.LINE_MASK:#010x} @{labels.gone_set(family)} "
            "reject with tcp reset"
        )


def _untranslatable(plan: Plan) -> Iterator[str]:
    """What is not tracked cannot be translated, and would show an inside address to a line."""
    networks = braces(dict.fromkeys(str(area.v4) for area in plan.areas))
    devices = braces(dict.fromkeys(escape.device(line.device) for line in plan.lines))
    if plan.areas:
        yield f"ct state untracked oifname {devices} ip saddr {networks} goto nc_invalid"


def _by_line(plan: Plan, chain_of: Callable[[str], str]) -> str:
    return braces(
        f"{escape.device(line.device)} : goto {chain_of(line.name)}" for line in plan.lines
    )


def _classes(plan: Plan) -> Iterator[str]:
    """Write into the mark who is signed in there; nothing is decided by it."""
    devices = [escape.device(area.device) for area in plan.areas if area.sign_in]
    for family in FAMILIES if devices else ():
        session = f"{sender(family)} map @{labels.class_map(family)}"
        yield f"ct state new iifname {braces(dict.fromkeys(devices))} ct mark set {session}"


def _filters(plan: Plan, ways: Sequence[Entrance]) -> Iterator[str]:
    state = "ct state vmap {{ established : accept, related : goto {}, invalid : goto {} }}"
    enters = [way for way in ways if way.device is not None]
    # What the gateway says to itself was let in output: also the reset that refuses its own SYN.
    for name, hook, word, first in (
        ("nc_input", "input", "in", ['iifname "lo" accept']),
        ("nc_forward", "forward", "fwd", []),
    ):
        lines = [*first, state.format("nc_related", labels.INVALID)]
        if hook == "forward" and delivered(plan.rows):
            lines.append("ct status dnat goto nc_offers")
        lines += [*_dispatch(word, enters), f"goto {labels.STRAY}"]
        yield from _base(name, "filter", hook, "filter", "drop", lines)
    lines = [state.format("nc_answers", "nc_answers")]
    lines += [f"goto {labels.entrance_chain('out', way.name)}" for way in ways if not way.device]
    yield from _base("nc_output", "filter", "output", "filter", "drop", lines)


def _dispatch(word: str, ways: Sequence[Entrance]) -> list[str]:
    if not ways:
        return []
    targets = (
        f"{escape.device(way.device or '')} : goto {labels.entrance_chain(word, way.name)}"
        for way in ways
    )
    return [f"iifname vmap {braces(targets)}"]
