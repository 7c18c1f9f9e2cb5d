"""Ways out as text for `ip -batch` (IPv4) and `ip -6 -batch` (IPv6).

`ip` cannot be told the family of a rule within a batch, hence two files. The rules, from the
first that is asked:

    0      local addresses (the kernel's own rule)
    4000   areas, and what is of the link alone
    41nn   marked conversations stay on their line nn, or are refused
    4200   IPv6: a source of another line than its exit allows is refused
    42nn   IPv6: a source in the prefix of line nn leaves by it, or is refused
    4300   IPv4, sixteen for each exit that refuses: its lines in their order, or refused
    10000  whatever the main table knows, default routes left aside: lines' own networks
    101nn  the same as 41nn for a line that learns its next hop
    102nn  one of the gateway's own addresses on line nn leaves by it, or is refused; so does a
           source in the prefix of a line that learns its next hop
    10300  IPv4, eight for each exit: its lines in their order, and refused if the exit says so
    11000  otherwise: balanced lines together
    110nn  otherwise: line by line, standby ones last
    111nn  what came in by line nn and leads nowhere is dropped silently
    11200  everything else is refused (RFC 1812 section 4.3.3.1)

What lies in a line's own network is reached there directly (10000), but not by whom only other lines
are allowed: those rules come before, and except the networks of their own lines (`_straight`). A line
that learns its next hop has its route among those networks, in the main table, or may have: so it
leads nobody into the network of another line that the charter says, and what others learn is reached
directly all the same.

The table of line nn is 100 + nn and holds nothing but its default route. A line that is given up
loses the rules by which new conversations find it (`leading`), and its own sources are refused; its
route stays for whatever is sent with its mark, as the questions by which it is watched are. An
automatic line learns its routes when it comes up (that of a PPPoE session is put into its own
table by `render/dialling.py`'s hook); they are looked for in the main table where it
is the only one.

Balanced lines share one route, and the kernel chooses by the source address (`render/sysctl.py`). It
gives each hop a stretch of the hash, in the order of the hops and by their weights (RFC 2992, hash
threshold). So that a device stays on its line while another line is out, the stretch of that one is
shared out where it lies (`spread`), and no other one moves. Where a balanced line learns its next
hop the kit has no such route: the steward writes it when it sees what was learnt.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Network

from netcharter.plan.labels import EXIT_MASK, LINE_MASK, exit_mark
from netcharter.plan.shapes import Address, AreaPlan, ExitPlan, LinePlan, Plan
from netcharter.render.escape import bare_device, remark

TABLES = 100  # the table of all balanced lines; that of line n is TABLES + n
PROTOCOL = "static"

SITE, STAYING, FOREIGN, PREFIXES, BOUND = 4000, 4100, 4200, 4200, 4300
MAIN, MARKED, SOURCES, EXITS = 10000, 10100, 10200, 10300
OUT, INWARD, REST = 11000, 11100, 11200
EACH = 8  # rules of one exit: one for each of at most six lines, and one that refuses
EACH_BOUND = 16
FROM_MAIN = "lookup main suppress_prefixlength 0"
UNMARKED = f"fwmark 0/{LINE_MASK:#x}"
LINK_LOCAL6 = IPv6Network("fe80::/10")
HEAVIEST = 256  # weight of one hop (linux/rtnetlink.h: rtnh_hops, one less in eight bits)


@dataclass(frozen=True, slots=True)
class Share:
    """The part of a line in the route of balanced lines. hop: the words of its hop, as they stand in
    its own default route, in `table`; "": it learns them."""

    device: str
    weight: int
    hop: str
    table: str


def routes(plan: Plan, family: int) -> str:
    """The text for one family."""
    lines = [remark(f"IPv{family} routes and the rules that choose among them")]
    carrying = [line for line in _in_order(plan.lines) if _carries(line, family)]
    # Rules first: `ip` gives a batch up where a device is missing, and the rules must stand then.
    lines += [f"rule add pref {SITE} to {net} {FROM_MAIN}" for net in _site(plan.areas, family)]
    for line in carrying:
        lines += _staying(line, family, carrying)
    if family == 6:
        lines += [text for one in plan.exits for text in _exit6(one, carrying)]
        lines += [text for line in carrying for text in _prefix(line, carrying)]
    else:
        lines += [text for one in plan.exits for text in _bound4(one, carrying)]
    lines.append(f"rule add pref {MAIN} {FROM_MAIN}")
    for line in carrying:
        lines += _pinned(line, family, carrying)
    if family == 4:
        lines += [text for one in plan.exits for text in _exit4(one, carrying)]
    if together(plan, family):
        lines.append(f"rule add pref {OUT} lookup {TABLES}")
    for place, line in enumerate(carrying, 1):
        lines.append(f"rule add pref {OUT + place} lookup {_table(line, carrying)}")
    for line in plan.lines:
        device = bare_device(line.device)
        lines.append(f"rule add pref {INWARD + line.number} iif {device} blackhole")
    lines.append(f"rule add pref {REST} prohibit")
    lines += [text for line in carrying for text in _default(line, family)]
    if hops := known_together(plan, family):
        lines.append(route_together(family, hops))
    return "\n".join(lines) + "\n"


def default_table(plan: Plan, line: LinePlan, family: int) -> str:
    """The table in which the default route of a line is to be, by number or as `main`."""
    return _table(line, [other for other in plan.lines if _carries(other, family)])


def leading(plan: Plan, line: LinePlan, family: int) -> tuple[str, ...]:
    """The rules by which new conversations find a line. Without them it is left to those that it
    has, and to whatever is sent with its mark."""
    behind = f" lookup {default_table(plan, line, family)}"
    found = (text for text in routes(plan, family).splitlines() if text.endswith(behind))
    return tuple(text for text in found if f" {_of_line(line)} " not in text)


def own_route(line: LinePlan, family: int) -> str:
    """The text that gives a line its default route; "" where it learns that."""
    return next(_default(line, family), "")


def together(plan: Plan, family: int) -> dict[str, Share]:
    """The parts of the lines that are balanced together, by line; none of a single one."""
    carrying = [line for line in _in_order(plan.lines) if _carries(line, family)]
    found = {
        line.name: Share(
            bare_device(line.device), line.weight, _words(line, family), _table(line, carrying)
        )
        for line in carrying
        if line.role == "balanced" and (line.automatic or _hop(line, family) is not None)
    }
    return found if len(found) > 1 else {}


def _words(line: LinePlan, family: int) -> str:
    hop = _hop(line, family)
    return "" if hop is None else f"via {hop} dev {bare_device(line.device)}"


def known_together(plan: Plan, family: int) -> tuple[str, ...]:
    """The hops of the balanced lines in words, where nobody has to learn any of them; else none."""
    shares = together(plan, family)
    known = {name: share.hop for name, share in shares.items() if share.hop}
    return hops_of(family, shares, known) if len(known) == len(shares) else ()


def hops_of(family: int, shares: Mapping[str, Share], there: Mapping[str, str]) -> tuple[str, ...]:
    """The hops of the route of balanced lines, in words and in their order. there: by line the words
    of each that is used just now."""
    weights = {name: share.weight for name, share in shares.items()}
    used = [name for name in shares if name in there]
    if len(used) < 2:
        return tuple(f"nexthop {there[name]}" for name in used)
    # IPv6 takes no hop twice (net/ipv6/route.c, rt6_duplicate_nexthop), and nobody but the gateway
    # itself uses its route: all other sources have their own lines.
    parts = spread(weights, used) if family == 4 else [(name, weights[name]) for name in used]
    return tuple(f"nexthop {there[name]} weight {weight}" for name, weight in parts)


def spread(weights: Mapping[str, int], used: Collection[str]) -> list[tuple[str, int]]:
    """Who gets which stretch of the hash, one after the other, with weights of at most HEAVIEST.

    What is used keeps its own stretch: the weights are all multiplied by the same number. That of
    another is shared out among what is used by its weights (largest remainders), as nearly as whole
    numbers can.
    """
    if set(weights) <= set(used):
        return list(weights.items())
    times = max(1, HEAVIEST // max(weights.values()))
    found: list[tuple[str, int]] = []
    for name, weight in weights.items():
        if name in used:
            found.append((name, weight * times))
        else:
            found += _shared_out(weight * times, {one: weights[one] for one in used})
    return found


def _shared_out(whole: int, weights: Mapping[str, int]) -> list[tuple[str, int]]:
    total = sum(weights.values())
    parts = {name: whole * weight // total for name, weight in weights.items()}
    rest = sorted(weights, key=lambda name: -(whole * weights[name] % total))
    for name in rest[: whole - sum(parts.values())]:
        parts[name] += 1
    return [(name, part) for name, part in parts.items() if part]


def route_together(family: int, hops: Sequence[str]) -> str:
    """The text of the route of balanced lines with these hops; for none it is taken away."""
    whole = "0.0.0.0/0" if family == 4 else "::/0"
    where = f"table {TABLES} proto {PROTOCOL}"
    if len(hops) == 1:
        return f"route replace {whole} {hops[0].removeprefix('nexthop ')} {where}"
    return f"route {'replace' if hops else 'del'} {whole} {' '.join((where, *hops))}"


def _in_order(lines: Sequence[LinePlan]) -> list[LinePlan]:
    rank = {"main": 0, "balanced": 1}
    return sorted(lines, key=lambda line: (rank.get(line.role, 2), line.number))


def _carries(line: LinePlan, family: int) -> bool:
    return line.carries4 if family == 4 else line.carries6


def _hop(line: LinePlan, family: int) -> Address | None:
    return line.next_hop4 if family == 4 else line.next_hop6


def _table(line: LinePlan, carrying: Sequence[LinePlan]) -> str:
    """Where the default route of a line is looked for."""
    learning = [other for other in carrying if other.automatic and other.pppoe is None]
    return "main" if learning == [line] else str(TABLES + line.number)


def _default(line: LinePlan, family: int) -> Iterator[str]:
    whole = "0.0.0.0/0" if family == 4 else "::/0"
    if words := _words(line, family):
        yield f"route replace {whole} {words} table {TABLES + line.number} proto {PROTOCOL}"


Network = IPv4Network | IPv6Network


def _site(areas: Sequence[AreaPlan], family: int) -> Iterator[Network]:
    """What is never beyond a line, whatever a conversation is marked with or comes from."""
    if family == 4:
        yield from (area.v4 for area in areas)
        return
    yield LINK_LOCAL6
    for area in areas:
        yield from (subnet.network for subnet in area.subnets6)


def networks(lines: Iterable[LinePlan], family: int) -> list[Network]:
    """The lines' own networks, as far as the charter says them."""
    held = (one.network for line in lines for one in line.held)
    return list(dict.fromkeys(one for one in held if one.version == family))


