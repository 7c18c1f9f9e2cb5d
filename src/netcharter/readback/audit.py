"""Everything there is to say about a loaded ruleset without a charter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import date
from functools import partial

from netcharter.diagnostics import Diagnostic, Span
from netcharter.readback import audit_parts, audit_reach, audit_rules
from netcharter.readback.audit_reach import Gateway
from netcharter.readback.points import MOST_CONDITIONS
from netcharter.readback.shapes import Condition
from netcharter.readback.structure import Structure
from netcharter.readback.words import listed
from netcharter.space.certified import NoAnswer

MOST_OF_A_KIND = 25
FEW = 6  # conditions that are named
ORDER = {"error": 0, "warning": 1, "note": 2}

REACH = (
    audit_reach.policies,
    audit_reach.open_to_lines,
    audit_reach.management,
    audit_reach.newer_family,
    audit_reach.forged,
    audit_reach.hiding,
    audit_reach.deliveries,
)
RULES = (
    audit_rules.never_decides,
    audit_rules.redundant,
    audit_rules.contradictions,
    audit_rules.absent_devices,
)


def audit(gateway: Gateway, today: date) -> tuple[Diagnostic, ...]:
    """All findings, errors first, of one weight in the order of the listing."""
    return tuple(sorted(_few(_all(gateway, today)), key=lambda d: (ORDER[d.severity], d.span)))


def _all(gateway: Gateway, today: date) -> Iterator[Diagnostic]:
    yield from audit_parts.found_in_parts(Structure(gateway.listing), today)
    rules = audit_rules.Rules(gateway)
    looks = [partial(look, rules) for look in RULES]
    if gateway.lines:
        looks += [partial(search, gateway) for search in REACH]
    else:
        looks += [partial(audit_reach.policies, gateway), partial(_no_line, gateway)]
    for look in (*looks, partial(unsettled, gateway)):
        yield from _as_far_as_it_goes(gateway, look)


def _as_far_as_it_goes(
    gateway: Gateway, look: Callable[[], Iterator[Diagnostic]]
) -> Iterator[Diagnostic]:
    """What one search finds; where it is too much work, that."""
    try:
        yield from look()
    except NoAnswer as fault:
        yield Diagnostic(
            "too-intricate",
            "warning",
            f"a part of the audit was given up: {fault}",
            _place(gateway),
            help="ask about single connections: --ask, --why",
        )


def _place(gateway: Gateway) -> Span:
    """Where what is about the whole ruleset is told."""
    chains = gateway.listing.chains.values()
    return next((c.span for c in chains), Span(gateway.listing.name, 1, 1, 1, 1))


def _few(found: Iterable[Diagnostic]) -> Iterator[Diagnostic]:
    """At most so many of each kind, and how many more there are."""
    counts: Counter[str] = Counter()
    last: dict[str, Diagnostic] = {}
    for one in found:
        counts[one.id] += 1
        last[one.id] = one
        if counts[one.id] <= MOST_OF_A_KIND:
            yield one
    for ident, count in counts.items():
        if count > MOST_OF_A_KIND:
            yield Diagnostic(
                "findings-of-this-kind",
                "note",
                f"{count - MOST_OF_A_KIND} more findings are of the kind {ident}",
                last[ident].span,
                help="mend what is told first, then look again",
            )


def _no_line(gateway: Gateway) -> Iterator[Diagnostic]:
    yield Diagnostic(
        "no-line-known",
        "warning",
        "it is not known which network device leads to the internet, so what is open to it can't be"
        " told",
        _place(gateway),
        help="give `--addresses` and `--routes`, or `--line NAME=DEVICE`",
    )


def unsettled(gateway: Gateway) -> Iterator[Diagnostic]:
    """What makes answers 'may', by name; and a reading that was cut."""
    points = gateway.points
    used = dict.fromkeys(c for leaf in points.decisions.leaves for c, _ in leaf.held)
    if used:
        more = f" and {len(used) - FEW} more" if len(used) > FEW else ""
        names = [condition_name(condition) for condition in list(used)[:FEW]]
        beyond = (
            f"; of these {len(points.frame.beyond)} are not told apart, beyond {MOST_CONDITIONS}"
            if points.frame.beyond
            else ""
        )
        yield Diagnostic(
            "answers-may",
            "note",
            f"what becomes of some packets hangs on {listed(names)}{more}{beyond}: answers about them"
            " say so",
            _place(gateway),
            help="read these rules yourself",
        )
    if not points.decisions.complete:
        yield Diagnostic(
            "reading-cut",
            "warning",
            "the ruleset is too intricate to be read whole: what was not reached may do anything",
            _place(gateway),
            help="take out what never decides, or ask about a part of it",
        )


def condition_name(condition: Condition) -> str:
    """What a condition is about."""
    if condition.kind == "set":
        return f"the set {condition.name}"
    if condition.kind == "unread":
        return f"`{condition.name}`"
    return f"the {condition.kind} of {condition.name}"
