"""What a listing shows by itself, before any packet is looked at: parts nobody uses, replies let
late or not at all, comments that speak of an end, counters that never moved.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, timedelta

from netcharter.diagnostics import Diagnostic, Span
from netcharter.readback.listing import Chain, Name, Rule
from netcharter.readback.structure import (
    Structure,
    counted,
    later_only,
    lets_established,
    stops_invalid,
)

LATE = 5  # rules that may stand before the one that lets replies; common practice, no source
MOST_RELATED = 10
TEMPORARY = re.compile(
    r"\b(temp|temporary|temporarily|tmp|test|testing|todo|fixme|xxx|hack|quick fix|for now|remove"
    r"|delete me|until|expires?|workaround|debug|old|obsolete|deprecated)\b",
    re.IGNORECASE,
)  # common practice, no source
ISO = re.compile(r"\b(\d{4})-(\d{1,2})-(\d{1,2})\b")
DOTTED = re.compile(r"(?<![\d.])(\d{1,2})[./](\d{1,2})[./](\d{4})\b(?!\.\d)")
NAMES = (
    "jan(?:uary)? feb(?:ruary)? mar(?:ch)? apr(?:il)? may june? july? aug(?:ust)? sept?(?:ember)?"
    " oct(?:ober)? nov(?:ember)? dec(?:ember)?"
).split()
MONTHS = [name[:3] for name in NAMES]
MONTH = re.compile(rf"\b({'|'.join(NAMES)})\.? (?:of )?((?:19|20)\d\d)\b", re.IGNORECASE)
SEASON = re.compile(
    r"\b(?:spring|summer|autumn|fall|winter|easter|christmas|end of|year) ((?:19|20)\d\d)\b",
    re.IGNORECASE,
)


def chain_name(chain: Name) -> str:
    return f"chain {chain[2]} of table {chain[0]} {chain[1]}"


def rule_name(rule: Rule) -> str:
    return f"rule {rule.number} in {chain_name((rule.family, rule.table, rule.chain))}"


def every_rule(structure: Structure) -> Iterator[Rule]:
    for chain in structure.listing.chains.values():
        yield from chain.rules


def unused_chains(structure: Structure) -> Iterator[Diagnostic]:
    """Chains that no base chain leads to."""
    for name, chain in structure.listing.chains.items():
        if name not in structure.reached:
            held = f"its {len(chain.rules)} rules never" if chain.rules else "it is empty and never"
            yield Diagnostic(
                "chain-unused",
                "note",
                f"nothing leads to {chain_name(name)}: {held} see a packet",
                chain.span,
                help="take the chain out, or write the jump that is missing",
            )


def sets_in_vain(structure: Structure) -> Iterator[Diagnostic]:
    """Sets that no rule names, and named ones that are empty and stay so."""
    for name, one in structure.listing.sets.items():
        kind = "set" if one.data is None else "map"
        told = f"the {kind} {name[2]} of table {name[0]} {name[1]}"
        if name not in structure.asked:
            yield Diagnostic(
                "set-unused",
                "note",
                f"no rule asks {told}",
                one.span,
                help=f"take it out, or write the rule that is missing: ... @{name[2]} ...",
            )
        elif not one.elements and not one.living:
            rules = [rule for rule in every_rule(structure) if name in structure.sets_of(rule)]
            yield Diagnostic(
                "set-empty",
                "warning",
                f"{told} is empty, and nothing fills it: what asks it finds nothing",
                one.span,
                help="give it its elements, or take it and the rules that ask it out",
                related=tuple((r.span, f"{rule_name(r)} asks it") for r in rules[:MOST_RELATED]),
            )


def state_handling(structure: Structure) -> Iterator[Diagnostic]:
    """Where replies are let: in time, late, or by nothing that says so; and what fits nothing."""
    for chain in structure.bases:
        if chain.type != "filter" or chain.hook not in ("input", "forward") or not chain.rules:
            continue
        if chain.family not in ("ip", "ip6", "inet"):
            continue
        first = _first(structure, chain, lets_established)
        refuses = chain.policy == "drop" or any(_refuses(c) for c in structure.below(chain))
        if first is None and refuses:
            yield _no_replies(chain)
        elif first is not None and first[0] > LATE:
            yield _late(chain, *first)
        if refuses and _first(structure, chain, stops_invalid) is None:
            yield _invalid(chain)


def _refuses(chain: Chain) -> bool:
    return any("drop" in one or "reject" in one for rule in chain.rules for one in rule.expr)


def _first(
    structure: Structure, chain: Chain, wanted: Callable[[Rule], bool]
) -> tuple[int, Rule] | None:
    """How many rules a packet has passed at most before one that is wanted, and that one."""
    passed = 0
    for rule in chain.rules:
        if wanted(rule):
            return passed, rule
        for target in structure.targets(rule):
            below = structure.listing.chains.get(target)
            found = next((r for r in below.rules if wanted(r)), None) if below else None
            if found is not None:
                return passed + found.number - 1, found
        passed += 0 if later_only(rule) else 1
    return None


def _no_replies(chain: Chain) -> Diagnostic:
    name = chain_name((chain.family, chain.table, chain.name))
    return Diagnostic(
        "replies-not-let",
        "warning",
        f"{name} has no rule that lets what belongs to conversations already let: replies pass only"
        " where a rule lets them as if they were new",
        chain.span,
        help="begin the chain with: ct state established accept",
    )


def _late(chain: Chain, passed: int, rule: Rule) -> Diagnostic:
    return Diagnostic(
        "replies-let-late",
        "note",
        f"packets of conversations already let are accepted only by {rule_name(rule)}, after"
        f" {passed} others: each of these is asked for every packet, and may refuse a reply",
        rule.span,
        help=f"move it to the top of {chain_name((chain.family, chain.table, chain.name))}",
    )


def _invalid(chain: Chain) -> Diagnostic:
    name = chain_name((chain.family, chain.table, chain.name))
    return Diagnostic(
        "invalid-not-dropped",
        "note",
        f"{name} does not drop what fits no conversation (ct state invalid): rules that let a"
        " service let such packets, too",
        chain.span,
        help="write after the rule for established: ct state invalid drop",
    )


def comments(structure: Structure, today: date) -> Iterator[Diagnostic]:
    """Rules whose comments name a day that has passed, or that sound as if they should end."""
    for rule in every_rule(structure):
        past = [day for day in days(rule.comment) if day < today]
        if past:
            yield Diagnostic(
                "comment-date-passed",
                "warning",
                f"{rule_name(rule)} says '{rule.comment}', and {max(past).isoformat()} has passed",
                rule.span,
                help="ask whoever wrote it whether it is still needed; if nobody knows, take it"
                " out and watch",
            )
        elif found := TEMPORARY.search(rule.comment):
            yield Diagnostic(
                "comment-temporary",
                "note",
                f"{rule_name(rule)} says '{rule.comment}': '{found.group().lower()}' sounds as if it"
                " was not meant to stay",
                rule.span,
                help="find out whether it is still needed; in a charter, `until` ends it by itself",
            )


def days(text: str) -> Iterator[date]:
    """The days a text names: of a day that may be read two ways the later one, of a month or a
    season the last.
    """
    for match in ISO.finditer(text):
        yield from _valid((int(match[1]), int(match[2]), int(match[3])))
    for match in DOTTED.finditer(text):
        first, second, year = (int(part) for part in match.groups())
        readings = [*_valid((year, second, first)), *_valid((year, first, second))]
        if readings:
            yield max(readings)
    for match in MONTH.finditer(text):
        month, year = MONTHS.index(match[1][:3].lower()) + 1, int(match[2])
        yield date(year + month // 12, month % 12 + 1, 1) - timedelta(days=1)
    for match in SEASON.finditer(text):
        yield date(int(match[1]), 12, 31)


def _valid(parts: tuple[int, int, int]) -> Iterator[date]:
    try:
        yield date(*parts)
    except ValueError:
        return


def still_counters(structure: Structure) -> Iterator[Diagnostic]:
    """Rules whose counter has seen nothing since the ruleset was loaded, in one note."""
    rules = list(counted(structure.listing, every_rule(structure)))
    still = [rule for rule, packets in rules if packets == 0]
    if not still or len(still) == len(rules):
        return
    few = "one rule" if len(still) == 1 else f"{len(still)} rules"
    yield Diagnostic(
        "counter-still",
        "note",
        f"{few} of {len(rules)} with a counter have seen no packet since the ruleset was loaded",
        still[0].span,
        help="that alone is no reason to take a rule out: it may be for rare days",
        related=_places(still[1:]),
    )


def _places(rules: Sequence[Rule]) -> tuple[tuple[Span, str], ...]:
    shown = rules[:MOST_RELATED]
    return tuple((rule.span, rule_name(rule)) for rule in shown)


def found_in_parts(structure: Structure, today: date) -> Iterable[Diagnostic]:
    """All of the above."""
    yield from unused_chains(structure)
    yield from sets_in_vain(structure)
    yield from state_handling(structure)
    yield from comments(structure, today)
    yield from still_counters(structure)
