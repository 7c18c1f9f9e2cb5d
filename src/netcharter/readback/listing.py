"""A ruleset as nft lists it (`nft -j list ruleset`): tables, chains, rules, sets, with their spans.

Nothing is judged here but the form: what a rule means is for `keys`, `rules` and `walk`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from netcharter.diagnostics import Diagnostic, Severity, Span
from netcharter.readback.document import MOST_TOLD, Document, Item, Refused, items
from netcharter.readback.inside import walked
from netcharter.readback.symbols import PRIORITIES

FAMILIES = ("ip", "ip6", "inet", "arp", "bridge", "netdev")
TABLE_FLAGS = frozenset({"dormant", "owner", "persist"})
Name = tuple[str, str, str]  # family, table, name


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: its statements as nft lists them, its place in its chain from 1."""

    family: str
    table: str
    chain: str
    number: int
    expr: tuple[dict[str, Any], ...]
    comment: str
    span: Span


@dataclass(frozen=True, slots=True)
class Chain:
    """A chain. Base chains have a type, a hook, a priority and a policy (accept or drop)."""

    family: str
    table: str
    name: str
    span: Span
    handle: int
    type: str | None
    hook: str | None
    priority: int
    policy: str
    device: str
    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Set:
    """A named set or map. data: what a map leads to, None for a set. elements: as nft lists them.

    living: contents change while the host runs (time limits, or rules that add or delete).
    statements: what each of its elements does besides, as nft lists it.
    """

    family: str
    table: str
    name: str
    span: Span
    data: Any
    flags: frozenset[str]
    elements: list[Any]
    living: bool
    statements: Any = None


@dataclass(frozen=True, slots=True)
class Named:
    """Another named object: a counter, limit, quota, helper and the like."""

    family: str
    table: str
    kind: str
    name: str
    span: Span
    said: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Table:
    """A table. dormant: whether its base chains are switched off; None: the listing says something
    that is not understood (before 1.0.7 nft wrote a table's flags unreadably).
    """

    family: str
    name: str
    handle: int
    dormant: bool | None
    span: Span


@dataclass(frozen=True, slots=True)
class Listing:
    """A whole ruleset in the order in which nft lists it. version: of nft, as it says."""

    name: str
    version: str
    tables: tuple[Table, ...]
    chains: Mapping[Name, Chain]
    sets: Mapping[Name, Set]
    objects: tuple[Named, ...]


@dataclass(frozen=True, slots=True)
class Listed:
    """What came of reading: a listing unless there is an error among the problems."""

    listing: Listing | None
    problems: tuple[Diagnostic, ...]


def read_listing(text: str, name: str) -> Listed:
    """The ruleset that `nft -j list ruleset` printed. name: what spans call the text.

    Bounded in time and memory by the text's size, of which at most 64 million characters are read.
    """
    document = Document(text, name)
    reader = _Reader(document)
    try:
        for item in items(document):
            reader.take(item)
        return Listed(reader.listing(), tuple(reader.problems))
    except Refused as refused:
        return Listed(None, (*reader.problems, refused.diagnostic))


# What is text in the expressions of a rule wherever it stands.
_TEXTS: Mapping[str, tuple[str, ...]] = {
    "meta": ("key",),
    "ct": ("key", "dir", "family"),
    "payload": ("protocol", "field", "base"),
}
_KEYS: Mapping[str, frozenset[str]] = {
    kind: frozenset(keys.split())
    for kind, keys in {
        "metainfo": "version release_name json_schema_version",
        "table": "family name handle flags comment",
        "chain": "family table name newname handle type hook prio policy dev devs device devices "
        "comment flags",
        "rule": "family table chain handle index position comment expr",
        "set": "family table name handle type policy flags elem timeout gc-interval size stmt "
        "comment auto-merge map desc count",
    }.items()
}
_OTHERS = frozenset(
    {
        "counter",
        "quota",
        "limit",
        "ct helper",
        "ct timeout",
        "ct expectation",
        "synproxy",
        "secmark",
        "flowtable",
        "tunnel",
    }
)


