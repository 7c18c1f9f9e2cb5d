"""Prefixes that a provider delegates to the site (RFC 8415 section 6.3), and may change at any time.

What a charter says stays true whichever prefix it is, so the plan is made with whatever was learnt,
and without that with a stand-in: a /48 of the addresses for documentation (RFC 9637), which nobody
is given. A plan for a machine is made without stand-ins, since no device may have such an address.

A learnt prefix comes from somebody else's program. One that would give the site what is another's
is an error of the plan, so that it is never put in place; one that is too small leaves areas
without global addresses, and is used for the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from ipaddress import IPv6Network

from netcharter.charter.model import Charter, Line
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.registry import BLOCKS
from netcharter.plan.shapes import Address, AreaPlan, LinePlan
from netcharter.space.ranges import disjoint

STAND_INS = IPv6Network("3fff:fff:ff00::/40")  # the last /40 of 3fff::/20
GLOBAL6 = IPv6Network("2000::/3")  # RFC 4291 section 2.4; nothing else is handed out
# The longest holds one /64 (RFC 4291 section 2.5.1). The shortest is what providers themselves are
# given: common practice, no source.
SHORTEST, LONGEST = 32, 64


def prefixes(
    charter: Charter, learnt: Mapping[str, IPv6Network], stand_ins: bool
) -> dict[str, IPv6Network]:
    """What lines with a delegated prefix have, by name: learnt, or else a stand-in if wished for."""
    asked = [line for line in charter.lines.values() if line.delegated]
    found = {line.name: learnt[line.name] for line in asked if line.name in learnt}
    if stand_ins:
        for line in asked:
            if line.name not in found:
                found[line.name] = _stand_in(charter, tuple(found.values()))
    return found


def _stand_in(charter: Charter, taken: Sequence[IPv6Network]) -> IPv6Network:
    """The first /48 that overlaps nothing of the charter; where everything does, because a place
    takes it all in, the first that is no other line's."""
    said = [*taken, *_said(charter)]
    free = [one for one in STAND_INS.subnets(new_prefix=48) if not any(map(one.overlaps, taken))]
    return next((one for one in free if not any(map(one.overlaps, said))), free[0])


def _said(charter: Charter) -> Iterator[IPv6Network]:
    for line in charter.lines.values():
        yield from _said_of(line)
    for area in charter.areas.values():
        yield from (one for one in area.prefixes if isinstance(one, IPv6Network))
    for place in charter.places.values():
        yield from (one for one in place.prefixes if isinstance(one, IPv6Network))


def _said_of(line: Line) -> Iterator[IPv6Network]:
    numbers: list[Address] = [*line.next_hops, *line.watch.targets]
    yield from (IPv6Network(one) for one in numbers if one.version == 6)
    yield from (IPv6Network(one.network) for one in line.addresses if one.version == 6)
    yield from (one for one in (line.prefix, line.translator) if one is not None)


# What is wrong or doubtful


def check(
    charter: Charter,
    lines: Sequence[LinePlan],
    areas: Sequence[AreaPlan],
    local_prefix: IPv6Network,
) -> Iterator[Diagnostic]:
    """What is to be said of delegated prefixes, those that stand in for them among them."""
    for line in lines:
        if line.delegated and not line.automatic and line.next_hop6 is None:
            yield Diagnostic(
                "delegated-leads-nowhere",
                "warning",
                f"the addresses of {line.name} are written out, without an IPv6 next hop, so nothing"
                " leaves by the prefix that is delegated over it",
                charter.where("lines", line.name, "prefix"),
                help="add the line's IPv6 address and next hop, or let its address be automatic",
            )
        if line.stands_in:
            yield Diagnostic(
                "prefix-stands-in",
                "note",
                f"{line.prefix} stands in until the provider's prefix of {line.name} is known",
                charter.where("lines", line.name, "prefix"),
                help="with `--learnt LINE=PREFIX` it is judged with the one that you expect",
            )
        elif line.delegated and line.prefix is not None:
            why = wrong(charter, line, line.prefix, lines, areas, local_prefix)
            if why:
                yield _refused(charter, line, why)
            else:
                yield from _too_small(charter, line, line.prefix, areas)


