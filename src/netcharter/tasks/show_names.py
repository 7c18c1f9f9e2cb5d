"""`show`: what is decided about names, and the lists of a charter, as plain values."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from urllib.parse import urlsplit

from netcharter.charter.model import NamedList
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan.names.shapes import NamesRow, What
from netcharter.plan.shapes import Plan
from netcharter.proofs.why_name import OUTCOMES
from netcharter.rollout.reading import instant_text

Json = dict[str, Any]


def names_shown(plan: Plan) -> Json:
    """As the page on JSON says under `show`."""
    found = plan.names
    return {
        "domain": found.domain,
        "resolvers": [{"address": str(one.address), "tls": one.tls} for one in found.resolvers],
        "local": [
            {
                "name": one.name,
                "addresses": [str(address) for address in one.addresses],
                "area": one.area,
                "offer": one.offer,
            }
            for several in found.local.values()
            for one in several
        ],
        "decisions": [_decision(plan, row) for row in found.rows],
    }


def _decision(plan: Plan, row: NamesRow) -> Json:
    return {
        "number": row.index + 1,
        "label": row.label,
        "kind": row.kind,
        "outcome": OUTCOMES[row.action],
        "for": [one.term for one in row.audience],
        "names": [_what(plan, one) for one in row.what],
        "to": row.to,
        "during": row.during,
        "until": None if row.until is None else row.until.isoformat(),
        "because": row.because,
        "basis": row.basis,
        "span": None if row.span is None else span_as_json(row.span),
    }


def _what(plan: Plan, what: What) -> Json:
    """A term: a name, the root for any; or lists."""
    topic = what.term not in plan.names.lists and bool(what.lists)
    return {
        "name": what.name,
        "below": what.below,
        "topic": what.term if topic else None,
        "lists": list(what.lists),
    }


def lists_shown(plan: Plan) -> tuple[Json, ...]:
    """Every list of the charter, with what is known of it."""
    return tuple(_list(plan, one) for one in plan.charter.lists.values())


def _list(plan: Plan, said: NamedList) -> Json:
    origin = (
        "fetched" if said.source is not None else "file" if said.file is not None else "charter"
    )
    return {
        "name": said.name,
        "of": said.of,
        "topic": said.topic,
        "origin": origin,
        "host": urlsplit(said.source).hostname if said.source else None,
        "file": said.file,
        "every": said.every if said.source else None,
        "change": said.change if said.source else None,
        "used_by": list(_users(plan, said)),
        **_known(plan, said),
        "because": said.because or "",
        "contact": said.contact,
        "span": span_as_json(plan.charter.where("lists", said.name)),
    }


def _known(plan: Plan, said: NamedList) -> Json:
    """What it holds: nothing is known of one that nobody has told, or that nothing makes use of."""
    names, addresses = plan.names.lists.get(said.name), plan.lists.get(said.name)
    fetched, unusable, entries = None, None, None
    refused: list[Json] = []
    if names is not None and (reading := names.reading) is not None:
        fetched, unusable, entries = names.fetched, reading.unusable, len(reading.entries)
        refused = [_lines(one.reason, one.count, one.first) for one in reading.refused]
    elif addresses is not None:
        fetched, entries = addresses.fetched, addresses.reading.entries
        refused = [_lines(o.reason, o.count, o.first) for o in addresses.reading.refused]
    return {
        "entries": entries,
        "fetched": _moment(fetched),
        "unusable": unusable,
        "refused": refused,
    }


def _lines(reason: str, count: int, first: int) -> Json:
    return {"reason": reason, "count": count, "first": first}


def _moment(when: datetime | None) -> str | None:
    return None if when is None else instant_text(when)


def _users(plan: Plan, said: NamedList) -> Iterator[str]:
    """What makes use of a list: names rules, what is hostile, places."""
    for row in plan.names.rows:
        if any(said.name in what.lists for what in row.what):
            yield row.label
    if said.name in plan.charter.hostile.lists:
        yield "hostile"
    for place in plan.charter.places.values():
        if place.list == said.name:
            yield place.name