@dataclass(slots=True)
class _Reader:
    """Items in, a listing out; what is wrong on the way."""

    document: Document
    problems: list[Diagnostic] = field(default_factory=list)
    version: str = ""
    tables: dict[tuple[str, str], Table] = field(default_factory=dict)
    chains: dict[Name, tuple[dict[str, Any], Span]] = field(default_factory=dict)
    rules: dict[Name, list[Rule]] = field(default_factory=dict)
    sets: dict[Name, tuple[str, dict[str, Any], Span]] = field(default_factory=dict)
    objects: list[Named] = field(default_factory=list)
    told: dict[str, int] = field(default_factory=dict)

    def take(self, item: Item) -> None:
        if item.twice:
            key = item.twice[0]
            raise self.wrong("listing-key-twice", f'the key "{key[:60]}" stands twice', item.span)
        known = _KEYS.get("set" if item.kind == "map" else item.kind)
        for key in item.said.keys() - known if known else ():
            message = f'the {item.kind} has a key "{key[:60]}" that is not known here'
            self.warn("listing-unknown-key", message, item.span)
        takers: Mapping[str, Callable[[Item], None]] = {
            "metainfo": self._metainfo,
            "table": self._table,
            "chain": self._chain,
            "rule": self._rule,
            "set": self._set,
            "map": self._set,
        }
        if item.kind in takers:
            takers[item.kind](item)
        elif item.kind in _OTHERS:
            self._object(item)
        else:
            message = f'an object of the kind "{item.kind[:60]}" is not known here'
            self.warn("listing-unknown-object", message, item.span)

    def wrong(self, id: str, message: str, span: Span) -> Refused:
        return Refused(self.document.tell(id, "error", message, span))

    def warn(self, id: str, message: str, span: Span, severity: Severity = "warning") -> None:
        self.told[id] = self.told.get(id, 0) + 1
        if self.told[id] <= MOST_TOLD:
            self.problems.append(self.document.tell(id, severity, message, span))

    def _metainfo(self, item: Item) -> None:
        self.version = str(item.said.get("version", ""))
        if item.said.get("json_schema_version", 1) != 1:
            message = "the listing has another version of nft's JSON than 1"
            self.warn("listing-other-version", message, item.span)

    def _text(self, item: Item, key: str) -> str:
        value = item.said.get(key)
        if not isinstance(value, str) or not value or len(value) > 1024:
            raise self.wrong(
                "listing-shape", f'the {item.kind} has no text as its "{key}"', item.span
            )
        return value

    def _number(self, item: Item, key: str) -> int:
        value = item.said.get(key, 0)
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.wrong(
                "listing-shape", f'the "{key}" of the {item.kind} is no number', item.span
            )
        return value

    def _named(self, item: Item, key: str = "name") -> Name:
        family = self._text(item, "family")
        if family not in FAMILIES:
            message = f'"{family[:40]}" is no family of tables that is known here'
            raise self.wrong("listing-shape", message, item.span)
        return family, self._text(item, "table"), self._text(item, key)

    def _fresh(self, item: Item, name: Name) -> Name:
        if name in self.chains or name in self.sets:
            kind = "chain" if name in self.chains else "set"
            if (kind == "chain") == (item.kind == "chain"):
                message = f"the {item.kind} {name[2][:60]} is listed twice"
                raise self.wrong("listing-twice", message, item.span)
        return name

    def _table(self, item: Item) -> None:
        family, name = self._text(item, "family"), self._text(item, "name")
        flags = _flags(item.said)
        readable = flags <= TABLE_FLAGS and _since(self.version, (1, 0, 7))
        dormant = "dormant" in flags if readable or "flags" not in item.said else None
        if dormant is None:
            message = "the flags of the table are not readable, so it may be dormant"
            self.warn("listing-flags", message, item.span)
        table = Table(family, name, self._number(item, "handle"), dormant, item.span)
        if (family, name) in self.tables:
            raise self.wrong("listing-twice", f"table {name[:60]} is listed twice", item.span)
        self.tables[family, name] = table

    def _chain(self, item: Item) -> None:
        self.chains[self._fresh(item, self._named(item))] = (item.said, item.span)
        if "hook" in item.said:
            self._text(item, "hook")
            self._text(item, "type")
            priority = item.said.get("prio")
            if not isinstance(priority, int) and str(priority) not in PRIORITIES:
                raise self.wrong("listing-shape", "the chain has no priority", item.span)
            if item.said.get("policy", "accept") not in ("accept", "drop"):
                raise self.wrong("listing-shape", "the chain has an unknown policy", item.span)
        self._number(item, "handle")

    def _rule(self, item: Item) -> None:
        name = self._named(item, "chain")
        expr = item.said.get("expr")
        # Of some statements nft 1.0.6 has no JSON, and gives their text.
        told = expr if isinstance(expr, list) else [None]
        expr = [{UNLISTED: one} if isinstance(one, str) else one for one in told]
        if not all(isinstance(one, dict) and len(one) == 1 for one in expr):
            raise self.wrong("listing-shape", "the rule is no list of statements", item.span)
        odd = _odd(expr)
        if odd:
            raise self.wrong("listing-shape", f"in the rule {odd}", item.span)
        comment = item.said.get("comment", "")
        if not isinstance(comment, str):
            raise self.wrong("listing-shape", "the comment of the rule is no text", item.span)
        held = self.rules.setdefault(name, [])
        held.append(Rule(*name, len(held) + 1, tuple(expr), comment, item.span))

    def _set(self, item: Item) -> None:
        elements = item.said.get("elem", [])
        if not isinstance(elements, list):
            message = f"the elements of the {item.kind} are no list"
            raise self.wrong("listing-shape", message, item.span)
        self.sets[self._fresh(item, self._named(item))] = (item.kind, item.said, item.span)

    def _object(self, item: Item) -> None:
        named = self._named(item)
        self.objects.append(Named(named[0], named[1], item.kind, named[2], item.span, item.said))

    def listing(self) -> Listing:
        for name, rules in self.rules.items():
            if name not in self.chains:
                message = f"the rule stands in a chain {name[2][:60]} that is not listed"
                raise self.wrong("listing-missing", message, rules[0].span)
        changed = _changed_by_rules(self.rules)
        chains = {n: self._whole_chain(n, s, span) for n, (s, span) in self.chains.items()}
        sets = {
            name: _whole_set(name, kind, said, span, name in changed)
            for name, (kind, said, span) in self.sets.items()
        }
        return Listing(
            self.document.name,
            self.version,
            tuple(self.tables.values()),
            chains,
            sets,
            tuple(self.objects),
        )

    def _whole_chain(self, name: Name, said: dict[str, Any], span: Span) -> Chain:
        priority = said.get("prio", 0)
        device = said.get("dev", said.get("device", ""))
        return Chain(
            *name,
            span,
            said.get("handle", 0),
            said.get("type"),
            said.get("hook"),
            PRIORITIES.get(priority, 0) if isinstance(priority, str) else priority,
            said.get("policy", "accept"),
            device if isinstance(device, str) else "",
            tuple(self.rules.get(name, ())),
        )


