"""Ways out as text for `ip -batch` (IPv4) and `ip -6 -batch` (IPv6).

`ip` cannot be told the family of a rule within a batch, hence two files. The rules, from the
first that is asked:

    0      local addresses (the kernel's own rule)
    10000  whatever the main table knows, default routes left aside: areas and lines' networks
    101nn  marked conversations stay on their line nn, or are refused
    10150  IPv6: a source of another line than its exit allows is refused
    102nn  a source that belongs to line nn leaves by it, or is refused
    10300  IPv4, eight for each exit: its lines in their order, and refused if the exit says so
    11000  otherwise: balanced lines together
    110nn  otherwise: line by line, standby ones last
    111nn  what came in by line nn and leads nowhere is dropped silently
    11200  everything else is refused (RFC 1812 section 4.3.3.1)

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

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from netcharter.plan.labels import EXIT_MASK, LINE_MASK, exit_mark
from netcharter.plan.shapes import Address, ExitPlan, LinePlan, Plan
from netcharter.render.escape import bare_device, remark

TABLES = 100  # the table of all balanced lines; that of line n is TABLES + n
PROTOCOL = "static"

MAIN, MARKED, FOREIGN, SOURCES, EXITS = 10000, 10100, 10150, 10200, 10300
OUT, INWARD, REST = 11000, 11100, 11200
EACH = 8  # rules of one exit: one for each of at most six lines, and one that refuses
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
    lines.append(f"rule add pref {MAIN} lookup main suppress_prefixlength 0")
    for line in carrying:
        lines += _pinned(line, family, carrying)
    for one in plan.exits:
        lines += _exit4(one, carrying) if family == 4 else _exit6(one, carrying)
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
    return tuple(text for text in found if not MARKED <= int(text.split()[3]) < SOURCES)


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


def _pinned(line: LinePlan, family: int, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """Rules for conversations and sources that belong to a line and may use no other."""
    table = _table(line, carrying)
    matches = [(MARKED, f"fwmark {line.number:#x}/{LINE_MASK:#x}")]
    matches += [(SOURCES, f"from {source}") for source in _sources(line, family)]
    for base, match in matches:
        preference = base + 2 * line.number
        yield f"rule add pref {preference} {match} lookup {table}"
        yield f"rule add pref {preference + 1} {match} prohibit"


def _exit4(one: ExitPlan, carrying: Sequence[LinePlan]) -> Iterator[str]:
    """The lines of an exit, in its order; after them those of everybody, unless it refuses."""
    match = _of_exit(one)
    there = {line.name: line for line in carrying}
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


def _sources(line: LinePlan, family: int) -> Iterator[str]:
    for own in line.held:
        if own.version == family:
            yield f"{own.ip}/{own.max_prefixlen}"
    if family == 6 and line.prefix is not None:
        yield str(line.prefix)
