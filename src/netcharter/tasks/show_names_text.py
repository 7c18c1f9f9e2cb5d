"""What `show` found about names and lists, as lines and cells for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from netcharter.charter.lending import spelt

MOST_NAMES, FEW = 8, 3  # of one decision that are told, and of housekeeping; `--json` has all
VERBS = {
    "answered": "answer",
    "withheld": "withhold",
    "rewritten": "rewrite",
    "answered here": "here",
    "told that there is no such name": "none",
}
Json = Mapping[str, Any]


def overview(names: Json) -> Iterator[str]:
    """Whom the gateway asks, and what it answers itself."""
    asked = [
        one["address"] + (f" over TLS as {one['tls']}" if one["tls"] else "")
        for one in names["resolvers"]
    ]
    yield f"asks {', '.join(asked)}" if asked else "asks the internet's own name servers"
    own = {one["name"] for one in names["local"]}
    yield f"answers {len(own)} names itself; those of devices lie below {names['domain']}"


def title(decision: Json) -> str:
    """The first line of a decision, with its place."""
    place = f"  {decision['span']['file']}:{decision['span']['line']}" if decision["span"] else ""
    kind = "" if decision["label"].startswith(decision["kind"]) else f" ({decision['kind']})"
    verb = VERBS[decision["outcome"]]
    return f"{decision['number']:>3}. {verb:<8} {decision['label']}{kind}{place}"


def details(decision: Json) -> Iterator[str]:
    """For whom, what and when."""
    told = [_term(one) for one in decision["names"]]
    most = FEW if decision["kind"] == "housekeeping" else MOST_NAMES
    more = len(told) - most
    names = ", ".join(told if more < 2 else [*told[:most], f"and {more} names more"])
    to = f", as {decision['to']}" if decision["to"] else ""
    yield f"{names} for {', '.join(decision['for'])}{to}{_when(decision)}"


def _term(term: Json) -> str:
    if term["lists"]:
        lists = ", ".join(term["lists"])
        return f"{term['topic']} ({lists})" if term["topic"] else f"the list {lists}"
    if not term["name"]:
        return "any name"
    return f"{term['name']} with all below it" if term["below"] else f"{term['name']}"


def _when(decision: Json) -> str:
    during = f", during {decision['during']}" if decision["during"] else ""
    return during + (f", until {decision['until']}" if decision["until"] else "")


def list_cells(one: Json) -> Mapping[str, Sequence[str]]:
    """A row of the table of lists."""
    origin = {"fetched": one["host"], "file": one["file"], "charter": "this charter"}
    lines = sum(refused["count"] for refused in one["refused"])
    unknown = "not known" if one["used_by"] else "not read"
    return {
        "list": [one["name"]],
        "of": [one["of"]],
        "topic": [one["topic"]] if one["topic"] else [],
        "from": [str(origin[one["origin"]])],
        "every": [spelt(one["every"])] if one["every"] else [],
        "entries": [
            one["unusable"] or (unknown if one["entries"] is None else str(one["entries"]))
        ],
        "lines refused": [str(lines)] if lines else [],
        "fetched": [one["fetched"]] if one["fetched"] else [],
        "used by": one["used_by"] or ["nothing"],
    }
