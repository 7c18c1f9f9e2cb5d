"""The ordered decisions about names: housekeeping, emergencies, the charter's rules, the rest.

The tables of `docs/explanation/model.md`, section 11, in their order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from ipaddress import IPv6Network

from netcharter.charter.lists import ANYTHING
from netcharter.charter.model import Charter, NamedList, NamesRule
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.listed import Listed
from netcharter.plan.local_names import LocalNames
from netcharter.plan.names import local
from netcharter.plan.names.audiences import audience
from netcharter.plan.names.domains import Fault, is_below, normal
from netcharter.plan.names.shapes import Audience, ListPlan, LocalName, NamesPlan, NamesRow, What
from netcharter.plan.names.special import CANARY, INSIDE, LOCALHOST, NOWHERE, REVERSE, zones_of
from netcharter.plan.terms import Ground
from netcharter.space.ranges import union

EVERYTHING = What(ANYTHING, "")


def names_plan(
    ground: Ground, learnt: Mapping[str, Listed], known: LocalNames, prefix: IPv6Network
) -> NamesPlan:
    """All that is decided about names. learnt: what lists hold that the charter does not say; known:
    the site's own names; prefix: its local one."""
    charter = ground.charter
    found = list(local.local_names(ground, known, prefix))
    by_name: dict[str, tuple[LocalName, ...]] = {}
    for one in found:
        by_name[one.name] = (*by_name.get(one.name, ()), one)
    rows = [replace(row, index=index) for index, row in enumerate(_rows(ground, by_name, known))]
    return NamesPlan(
        domain=charter.site.domain,
        rows=tuple(rows),
        local=by_name,
        reverse=local.reverse(found),
        lists={one.name: _list(one, learnt) for one in used(charter)},
        resolvers=charter.resolvers,
        inside=union(coding.network(*INSIDE), *(area.whole for area in ground.areas)),
    )


def used(charter: Charter) -> tuple[NamedList, ...]:
    """The lists of names that names rules speak of, by their names or their topics."""
    terms = {term for rule in charter.names for term in rule.what}
    return tuple(
        one
        for one in charter.lists.values()
        if one.of == "names" and (one.name in terms or one.topic in terms)
    )


def _list(said: NamedList, learnt: Mapping[str, Listed]) -> ListPlan:
    if said.entries:
        return ListPlan(said, "\n".join(said.entries).encode())
    known = learnt.get(said.name)
    return ListPlan(said, known.text if known else None, known.fetched if known else None)


def _rows(
    ground: Ground, names: Mapping[str, tuple[LocalName, ...]], known: LocalNames
) -> Iterator[NamesRow]:
    """In order; their numbers come later."""
    charter, everyone = ground.charter, (Audience("anyone", ground.all_areas),)
    offers = [name for name, found in names.items() if any(one.offer for one in found)]
    if offers:
        yield NamesRow(0, "offered-names", "housekeeping", "local", everyone,
                       tuple(What(name, name, below=False) for name in offers),
                       "what is offered to the outside is met inside without leaving",
                       basis="common practice, no source")  # fmt: skip
    held = [What(one.name, one.name, below=False) for one in (*known.gateway, *known.devices)]
    own = [*([known.domain] if known.alone else []), LOCALHOST]
    for area in ground.areas:
        own += zones_of(area.v4)
        own += [zone for subnet in area.subnets6 for zone in zones_of(subnet.network)]
    yield NamesRow(0, "local-names", "housekeeping", "local", everyone,
                   tuple(dict.fromkeys([*held, *(What(name, name) for name in own)])),
                   "the site's own names and addresses are the gateway's to answer",
                   basis="RFC 6761 section 6.3, RFC 8375 section 4, RFC 6303 section 3")  # fmt: skip
    nowhere = [name for name in (*NOWHERE, *REVERSE) if not is_below(name, charter.site.domain)]
    yield NamesRow(0, "never-outside", "housekeeping", "none", everyone,
                   tuple(What(name, name) for name in nowhere),
                   "nobody outside knows these names, and asking would tell what is here",
                   basis="RFC 6303, RFC 6761, RFC 6762, RFC 7686, RFC 7793, RFC 8375")  # fmt: skip
    rules = list(enumerate(charter.names))
    yield from (_rule(ground, i, rule) for i, rule in rules if rule.emergency)
    yield from _with_canaries(_rule(ground, i, rule) for i, rule in rules if not rule.emergency)
    yield NamesRow(0, "default", "default", "answer", everyone, (EVERYTHING,),
                   "what no names rule is about is answered")  # fmt: skip


def _with_canaries(rows: Iterable[NamesRow]) -> Iterator[NamesRow]:
    """The canary stands right before the first rule that binds who asks: withheld it would lead to the
    gateway, and any address tells programs to ask somebody else."""
    bound: set[Audience] = set()
    for row in rows:
        fresh = [one for one in row.audience if one not in bound] if row.action != "answer" else []
        if fresh:
            bound |= {*fresh}
            yield NamesRow(0, "canary", "housekeeping", "none", tuple(fresh),
                           (What(CANARY, CANARY),),
                           "programs that would ask somebody else stay with this gateway, whose "
                           "names rules hold here", basis="common practice, no source")  # fmt: skip
        yield row


def _rule(ground: Ground, number: int, rule: NamesRule) -> NamesRow:
    to = normal(rule.to) if rule.to is not None else None
    below = rule.action != "rewrite"
    what = [_what(ground, term, below) for term in rule.what]
    return NamesRow(
        index=0,
        label=rule.name,
        kind="emergency" if rule.emergency else "rule",
        action=rule.action,
        audience=tuple(audience(ground, term) for term in rule.who),
        what=tuple(one for one in what if one is not None),
        because=rule.because or "",
        to=None if isinstance(to, Fault) else to,
        during=rule.during,
        until=rule.until,
        span=ground.charter.where("names", number),
        charter_index=number,
    )


def _what(ground: Ground, term: str, below: bool) -> What | None:
    """What one term means; None where it is no name, which `doubts` tells."""
    if term == ANYTHING:
        return EVERYTHING
    lists = ground.charter.lists
    if term in lists:
        return What(term, lists=(term,))
    topic = tuple(one.name for one in lists.values() if one.topic == term and one.of == "names")
    if topic:
        return What(term, lists=topic)
    name = normal(term)
    return None if isinstance(name, Fault) else What(term, name, below)


def doubts(ground: Ground) -> Iterator[Diagnostic]:
    """What stands as a name in the charter and can't be one."""
    charter = ground.charter
    for path, text in _said(charter):
        fault = normal(text)
        if isinstance(fault, Fault):
            yield Diagnostic(
                "no-such-name",
                "error",
                f"'{text}' can't be asked for: a name {fault.value}",
                charter.where(*path),
                help="write it as it is typed into a browser: www.example.org",
            )


def _said(charter: Charter) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every domain name that stands in names rules and offers, with its place."""
    for number, rule in enumerate(charter.names):
        for place, term in enumerate(rule.what):
            if "." in term and term not in charter.lists or rule.action == "rewrite":
                yield ("names", number, rule.action, place), term
        if rule.to is not None:
            yield ("names", number, "to"), rule.to
    for number, offer in enumerate(charter.offers):
        for place, name in enumerate(offer.known_as):
            yield ("offers", number, "as", place), name
