"""Translation: offers are delivered in prerouting, sources are hidden in postrouting.

An offer is delivered exactly where it is the first decision that matches the packet as sent, so
every earlier decision stands before it here too, and means "leave it alone". In the forward hook
the translated packet is recognised by what only translation gives it: the connection's status,
its mark, and its original destination. A neighbour on a line who addresses the inside host
directly has none of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.plan import coding, labels
from netcharter.plan.coding import ANY4, DCCP, PORTED, REAL_SERVICES, SYMBOLS
from netcharter.plan.shapes import Delivery, LinePlan, Plan, Row
from netcharter.render import escape
from netcharter.render.clauses import Clause, View, clauses, runs
from netcharter.render.entrances import Chains
from netcharter.render.ground import NUMBERS, Entrance
from netcharter.render.wording import (
    PROTOCOLS,
    address_range,
    braces,
    chain,
    number_range,
    place,
    protocol_range,
    run_lines,
    to_row,
)
from netcharter.space.ranges import Ranges, intersect

LEAVE = "accept"  # in a nat chain: no translation


def delivered(rows: Sequence[Row]) -> tuple[Row, ...]:
    """The decisions that translate; one that nobody can fulfil translates nothing."""
    return tuple(row for row in rows if row.delivery is not None and row.regions)


def offered_lines(plan: Plan) -> tuple[LinePlan, ...]:
    """The lines at whose IPv4 address something is offered."""
    return tuple(
        line
        for line in plan.lines
        if any(
            intersect(region.destination, intersect(line.own, ANY4))
            for row in delivered(plan.rows)
            for region in row.regions
        )
    )


def nat_chains(plan: Plan, entrances: Sequence[Entrance], out: Chains) -> tuple[str, ...]:
    """The chains that deliver offers; the names of the entrances that have any."""
    having = []
    for entrance in entrances:
        if entrance.device is None:
            continue
        jumps = [
            f"{condition} goto {labels.nat_chain(entrance.name, line.name)}"
            for line in offered_lines(plan)
            for condition in _line_chain(plan, entrance, line, out)
        ]
        if jumps:
            having.append(entrance.name)
            own = ["ip saddr != @nc_self4 fib saddr type local accept"] if _unknown(plan) else []
            name = labels.entrance_chain("nat", entrance.name)
            out.add(name, [*own, *jumps], entrance.name)
    for row in delivered(plan.rows):
        out.text.extend(_delivery_chain(row))
    return tuple(having)


def _line_chain(plan: Plan, entrance: Entrance, line: LinePlan, out: Chains) -> Iterator[str]:
    """Adds the chain of one entrance and offered line; yields the condition that leads there."""
    at = intersect(line.own, ANY4)
    view = View(4, entrance.name, NUMBERS[4], at, entrance.hardware, entrance.signed, "iifname")
    named = [place.name for place in plan.by_names]
    found = _until_last_offer(list(clauses(plan.rows, view, named)))
    if not found:
        return
    lines = [
        text
        for run in runs(found, out.sets.listed)
        for text in run_lines(run, _delivery_verdict, out.sets)
    ]
    out.add(labels.nat_chain(entrance.name, line.name), lines, f"{entrance.name} to {line.name}")
    yield _arrives_at(plan, entrance, line, at)


def _until_last_offer(found: list[Clause]) -> list[Clause]:
    """What stands after the last offer leaves everything alone, as does the chain's end."""
    while found and found[-1].row.delivery is None:
        found.pop()
    return found


def _arrives_at(plan: Plan, entrance: Entrance, line: LinePlan, at: Ranges) -> str:
    """The match for "sent to this line's IPv4 address", be it known or not."""
    if at[0][0] < SYMBOLS:
        return f"ip daddr {braces(address_range(*pair) for pair in at)}"
    if entrance.name == line.name:
        return "ip daddr != @nc_self4 fib daddr . iif type local"
    if len(_unknown(plan)) == 1:
        return "ip daddr != @nc_self4 fib daddr type local"
    return f"ip daddr @{labels.line_set(line.name)}"


def _unknown(plan: Plan) -> tuple[LinePlan, ...]:
    """The lines whose IPv4 address nobody knows beforehand."""
    return tuple(
        line for line in plan.lines if intersect(line.own, ((coding.unknown(line.number, 4),) * 2,))
    )


