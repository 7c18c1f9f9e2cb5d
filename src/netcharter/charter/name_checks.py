"""Names rules and resolvers: what is answered to whom, and whom the gateway asks."""

from __future__ import annotations

from collections.abc import Sequence

from netcharter.charter.checks import KINDS, at, entries, kind_of
from netcharter.charter.list_checks import topics
from netcharter.charter.lists import ADDRESSES, ANYTHING
from netcharter.charter.sentences import (
    REACH_WORDS,
    WHO_WORDS,
    check_during,
    has_address,
    items,
    one_of,
    unknown_term,
)
from netcharter.charter.shapes import GUESSED, MISSING, SAID, Fields, Path, Walk, first_line
from netcharter.charter.values import quoted
from netcharter.charter.words import suggest

ACTIONS = ("answer", "withhold", "rewrite")
MOST_NAMES_RULES = 500
MOST_REWRITTEN = 64  # names to which others are rewritten: the gateway sets memory aside for each
MOST_RESOLVERS = 8
_FOR = ("areas", "devices")


def check_names(walk: Walk, doc: Fields) -> None:
    """All names rules and resolvers of a document."""
    _resolvers(walk, doc)
    rules = list(items(doc, "names"))
    if len(rules) > MOST_NAMES_RULES:
        walk.tell("too-many-rules", walk.where(("names", MOST_NAMES_RULES)),
                  f"this is names rule number {MOST_NAMES_RULES + 1}; a charter has at most "
                  f"{MOST_NAMES_RULES}", "say with lists and topics what many rules say alike")  # fmt: skip
        return
    for path, rule in rules:
        _rule(walk, doc, path, rule)
    _rewritten(walk, rules)


def _rewritten(walk: Walk, rules: Sequence[tuple[Path, Fields]]) -> None:
    """Not to all too many names."""
    found: set[str] = set()
    for path, rule in rules:
        to = rule.get("to")
        if not isinstance(to, str) or to.lower().rstrip(".") in found:
            continue
        found.add(to.lower().rstrip("."))
        if len(found) > MOST_REWRITTEN:
            walk.tell("too-many-rules", walk.where((*path, "to")),
                      f"names are rewritten to more than {MOST_REWRITTEN} others",
                      "let names lead to fewer, or withhold them")  # fmt: skip
            return


def _rule(walk: Walk, doc: Fields, path: Path, rule: Fields) -> None:
    kind = one_of(walk, path, rule, ACTIONS, "a names rule")
    for key in ("answer", "withhold"):
        _named(walk, doc, (*path, key), rule.get(key, ()))
    _written_out(walk, doc, (*path, "rewrite"), rule.get("rewrite", ()))
    _audience(walk, doc, (*path, "for"), rule.get("for", ()))
    check_during(walk, doc, path, rule)
    said = rule[SAID] | rule[GUESSED]
    if kind == "rewrite" and "to" not in said:
        walk.tell("missing-key", first_line(walk.where(path)),
                  "a names rule with `rewrite` lacks `to`",
                  "add `to:` and the name whose answers are given")  # fmt: skip
    if kind is not None and kind != "rewrite" and "to" in rule:
        walk.tell("names-rule-key", walk.where((*path, "to")),
                  f"`to` says nothing with `{kind}`", "leave `to` out")  # fmt: skip
    if rule.get("emergency") and kind in ("withhold", "rewrite"):
        walk.tell("names-rule-key", walk.where((*path, "emergency")),
                  "only what is answered can be for emergencies", "leave `emergency` out")  # fmt: skip
    elif rule.get("emergency") and "during" in rule[SAID]:
        walk.tell("emergency-during", walk.where((*path, "during")),
                  "emergencies keep no hours", "leave `during` out")  # fmt: skip