def _refused(charter: Charter, line: LinePlan, wrong: str) -> Diagnostic:
    return Diagnostic(
        "delegated-prefix-refused",
        "error",
        f"{line.prefix}, delegated over {line.name}, {wrong}",
        charter.where("lines", line.name, "prefix"),
        help="it is not used: ask the provider, or change what it overlaps",
    )


def wrong(
    charter: Charter,
    line: LinePlan,
    prefix: IPv6Network,
    lines: Sequence[LinePlan],
    areas: Sequence[AreaPlan],
    local_prefix: IPv6Network,
) -> str:
    """Why a prefix can't be the site's, as the end of a sentence; "" if it can."""
    if prefix.prefixlen > LONGEST:
        return f"is a /{prefix.prefixlen}, which holds no /{LONGEST} for an area"
    if prefix.prefixlen < SHORTEST:
        return f"is a /{prefix.prefixlen}, more than any provider gives a site"
    if not prefix.subnet_of(GLOBAL6):
        return "is not global unicast (RFC 4291 section 2.4)"
    special = _special(charter, prefix)
    if special:
        return special
    for other in lines:
        if other.name != line.name:
            if other.prefix is not None and other.prefix.overlaps(prefix):
                return f"overlaps {other.prefix}, the prefix of {other.name}"
            if other.v6 is not None and other.v6.network.overlaps(prefix):
                return f"overlaps {other.v6.network}, the network of {other.name}"
    return _of_the_site(charter, line, prefix, areas, local_prefix)


def _of_the_site(
    charter: Charter,
    line: LinePlan,
    prefix: IPv6Network,
    areas: Sequence[AreaPlan],
    local_prefix: IPv6Network,
) -> str:
    if prefix.overlaps(local_prefix):
        return f"overlaps the site's local prefix, {local_prefix}"
    for translator in charter.translators:
        if translator.overlaps(prefix):
            return f"overlaps {translator}, which leads to IPv4 addresses"
    for area in areas:
        for subnet in area.subnets6:
            if subnet.line != line.name and subnet.network.overlaps(prefix):
                return f"overlaps {subnet.network}, a prefix of {area.name}"
    for place in charter.places.values():
        for one in place.prefixes:
            if not disjoint(coding.network(one), coding.network(prefix)):
                return f"overlaps {one}, of the place {place.name}"
    return ""


def _special(charter: Charter, prefix: IPv6Network) -> str:
    """A block of the registry is no site's (RFC 6890), those that are globally reachable among them:
    they have a purpose. One in which the charter has an address of its own is real where this site
    is."""
    met = [
        (one.network, one)
        for one in BLOCKS
        if isinstance(one.network, IPv6Network)
        and one.network.overlaps(prefix)
        and not any(said.subnet_of(one.network) for said in _said(charter))
    ]
    if not met:
        return ""
    network, block = max(met, key=lambda each: each[0].prefixlen)
    how = "lies in" if prefix.subnet_of(network) else "overlaps"
    return f"{how} {network}, which nobody is given ({block.name}, {block.rfc})"


def _too_small(
    charter: Charter, line: LinePlan, prefix: IPv6Network, areas: Sequence[AreaPlan]
) -> Iterator[Diagnostic]:
    without = [a.name for a in areas if not any(s.line == line.name for s in a.subnets6)]
    if without:
        most = max(area.number for area in areas)
        yield Diagnostic(
            "delegated-prefix-too-small",
            "warning",
            f"{prefix}, delegated over {line.name}, has a /64 for the numbers 1 to"
            f" {(1 << LONGEST - prefix.prefixlen) - 1}; none is left for {', '.join(without)}"
            if prefix.prefixlen < LONGEST
            else f"{prefix}, delegated over {line.name}, is a single /64: no area gets one of it",
            charter.where("lines", line.name, "prefix"),
            help=f"ask the provider for a /{LONGEST - most.bit_length()} or more; these areas have"
            " no IPv6 internet over this line",
        )
