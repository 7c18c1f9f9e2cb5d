"""Places that are made of domain names: which of them lead to an address at this moment.

Nobody knows beforehand to which addresses a name leads, nor which names share one. So it is a part of
the environment of an attempt which of these places its destination is in, and all that is proven is
proven for every set of them. Such a set is a number: bit i is set if the i-th place leads there. Only
addresses of the internet are ever in one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from netcharter.charter.model import Charter
from netcharter.diagnostics import Diagnostic, Span
from netcharter.plan.names.domains import Fault, is_below, normal
from netcharter.plan.shapes import ByNames

Named = Sequence[str]  # the names of those places, in their order


def by_names(charter: Charter) -> tuple[ByNames, ...]:
    """The places of a charter that are made of names, with these in their normal form."""
    return tuple(
        ByNames(
            place.name,
            tuple(dict.fromkeys(_names(place.domains))),
            charter.where("places", place.name, "domains"),
        )
        for place in charter.places.values()
        if place.domains
    )


def _names(domains: Iterable[str]) -> Iterator[str]:
    for text in domains:
        found = normal(text)
        if not isinstance(found, Fault):
            yield found


def leads(places: Named, wanted: Collection[str]) -> frozenset[int]:
    """The sets of places in which any of some is."""
    mask = number(places, wanted)
    return frozenset(one for one in every_set(places) if one & mask)


def leads_nowhere(places: Named, wanted: Collection[str]) -> frozenset[int]:
    """The sets of places in which none of some is."""
    mask = number(places, wanted)
    return frozenset(one for one in every_set(places) if not one & mask)


def every_set(places: Named) -> range:
    return range(1 << len(places))


def number(places: Named, held: Collection[str]) -> int:
    """The number of a set of places."""
    return sum(1 << bit for bit, name in enumerate(places) if name in held)


def held_in(places: Named, found: int) -> tuple[str, ...]:
    """The places of a set by its number."""
    return tuple(name for bit, name in enumerate(places) if found >> bit & 1)


def alone(places: Named, found: frozenset[int]) -> str | None:
    """The place in which an address is just for these sets, whatever others it is in; None: there is
    no such place."""
    return next((name for name in places if leads(places, [name]) == found), None)


def place_of(places: Sequence[ByNames], name: str) -> ByNames | None:
    """The place that a name, in its normal form, leads to."""
    return next(
        (one for one in places if any(is_below(name, domain) for domain in one.domains)), None
    )


def doubts(charter: Charter) -> Iterator[Diagnostic]:
    """Names of places that can't be one, or that belong to two places."""
    known: dict[str, tuple[str, Span]] = {}
    for place in charter.places.values():
        for at, text in enumerate(place.domains):
            here, found = charter.where("places", place.name, "domains", at), normal(text)
            if isinstance(found, Fault):
                yield Diagnostic(
                    "no-such-name",
                    "error",
                    f"'{text}' can't be asked for: a name {found.value}",
                    here,
                    help="write it as it is typed into a browser: www.example.org",
                )
                continue
            for other, (owner, there) in known.items():
                if is_below(found, other) or is_below(other, found):
                    yield _twice((found, here, place.name), (other, there, owner))
            known.setdefault(found, (place.name, here))


Said = tuple[str, Span, str]  # a name, where it stands, and the place it leads to


def _twice(mine: Said, first: Said) -> Diagnostic:
    name, here, place = mine
    other, there, owner = first
    how = "stands here already" if name == other else f"and {other} are one below the other"
    if place != owner:
        how = f"leads to {owner}, too" if name == other else f"{how}, and {other} leads to {owner}"
    return Diagnostic(
        "name-leads-twice",
        "error",
        f"{name} {how}",
        here,
        help="a name takes in all names below it, so keep the upper one; rules may reach several "
        "places",
        related=((there, "the other"),),
    )