def _straight(
    place: int, lines: Iterable[LinePlan], family: int, mark: str, source: str = ""
) -> Iterator[str]:
    """Rules that lead what has a mark, and a source, into these lines' own networks directly."""
    for network in networks(lines, family):
        yield f"rule add pref {place} {source}to {network} {mark} {FROM_MAIN}"


def _staying(line: LinePlan, family: int, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """Conversations of a line stay there, but for those with a neighbour on it are not sent round by
    its next hop. The networks of a line that learns it are unknown: its own come later."""
    if line.learns:
        return
    place, mark = STAYING + 4 * line.number, _of_line(line)
    yield from _straight(place, [line], family, mark)
    yield f"rule add pref {place + 1} {mark} lookup {_table(line, carrying)}"
    yield f"rule add pref {place + 2} {mark} prohibit"


def _prefix(line: LinePlan, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """New conversations of sources in a line's IPv6 prefix leave by that line, also to neighbours on
    another one."""
    if line.prefix is None:
        return
    place, source = PREFIXES + 4 * line.number, f"from {line.prefix} "
    if line.learns:
        for network in networks([one for one in carrying if one is not line], 6):
            yield f"rule add pref {place} {source}to {network} {UNMARKED} prohibit"
        return
    yield from _straight(place, [line], 6, UNMARKED, source)
    yield f"rule add pref {place + 1} {source}{UNMARKED} lookup {_table(line, carrying)}"
    yield f"rule add pref {place + 2} {source}{UNMARKED} prohibit"


def _bound4(one: ExitPlan, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """An exit that refuses other lines is kept from their own networks, too: all that it is about is
    led by its lines, or that alone where one of them learns its next hop."""
    if not one.refused:
        return
    there = {line.name: line for line in carrying}
    mine = [there[name] for name in one.lines if name in there]
    others = networks([line for line in carrying if line.name not in one.lines], 4)
    learning = any(line.learns for line in mine)
    place, match = BOUND + EACH_BOUND * (one.number - 1), _of_exit(one)
    if not learning:
        yield from _straight(place, mine, 4, match)
    for to in [f"to {network} {match}" for network in others] if learning else [match]:
        for n, line in enumerate([line for line in mine if not line.learns], 1):
            yield f"rule add pref {place + n} {to} lookup {_table(line, carrying)}"
        yield f"rule add pref {place + EACH_BOUND - 1} {to} prohibit"


def _pinned(line: LinePlan, family: int, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """Rules for conversations and sources that belong to a line and may use no other."""
    table = _table(line, carrying)
    matches = [(MARKED, _of_line(line))] if line.learns else []
    matches += [(SOURCES, f"from {source}") for source in _sources(line, family)]
    for base, match in matches:
        preference = base + 2 * line.number
        yield f"rule add pref {preference} {match} lookup {table}"
        yield f"rule add pref {preference + 1} {match} prohibit"


def _exit4(one: ExitPlan, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """The lines of an exit, in its order; after them those of everybody, unless it refuses."""
    match = _of_exit(one)
    there = {line.name: line for line in carrying}
    if one.refused and not any(there[name].learns for name in one.lines if name in there):
        return  # `_bound4` has said it all
    preference = EXITS + EACH * (one.number - 1)
    for place, name in enumerate(one.lines):
        if name in there:
            yield f"rule add pref {preference + place} {match} lookup {_table(there[name], carrying)}"
    if one.refused:
        yield f"rule add pref {preference + EACH - 1} {match} prohibit"


def _exit6(one: ExitPlan, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """A source leaves by its own line; an exit that refuses all others refuses it on others."""
    for line in carrying if one.refused else ():
        if line.prefix is not None and line.name not in one.lines:
            # In the order in which `ip` tells it: it is compared with that word for word.
            yield f"rule add pref {FOREIGN} from {line.prefix} {_of_exit(one)} prohibit"


def _of_exit(one: ExitPlan) -> str:
    return f"fwmark {exit_mark(one.number):#x}/{EXIT_MASK:#x}"


def _of_line(line: LinePlan) -> str:
    return f"fwmark {line.number:#x}/{LINE_MASK:#x}"


def _sources(line: LinePlan, family: int) -> Iterator[str]:
    for own in line.held:
        if own.version == family:
            yield f"{own.ip}/{own.max_prefixlen}"
    if family == 6 and line.prefix is not None and line.learns:
        yield str(line.prefix)
