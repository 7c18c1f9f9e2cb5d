"""A listing that came from a text of the user's: its spans, moved from the JSON into that text."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from netcharter.diagnostics import Diagnostic, Span
from netcharter.readback.listing import Chain, Listing
from netcharter.readback.written import Written, written


def in_text(listing: Listing, text: str, file: str) -> Listing:
    """The same listing with the places of its rules, chains and sets in `text`.

    Where the text does not show the place of a rule, its chain is named, else its table, else the
    beginning of the text.
    """
    found = written(text, file)
    whole = Span(file, 1, 1, 1, 1)
    chains = {name: _chain(chain, found, whole) for name, chain in listing.chains.items()}
    tables = tuple(
        replace(t, span=found.tables.get((t.family, t.name)) or whole) for t in listing.tables
    )
    sets = {
        name: replace(one, span=found.sets.get(name) or found.tables.get(name[:2]) or whole)
        for name, one in listing.sets.items()
    }
    objects = tuple(
        replace(
            one,
            span=found.sets.get((one.family, one.table, one.name))
            or found.tables.get((one.family, one.table))
            or whole,
        )
        for one in listing.objects
    )
    return replace(listing, name=file, chains=chains, tables=tables, sets=sets, objects=objects)


def _chain(chain: Chain, found: Written, whole: Span) -> Chain:
    key = (chain.family, chain.table, chain.name)
    count = len(chain.rules)
    rules = tuple(
        replace(rule, span=found.rule(key, rule.number, count) or whole) for rule in chain.rules
    )
    return replace(chain, span=found.chain(key) or whole, rules=rules)


def moved(
    problems: Iterable[Diagnostic], listing: Listing, into: Listing
) -> tuple[Diagnostic, ...]:
    """What was told of a listing in the JSON, told of the text instead."""
    places: dict[Span, Span] = {}
    for name, chain in listing.chains.items():
        other = into.chains[name]
        places[chain.span] = other.span
        places |= {a.span: b.span for a, b in zip(chain.rules, other.rules, strict=True)}
    places |= {one.span: into.sets[name].span for name, one in listing.sets.items()}
    places |= {a.span: b.span for a, b in zip(listing.tables, into.tables, strict=True)}
    places |= {a.span: b.span for a, b in zip(listing.objects, into.objects, strict=True)}
    whole = Span(into.name, 1, 1, 1, 1)
    return tuple(replace(one, span=places.get(one.span, whole)) for one in problems)