def _delivery_verdict(row: Row) -> str:
    return LEAVE if row.delivery is None else f"goto {labels.delivery_chain(row.label)}"


def _delivery_chain(row: Row) -> Iterator[str]:
    delivery = _delivery(row)
    remark = f"comment {escape.comment(row.label, place(row))}"
    lines = [f"{set_row(row)} {remark}"]
    if delivery.port is not None:
        names = braces(PROTOCOLS[p] for p in sorted(_protocols(row) & set(PORTED)))
        to = f"{delivery.address}:{delivery.port}"
        lines.append(f"meta l4proto {names} dnat ip to {to} {remark}")
    lines.append(f"dnat ip to {delivery.address} {remark}")
    return chain(labels.delivery_chain(row.label), lines)


def _delivery(row: Row) -> Delivery:
    assert row.delivery is not None
    return row.delivery


def _protocols(row: Row) -> set[int]:
    return {
        low >> 16 for region in row.regions for low, _ in intersect(region.service, REAL_SERVICES)
    }


def set_row(row: Row) -> str:
    """The statement that writes a decision's number into the connection's mark."""
    number = labels.pack(labels.Mark(row=labels.row_number(row.index)))
    keep = 0xFFFFFFFF & ~labels.ROW_MASK
    return f"ct mark set ct mark and {keep:#010x} or {number:#010x}"


def has_row(row: Row) -> str:
    """The match on a decision's number in the connection's mark."""
    number = labels.pack(labels.Mark(row=labels.row_number(row.index)))
    return f"ct mark and {labels.ROW_MASK:#010x} == {number:#010x}"


def offers_chain(rows: Sequence[Row]) -> Iterator[str]:
    """The forward hook's chain for connections with a translated destination."""
    lines = [text for row in delivered(rows) for text in dict.fromkeys(_recognised(row))]
    return chain("nc_offers", [*lines, f"goto {labels.STRAY}"])


def _recognised(row: Row) -> Iterator[str]:
    delivery = _delivery(row)
    remark = f"comment {escape.comment(row.label, place(row))}"
    for region in row.regions:
        for low, high in intersect(region.destination, ANY4):
            sent = "" if low >= SYMBOLS else f" ct original ip daddr {address_range(low, high)}"
            for service in _originals(intersect(region.service, REAL_SERVICES)):
                yield (
                    f"{has_row(row)}{sent}{service} ip daddr {delivery.address} "
                    f"{to_row(row)} {remark}"
                )


def _originals(service: Ranges) -> Iterator[str]:
    """The matches on protocol and original port; nftables 1.0.6 knows the type of the latter only
    beside a single protocol, and cannot hold it in a set. A kernel that no longer tracks DCCP has
    no original port of it, so there the delivered one is asked, which is the same."""
    if service == REAL_SERVICES:
        yield ""
        return
    for low, high in service:
        for protocol in range(low >> 16, (high >> 16) + 1):
            first = max(low, protocol << 16) & 0xFFFF
            last = min(high, (protocol << 16) + 0xFFFF) & 0xFFFF
            match = f" meta l4proto {protocol_range(protocol, protocol)}"
            if protocol == DCCP:  # never moved to another port: `at` is for TCP and UDP
                match += f" dccp dport {number_range(first, last)}"
            elif protocol in PORTED and (first, last) != (0, 0xFFFF):
                match += f" ct original proto-dst {number_range(first, last)}"
            yield match


def hiding_lines(plan: Plan) -> Iterator[str]:
    """Postrouting: hairpin connections get the gateway's address, and so does all that leaves by
    a line (RFC 4787 REQ-9, RFC 3022)."""
    if delivered(plan.rows):
        for area in plan.areas:
            device = escape.device(area.device)
            remark = escape.comment(f"same area by the public name: {area.name}")
            yield (
                f"oifname {device} ip saddr {area.v4} ct status dnat masquerade comment {remark}"
            )
    networks = braces(dict.fromkeys(str(area.v4) for area in plan.areas))
    devices = braces(dict.fromkeys(escape.device(line.device) for line in plan.lines))
    if plan.areas and plan.lines:
        yield f"oifname {devices} ip saddr {networks} masquerade"