UNLISTED = "without JSON"  # the kind of a statement of which a listing gives the text alone
_NAMED = re.compile(r"@([A-Za-z_][\w/\\.]*)")


def _odd(expr: list[Any]) -> str:
    """What of a rule is of another kind than nft writes anywhere; "" if nothing is."""
    for one in walked(expr):
        for kind, said in one.items() if isinstance(one, dict) else ():
            odd = [key for key in _TEXTS.get(kind, ()) if _is_other(said, key, str)]
            if odd:
                return f'the "{odd[0]}" of a "{kind}" is no text'
            data = said.get("data") if kind in ("map", "vmap") and isinstance(said, dict) else None
            if _is_other(data, "set", list):
                return f'the "set" of a "{kind}" is no list'
    return ""


def _is_other(said: Any, key: str, kind: type) -> bool:
    return isinstance(said, dict) and not isinstance(said.get(key, kind()), kind)


def _since(version: str, least: tuple[int, ...]) -> bool:
    """Whether a version is known and at least as new as another."""
    parts = version.split(".")
    return all(part.isdigit() and len(part) < 6 for part in parts) and (
        tuple(int(part) for part in parts) >= least
    )


def _flags(said: dict[str, Any]) -> frozenset[str]:
    flags = said.get("flags", [])
    found = flags if isinstance(flags, list) else [flags]
    return frozenset(flag if isinstance(flag, str) else "?" for flag in found)


def _whole_set(name: Name, kind: str, said: dict[str, Any], span: Span, changed: bool) -> Set:
    flags = _flags(said)
    living = changed or bool(flags & {"dynamic", "timeout"}) or "timeout" in said
    data = said.get("map") if kind == "map" else None
    if kind == "map" and data is None:
        data = "?"
    return Set(*name, span, data, flags, said.get("elem", []), living, said.get("stmt"))


def _changed_by_rules(rules: Mapping[Name, list[Rule]]) -> frozenset[Name]:
    """The sets that rules add to, update or delete from."""
    found: set[Name] = set()
    for held in rules.values():
        for rule in held:
            for statement in rule.expr:
                ((kind, said),) = statement.items()
                for name in _NAMED.findall(said) if kind == UNLISTED else ():
                    found.add((rule.family, rule.table, name))
                if kind in ("set", "map", "meter") and isinstance(said, dict):
                    target = said.get("name" if kind == "meter" else kind)
                    if isinstance(target, str):
                        found.add((rule.family, rule.table, target.removeprefix("@")))
    return frozenset(found)
