"""Rules, offers, promises and exits: who starts, what is reached, with what, and when."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from netcharter.charter.checks import (
    KINDS,
    NAMESPACE,
    at,
    kind_of,
    known_names,
    names_of,
    parts_of,
    unknown_service,
)
from netcharter.charter.listed import has_addresses
from netcharter.charter.services import Part
from netcharter.charter.shapes import GUESSED, MISSING, SAID, Fields, Path, Walk, first_line
from netcharter.charter.values import quoted
from netcharter.charter.words import suggest

WHO_WORDS = ("anyone", "internet", "gateway")
REACH_WORDS = ("anywhere", "internet", "gateway")
REACH_SECTIONS = ("areas", "devices", "places")
OUTSIDE = ("anyone", "internet")  # words for those who come by a line, besides others
PORTED = (6, 17)
NOT_REACHED = {
    "lines": ("what lies beyond the lines is `internet`", "write internet, a place, or gateway"),
    "people": ("people are who starts, not what is reached", "write the device they use"),
    "groups": ("people are who starts, not what is reached", "write the devices they use"),
}
_Allowed = tuple[tuple[str, ...], tuple[str, ...], str, str]
EXIT_FROM: _Allowed = (
    (),
    ("areas", "devices"),
    "can't stand here; an exit is about what areas and devices start",
    "write the areas or devices",
)
EXIT_REACH: _Allowed = (
    ("internet",),
    ("places",),
    "can't stand here; only what is for the internet leaves by a line",
    "write internet, or a place",
)
SWAPPED = {  # a word in the wrong half of a sentence -> the word for this half
    ("who", "anywhere"): "anyone",
    ("who", "anything"): "anyone",
    ("reach", "anyone"): "anywhere",
    ("reach", "anything"): "anywhere",
}

Known = dict[str, tuple[Part, ...]]


def check_sentences(walk: Walk, doc: Fields, services: Known) -> None:
    """All rules, offers, promises and exits of a document."""
    for path, rule in items(doc, "rules"):
        _rule(walk, doc, path, rule, services)
    for path, offer in items(doc, "offers"):
        _offer(walk, doc, path, offer, services)
    for path, promise in items(doc, "promises"):
        _promise(walk, doc, path, promise, services)
    for path, found in items(doc, "exits"):
        _exit(walk, doc, path, found, services)
    _names_differ(walk, doc)


def items(doc: Fields, section: str) -> Iterator[tuple[Path, Fields]]:
    found = doc.get(section, [])
    if found is not MISSING:
        yield from (((section, i), f) for i, f in enumerate(found) if f is not MISSING)


def rule_name(section: str, index: int, fields: Any) -> str:
    """The name of a rule or offer: its own, or the word and its number from 1."""
    given = None if fields is MISSING else fields.get("name")
    return given or f"{kind_of_sentence(section)} {index + 1}"


def kind_of_sentence(section: str) -> str:
    return "names rule" if section == "names" else section.removesuffix("s")


def _names_differ(walk: Walk, doc: Fields) -> None:
    for section in ("rules", "offers", "exits", "names", "discovery"):
        first: dict[str, Path] = {}
        for path, fields in items(doc, section):
            name = rule_name(section, int(path[1]), fields)
            if name in first:
                place = walk.where((*path, "name"))
                walk.tell("name-twice", first_line(place),
                          f"{quoted(name)} is the name of another {kind_of_sentence(section)}",
                          "give each a name of its own",
                          related=((first_line(walk.where((*first[name], "name"))), "the other"),))  # fmt: skip
            else:
                first[name] = path


def one_of(walk: Walk, path: Path, fields: Fields, keys: tuple[str, ...], what: str) -> str | None:
    """The one of some keys that is there; tell if there is none or more than one."""
    said = [key for key in keys if key in fields[SAID]]
    spelt = " or ".join(f"`{key}`" for key in keys)
    if not said:
        walk.tell("missing-key", first_line(walk.where(path)), f"{what} lacks {spelt}",
                  f"add one of them: {', '.join(keys)}")  # fmt: skip
    elif len(said) > 1 and not fields[GUESSED] & set(said):
        walk.tell("too-much-said", walk.where((*path, said[1])),
                  f"{what} says `{said[0]}` and `{said[1]}`", "make two of it",
                  related=((walk.where((*path, said[0])), "the other"),))  # fmt: skip
    return said[0] if said else None


def _rule(walk: Walk, doc: Fields, path: Path, rule: Fields, services: Known) -> None:
    kind = one_of(walk, path, rule, ("let", "refuse"), "a rule")
    for key in ("let", "refuse"):
        _terms(walk, doc, (*path, key), rule.get(key, ()), "who")
    _terms(walk, doc, (*path, "reach"), rule.get("reach", ()), "reach")
    _services(walk, doc, (*path, "with"), rule.get("with", ()), services)
    check_during(walk, doc, path, rule)
    if rule.get("emergency"):
        if kind == "refuse":
            walk.tell("emergency-refuses", walk.where((*path, "emergency")),
                      "only what is let can be an emergency",
                      "leave `emergency` out")  # fmt: skip
        if "during" in rule[SAID]:
            walk.tell("emergency-during", walk.where((*path, "during")),
                      "emergencies keep no hours", "leave `during` out")  # fmt: skip
    _finishes(walk, path, rule, kind == "refuse")
    if kind == "let" and "manner" in rule:
        walk.tell("manner-of-let", walk.where((*path, "manner")),
                  "`manner` is how something is refused; this rule lets",
                  "leave `manner` out")  # fmt: skip


def check_during(walk: Walk, doc: Fields, path: Path, fields: Fields) -> None:
    if "during" in fields:
        known_names(walk, doc, (*path, "during"), (fields["during"],), "hours")


def _finishes(walk: Walk, path: Path, fields: Fields, refuses: bool = False) -> None:
    """`let-finish` is about a time that cuts something when it is over, or when it begins."""
    if not fields.get("let-finish"):
        return
    place, said = walk.where((*path, "let-finish")), fields[SAID] | fields[GUESSED]
    if refuses and "during" not in said:
        walk.tell("finish-of-nothing", place,
                  "a refusal without hours cuts nothing at any time of its own",
                  "leave `let-finish` out, or say `during`")  # fmt: skip
    elif not said & {"during", "until"}:
        walk.tell("finish-of-nothing", place, "what holds at all times is never over",
                  "leave `let-finish` out, or say `during` or `until`")  # fmt: skip


def _offer(walk: Walk, doc: Fields, path: Path, offer: Fields, services: Known) -> None:
    known_names(walk, doc, (*path, "on"), offer.get("on", ()), "lines")
    if "to" in offer:
        known_names(walk, doc, (*path, "to"), (offer["to"],), "devices")
        has_address(walk, doc, (*path, "to"), offer["to"])
    _terms(walk, doc, (*path, "from"), offer.get("from", ()), "who")
    check_during(walk, doc, path, offer)
    _finishes(walk, path, offer)
    _met_at(walk, doc, path, offer)
    if "per-source" in offer:
        _per_source(walk, doc, path, offer)
    named = offer.get("offer", ())
    for i, name in enumerate(named):
        if name == "anything":
            walk.tell("wrong-term", at(walk, (*path, "offer"), i),
                      "`anything` is too much to offer", "write the services out")  # fmt: skip
            return
    _services(walk, doc, (*path, "offer"), named, services)
    if "at" in offer and named:
        parts = [parts_of(n, services, doc.get("services", {})) for n in named]
        _at(walk, path, [p for part in parts for p in part or ()], None in parts)


def _met_at(walk: Walk, doc: Fields, path: Path, offer: Fields) -> None:
    """`address` is one of the addresses of the one line."""
    lines, known = offer.get("on", ()), doc.get("lines", {})
    if "address" not in offer or known is MISSING or len(lines) == 1 and lines[0] not in known:
        return
    place = walk.where((*path, "address"))
    if len(lines) != 1:
        walk.tell("offer-address", place, "an address belongs to one line, and this offer is on "
                  "several", "make an offer of its own for each line")  # fmt: skip
        return
    line = known[lines[0]]
    if line is MISSING or line.get("address", ()) is MISSING:
        return
    own = [one.ip for one in line.get("address", ()) if one.version == 4]
    if offer["address"] not in own:
        names = " or ".join(map(str, own)) or "no IPv4 address of its own"
        walk.tell("offer-address", place, f"`{offer['address']}` is no IPv4 address of `{lines[0]}`",
                  f"it has {names}",
                  related=((walk.where(("lines", lines[0])), "the line"),))  # fmt: skip


def _per_source(walk: Walk, doc: Fields, path: Path, offer: Fields) -> None:
    """It says something, of somebody."""
    place, said = walk.where((*path, "per-source")), offer["per-source"]
    if not said[SAID] | said[GUESSED]:
        walk.tell("no-limit", place, "`per-source` says neither `new` nor `at-once`",
                  "write for instance {new: 30 per minute, at-once: 20}")  # fmt: skip
    who = offer.get("from", ("anyone",))
    kinds = {"outside" if name in OUTSIDE else kind_of(doc, name) for name in who}
    if kinds and kinds <= {"areas", "devices", "people", "groups"}:
        walk.tell("limit-of-nobody", place, "only who comes by a line is limited, and nobody of "
                  "`from` does", "leave `per-source` out")  # fmt: skip


def _at(walk: Walk, path: Path, parts: list[Part], unknown: bool) -> None:
    """`at` moves one port of TCP or UDP to another."""
    ports = {(first, last) for _, first, last in parts}
    single = len(ports) == 1 and all(first == last for first, last in ports)
    if not unknown and not (single and all(protocol in PORTED for protocol, _, _ in parts)):
        walk.tell("at-many-ports", walk.where((*path, "at")),
                  "`at` moves one port of TCP or UDP, and this offer has others",
                  "make an offer of its own for each port")  # fmt: skip


def _promise(walk: Walk, doc: Fields, path: Path, promise: Fields, services: Known) -> None:
    kind = one_of(walk, path, promise, ("never", "always", "only"), "a promise")
    for key in ("never", "always", "only"):
        _terms(walk, doc, (*path, key), promise.get(key, ()), "who")
    _terms(walk, doc, (*path, "reach"), promise.get("reach", ()), "reach")
    _services(walk, doc, (*path, "with"), promise.get("with", ()), services)
    check_during(walk, doc, path, promise)
    if kind != "always":
        return
    if not {"with"} & (promise[SAID] | promise[GUESSED]):
        walk.tell("missing-key", first_line(walk.where(path)),
                  "a promise with `always` lacks `with`",
                  "add `with:` and the services that always work")  # fmt: skip
    if "except" in promise:
        walk.tell("except-always", walk.where((*path, "except")),
                  "`always` knows no exception", "leave `except` out")  # fmt: skip


def _exit(walk: Walk, doc: Fields, path: Path, found: Fields, services: Known) -> None:
    known_names(walk, doc, (*path, "by"), found.get("by", ()), "lines")
    _only_of(walk, doc, (*path, "from"), found.get("from", ()), EXIT_FROM)
    _only_of(walk, doc, (*path, "reach"), found.get("reach", ()), EXIT_REACH)
    _services(walk, doc, (*path, "with"), found.get("with", ()), services)


def _only_of(
    walk: Walk, doc: Fields, path: Path, names: tuple[str, ...], allowed: _Allowed
) -> None:
    """Names of a few kinds, and the words beside them."""
    words, sections, why, instead = allowed
    for i, name in enumerate(names):
        kind = kind_of(doc, name)
        if kind == "places" and kind in sections:
            has_addresses(walk, doc, (*path, i), name,
                          "name a place that is made of prefixes or a list")  # fmt: skip
        if name in words or kind in sections:
            continue
        span = at(walk, path, i)
        if kind is None and name not in {*WHO_WORDS, *REACH_WORDS}:
            unknown_term(walk, doc, span, name, words, sections)
        else:
            what = f"`{name}`" if kind is None else f"`{name}` is {KINDS[kind]}:"
            walk.tell("exit-term", span, f"{what} {why}", instead)


def _terms(walk: Walk, doc: Fields, path: Path, names: tuple[str, ...], half: str) -> None:
    words = WHO_WORDS if half == "who" else REACH_WORDS
    sections = NAMESPACE if half == "who" else REACH_SECTIONS
    for i, name in enumerate(names):
        if name in words:
            continue
        kind = kind_of(doc, name)
        span = at(walk, path, i)
        if (half, name) in SWAPPED:
            meant = SWAPPED[half, name]
            walk.tell("wrong-term", span, f"`{name}` can't stand after `{path[-1]}`",
                      f"write {meant}")  # fmt: skip
        elif kind is None:
            unknown_term(walk, doc, span, name, words, sections)
        elif kind not in sections:
            why, help = NOT_REACHED[kind]
            walk.tell("wrong-kind", span, f"`{name}` is {KINDS[kind]}: {why}", help,
                      related=((walk.where((kind, name)), "defined here"),))  # fmt: skip
        elif half == "who" and kind == "places":
            has_addresses(walk, doc, (*path, i), name,
                          "who comes by a line has an address and no name: write internet, a line, "
                          "or a place that is made of prefixes or a list")  # fmt: skip
        elif half == "reach" and kind == "devices":
            has_address(walk, doc, (*path, i), name)


def unknown_term(
    walk: Walk,
    doc: Fields,
    span: Any,
    name: str,
    words: tuple[str, ...],
    sections: tuple[str, ...],
) -> None:
    if any(doc.get(section) is MISSING for section in NAMESPACE):
        return  # it may be there, in what could not be read
    near = suggest(name, {*words, *(n for s in sections for n in names_of(doc, s))})
    *some, last = (KINDS[section] for section in sections)
    kinds = f"{', '.join(some)} or {last}" if some else last
    walk.tell("unknown-name", span, f"nothing here is called {quoted(name)}",
              f"write {near}" if near else f"name {kinds}")  # fmt: skip


def has_address(walk: Walk, doc: Fields, path: Path, name: str) -> None:
    """A device that is to be reached needs addresses that stay."""
    devices = doc.get("devices", {})
    device = MISSING if devices is MISSING else devices.get(name, MISSING)
    if device is not MISSING and "address" not in device[SAID]:
        walk.tell("device-without-address", walk.where(path),
                  f"`{name}` has no lasting address, so nobody can be told where it is",
                  f"add `address: lasting` to `{name}`",
                  related=((walk.where(("devices", name)), "the device"),))  # fmt: skip


def _services(walk: Walk, doc: Fields, path: Path, names: tuple[str, ...], services: Known) -> None:
    own = doc.get("services", {})
    if own is MISSING:
        return
    for i, name in enumerate(names):
        if name != "anything" and parts_of(name, services, own) is None:
            unknown_service(walk, path, i, name, own)