def _named(walk: Walk, doc: Fields, path: Path, found: tuple[str, ...]) -> None:
    """Lists and topics are there; a list of addresses is none of names."""
    lists = doc.get("lists", {})
    if lists is MISSING:
        return
    known = topics(doc)
    for i, name in enumerate(found):
        if name == ANYTHING or "." in name and name not in lists or name in known:
            continue
        span = at(walk, path, i)
        if name not in lists:
            near = suggest(name, {*lists, *known, ANYTHING})
            help = f"write {near}" if near else (
                f"define it below `lists:`, or write {name}. with a dot if a name is meant"
            )  # fmt: skip
            walk.tell("unknown-name", span, f"there is no list or topic {quoted(name)}", help)
        elif lists[name] is not MISSING and lists[name].get("of") == ADDRESSES:
            walk.tell("wrong-kind", span, f"`{name}` is a list of addresses, not of names",
                      "name a list of names",
                      related=((walk.where(("lists", name)), "defined here"),))  # fmt: skip


def _written_out(walk: Walk, doc: Fields, path: Path, found: tuple[str, ...]) -> None:
    """What is rewritten is no list and no topic: the gateway has to know each name."""
    lists, known = dict(entries(doc, "lists")), topics(doc)
    for i, name in enumerate(found):
        what = (
            "every name" if name == ANYTHING
            else "a list" if name in lists
            else "a topic" if name in known
            else ""
        )  # fmt: skip
        if what:
            first = ("lists", name if name in lists else known.get(name, ""))
            walk.tell("wrong-kind", at(walk, path, i),
                      f"`{name}` is {what}; only names that are written out are rewritten",
                      "write the names here, or `withhold` it",
                      related=() if name == ANYTHING else ((walk.where(first), "defined here"),))  # fmt: skip


def _audience(walk: Walk, doc: Fields, path: Path, found: tuple[str, ...]) -> None:
    """For whom: anyone, areas, and devices whose addresses are known."""
    for i, name in enumerate(found):
        kind, span = kind_of(doc, name), at(walk, path, i)
        if name == "anyone" or kind == "areas":
            continue
        if kind == "devices":
            has_address(walk, doc, (*path, i), name)
        elif kind in ("people", "groups"):
            walk.tell("names-audience", span,
                      f"`{name}` is {KINDS[kind]}, and names rules can't tell people apart yet",
                      "name areas or devices")  # fmt: skip
        elif kind is None and name not in {*WHO_WORDS, *REACH_WORDS}:
            unknown_term(walk, doc, span, name, ("anyone",), _FOR)
        else:
            what = f"`{name}`" if kind is None else f"`{name}` is {KINDS[kind]} and"
            walk.tell("names-audience", span, f"{what} asks this gateway for no names",
                      "write anyone, or name areas and devices")  # fmt: skip


def _resolvers(walk: Walk, doc: Fields) -> None:
    found = list(items(doc, "resolvers"))
    if len(found) > MOST_RESOLVERS:
        walk.tell("too-many-resolvers", walk.where(("resolvers", MOST_RESOLVERS)),
                  f"this is resolver number {MOST_RESOLVERS + 1}; {MOST_RESOLVERS} are enough",
                  "keep a few far apart")  # fmt: skip
    first: dict[object, Path] = {}
    own = {one.ip for _, line in entries(doc, "lines") for one in line.get("address", ())}
    for path, one in found:
        address = one.get("address")
        place = (*path, "address")
        if address is None:
            continue
        if address in own:
            walk.tell("resolver-unfit", walk.where(place), f"`{address}` is the gateway's own address",
                      "write whom the gateway is to ask; without `resolvers` it asks the internet's "
                      "own name servers")  # fmt: skip
        elif address.is_link_local:
            walk.tell("resolver-unfit", walk.where(place), f"`{address}` is of the link alone",
                      "name somebody farther away")  # fmt: skip
        elif address in first:
            walk.tell("resolver-unfit", walk.where(place), f"`{address}` stands here already",
                      "keep one of them",
                      related=((walk.where((*first[address], "address")), "here first"),))  # fmt: skip
        first.setdefault(address, path)
