"""Rules as nft lists them, made into operations. What is not understood is noted, never skipped."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from netcharter.readback.bits import changed_bits, computed
from netcharter.readback.inside import walked
from netcharter.readback.keys import CONNTRACK, HEADERS, META, Around, Term, term
from netcharter.readback.listing import Listing, Name, Rule, Set
from netcharter.readback.lookups import Elements, Lookup, Reader
from netcharter.readback.merging import together
from netcharter.readback.needs import draws, is_sure, needed, read
from netcharter.readback.notes import Notes
from netcharter.readback.operations import (
    Compare,
    Count,
    Elsewhere,
    Find,
    Given,
    Living,
    Merged,
    Operation,
    Proxy,
    Reject,
    SetMark,
    Stranger,
    Test,
    Tests,
    Touch,
    Translate,
    Unread,
    Untrack,
    Verdict,
    verdict_of,
)
from netcharter.readback.shapes import Condition, Kind, Manner
from netcharter.readback.state import ALL_BITS
from netcharter.readback.telling import expression_text, statement_text
from netcharter.readback.values import (
    BITS,
    DEVICE_KINDS,
    NotUnderstood,
    domain,
    number,
    opposite,
    values,
)
from netcharter.space.ranges import Ranges, subtract

# Statements that have no part in what becomes of a first packet, but for what they read.
IDLE = frozenset({"log", "ct helper", "ct timeout", "ct expectation", "dup", "last", "continue"})
GAUGES = frozenset({"limit", "quota", "ct count"})
GAUGING = GAUGES | {"set", "map", "meter"}
HARMLESS = frozenset({"counter", "last"})  # beside an element of a set
LISTED_BEFORE = frozenset({"counter", "log", "limit"})  # what nft lists all matches before (tried)
PROHIBITED = frozenset({"net-prohibited", "host-prohibited", "admin-prohibited"})
FAMILIES: Mapping[str, int] = {"ip": 4, "ip6": 6}
_ORDERED: Mapping[str, Callable[[int, int, int], tuple[int, int]]] = {
    "<": lambda value, low, high: (low, value - 1),
    "<=": lambda value, low, high: (low, value),
    ">": lambda value, low, high: (value + 1, high),
    ">=": lambda value, low, high: (value, high),
}


@dataclass(slots=True)
class Compiler:
    """Rules of one listing into operations."""

    listing: Listing
    around: Around
    notes: Notes
    reader: Reader
    objects: frozenset[tuple[str, str, str, str]]
    asked: frozenset[Name]  # the sets and maps that are looked in

    def rule(self, rule: Rule) -> tuple[Operation, ...]:
        """The operations of a rule in order, tests in a row together."""
        found: list[Operation] = []
        tests: list[tuple[int, Test]] = []
        needs: list[Test] = []
        for at, statement in enumerate(rule.expr):
            ((kind, said),) = statement.items()
            made, filled = self._statement(rule, kind, said), self._filled(rule, kind, said)
            if at < len(rule.expr) - 1 or filled is not None:
                needs += self._needs(rule, kind, said)
            if kind == "reject" and _hides_family(rule, at):
                needs.append(self._for_family(rule))
            if isinstance(made, Test):
                tests.append((at, made))
                made = None
            for operation in (one for one in (made, filled) if one is not None):
                before = (*self._row(rule, tests), *needs)
                tests, needs = [], []
                found += _behind(before, operation)
        return tuple(found)  # tests at the end of a rule have no effect

    def _filled(self, rule: Rule, kind: str, said: Any) -> Touch | None:
        """That a set has another element from here on, where it matters."""
        name = said.get(kind) if kind in ("set", "map") and isinstance(said, dict) else None
        if not isinstance(name, str):
            return None
        found = self.listing.sets.get((rule.family, rule.table, name.removeprefix("@")))
        if found is None or (found.family, found.table, found.name) not in self.asked:
            return None
        return Touch(f"@{self.title(found)}", self._place(rule))

    def _row(self, rule: Rule, tests: Sequence[tuple[int, Test]]) -> tuple[Test, ...]:
        """Tests in a row, with those together that nft may have loaded as one."""
        rows = dict(tests)
        for group in together([rule.expr[at] for at, _ in tests]):
            places = [tests[n][0] for n in group]
            parts = [rows[at] for at in places]
            compared = tuple(part for part in parts if isinstance(part, Compare))
            if len(compared) == len(parts):
                words = " ".join(statement_text(rule.expr[at]) for at in places)
                rows[places[0]] = Merged(compared, f"one of: {words}", rule.span)
                for at in places[1:]:
                    del rows[at]
        return tuple(rows.values())

    def _statement(self, rule: Rule, kind: str, said: Any) -> Operation | Test | None:
        if kind in IDLE:
            return None
        maker = _MAKERS.get(kind)
        try:
            made = maker(self, rule, said) if maker else self._stranger(rule, {kind: said})
        except (LookupError, TypeError, ValueError, AttributeError, NotUnderstood):
            return self._stranger(rule, {kind: said})
        return made

    def _needs(self, rule: Rule, kind: str, said: Any) -> tuple[Test, ...]:
        """What must be there for a rule to go on behind a statement."""
        try:
            return tuple(test for part in needed(kind, said) for test in self._there(rule, part))
        except (LookupError, TypeError, ValueError, AttributeError, NotUnderstood):
            return (self._unread(rule, f"{statement_text({kind: said})}: goes on"),)

    def _there(self, rule: Rule, part: Mapping[str, Any]) -> Iterator[Test]:
        """A value that is read, or an element of a map."""
        words = expression_text(part)
        if "map" in part:
            key = expression_text(part["map"]["key"])
            lookup, living = self.map_lookup(rule, part["map"], words)
            yield Living(lookup, living, key, False) if living else Find(lookup, False)
            return
        found = term(part, self.around, words)
        yield Find(Lookup((found,), Elements(), words, rule.span), True)
        if not found.known or not is_sure(part):
            yield self._unread(rule, f"{words} is there")

    def _for_family(self, rule: Rule) -> Given:
        """What a rule may have asked besides, unlisted."""
        message = (
            "nft does not list a match on the family among those straight before "
            "`reject with tcp reset`; whether the rule is for both families is open"
        )
        self.notes.tell("listing-hides", "note", message, rule.span)
        return Given(Condition("unread", f"{self._place(rule)} is for this family, too"))

    # --- what is not understood ------------------------------------------------------------------

    def _stranger(self, rule: Rule, statement: Mapping[str, Any]) -> Stranger:
        words = statement_text(statement)
        self.notes.tell(
            "listing-not-understood",
            "warning",
            f"what this does to a packet is not known here: {words[:200]}",
            rule.span,
        )
        return Stranger(words)

    def _unread(self, rule: Rule, words: str) -> Given:
        self._outside(rule, words)
        return Given(Condition("unread", words))

    def _outside(self, rule: Rule, words: str) -> None:
        self.notes.outside(words, rule.span)

    # --- tests -----------------------------------------------------------------------------------

    def match(self, rule: Rule, said: Any) -> Test:
        op, left, right = said["op"], said["left"], said["right"]
        if rule.family == "inet" and _of_conntrack(left) and not _shows_family(rule.expr):
            # nft 1.0.6 does not list the match on the family beside `ct protocol`
            return self._doubted(rule, left, False, statement_text({"match": said}))
        if len(said) > 3 or op not in ("==", "!=", "in", "!", *_ORDERED):
            return self._unread(rule, statement_text({"match": said}))
        negated = op in ("!=", "!")
        positive = "==" if op == "!=" else "in" if op == "!" else op
        words = statement_text({"match": {"op": positive, "left": left, "right": right}})
        # Neither a test nor its opposite fits where there is nothing to look at.
        another = negated and not all(map(is_sure, read(left)))
        apart = self._drawn(rule, said) + (" (asked as another)" if another else "")
        words += apart
        if isinstance(right, str) and right.startswith("@"):
            return self._named(rule, left, right[1:], negated, words, apart)
        parts = left.get("concat") if isinstance(left, dict) else None
        if parts is not None or (isinstance(right, dict) and "set" in right):
            elements = right["set"] if isinstance(right, dict) and "set" in right else [right]
            return self._elements(rule, left, elements, negated, words)
        return self._compare(rule, op, left, right, negated, words)

    def _drawn(self, rule: Rule, said: Any) -> str:
        """What tells a condition from others with its words, where each asking draws anew."""
        return f" (as drawn by {self._place(rule)})" if draws(said) else ""

    def _place(self, rule: Rule) -> str:
        """Where a rule stands, with its table where another has a chain of that name."""
        alike = [one for one in self.listing.chains if one[2] == rule.chain]
        table = "" if len(alike) < 2 else f"{rule.family} {rule.table} "
        return f"{table}{rule.chain} rule {rule.number}"

    def _compare(
        self, rule: Rule, op: str, left: Any, right: Any, negated: bool, words: str
    ) -> Test:
        devices = self.around.devices
        try:
            if op in ("in", "!"):
                bits = term(left, self.around, words)
                mask = number(right, bits.kind, devices)
                field = term({"&": [left, mask]}, self.around, words)
                wanted: Ranges = ((1, (1 << 32) - 1),)
            else:
                field = term(left, self.around, words)
                wanted = (
                    self._ordered(op, right, field)
                    if op in _ORDERED
                    else (values(right, field.kind, devices))
                )
        except NotUnderstood:
            return self._doubted(rule, left, negated, words)
        return self._compared(rule, field, wanted, negated, words)

    def _doubted(self, rule: Rule, key: Any, negated: bool, words: str) -> Test:
        """A test that may fit wherever what it looks at is there."""
        lookup = Lookup(self.terms(rule, key), Elements(), words, rule.span)
        self._outside(rule, words)
        return Unread(lookup, negated)

    def _compared(
        self, rule: Rule, field: Term, wanted: Ranges, negated: bool, words: str
    ) -> Compare:
        self._known(rule, field)
        if field.kind in BITS:
            unwanted = subtract(((0, (1 << 32) - 1),), wanted)
        else:
            unwanted = opposite(wanted, field.kind, self.around.devices)
        return Compare(field, wanted, unwanted, negated, words, rule.span)

    def _ordered(self, op: str, right: Any, field: Term) -> Ranges:
        if field.kind in DEVICE_KINDS:
            raise NotUnderstood(str(right))
        low, high = domain(field.kind, self.around.devices)[0]
        found = _ORDERED[op](number(right, field.kind, self.around.devices), low, high)
        return (found,) if found[0] <= found[1] else ()

    def terms(self, rule: Rule, key: Any) -> tuple[Term, ...]:
        """The fields of a key, one or several."""
        parts = key["concat"] if isinstance(key, dict) and "concat" in key else [key]
        found = tuple(term(part, self.around, expression_text(part)) for part in parts)
        for one in found:
            self._known(rule, one)
        return found

    def _known(self, rule: Rule, found: Term) -> None:
        if not found.known:
            message = f"what this looks at is not known here: {found.words[:200]}"
            self.notes.tell("listing-not-understood", "warning", message, rule.span)

    def _elements(
        self,
        rule: Rule,
        key: Any,
        elements: list[Any],
        negated: bool,
        words: str,
        named: bool = False,
    ) -> Test:
        terms = self.terms(rule, key)
        found = Lookup(terms, self._read(terms, elements, named, False), words, rule.span)
        if found.elements.strange:
            return self._doubted(rule, key, negated, found.words)
        kind, devices = terms[0].kind, self.around.devices
        single = found.elements.joined(kind, devices) if len(terms) == 1 else None
        if single is None:
            return Find(found, negated)
        return self._compared(rule, terms[0], single, negated, found.words)

    def _read(
        self, terms: tuple[Term, ...], said: list[Any], named: bool, with_data: bool
    ) -> Elements:
        kinds = tuple(term.kind for term in terms)
        if named:
            return self.reader.named(said, kinds, with_data)
        return self.reader.elements(said, kinds, with_data)

    def set_of(self, rule: Rule, name: str) -> Set | None:
        """A named set; a missing one is noted."""
        found = self.listing.sets.get((rule.family, rule.table, name))
        if found is None:
            message = f"the set {name[:60]} that this rule asks is not listed"
            self.notes.tell("listing-missing", "warning", message, rule.span)
        return found

    def title(self, found: Set) -> str:
        """What a condition calls a set: its name, with its table where another bears it too."""
        alike = [one for one in self.listing.sets if one[2] == found.name]
        return found.name if len(alike) == 1 else f"{found.family} {found.table} {found.name}"

    def _named(
        self, rule: Rule, key: Any, name: str, negated: bool, words: str, apart: str
    ) -> Test:
        found = self.set_of(rule, name)
        if found is None:
            return self._doubted(rule, key, negated, words)
        if found.living:
            lookup = Lookup(self.terms(rule, key), Elements(), words, rule.span)
            return Living(lookup, self.title(found), expression_text(key) + apart, negated)
        words += self._of_table(found)
        return self._elements(rule, key, found.elements, negated, words, named=True)

    def _of_table(self, found: Set) -> str:
        """What a condition says besides of a set whose name another bears, too."""
        return "" if self.title(found) == found.name else f" of {found.family} {found.table}"

    def vmap(self, rule: Rule, said: Any) -> Tests:
        lookup, living = self.map_lookup(rule, said, statement_text({"vmap": said}))
        for data in lookup.data:
            if verdict_of(data) is None:
                self._stranger(rule, {"vmap": data})
        return Tests((), lookup, living, expression_text(said["key"]))

    def map_lookup(self, rule: Rule, said: Any, words: str) -> tuple[Lookup, str]:
        """The look-up of a map, and its name if it is one that changes."""
        if len(said) > 2:
            raise NotUnderstood(words)
        key, data = said["key"], said["data"]
        words, living = words + self._drawn(rule, key), ""
        if isinstance(data, str) and data.startswith("@"):
            found = self.set_of(rule, data[1:])
            if found is None:
                raise NotUnderstood(data)
            elements, named = found.elements, True
            living = self.title(found) if found.living else ""
            words += self._of_table(found)
        else:
            elements, named = data["set"], False
        terms = self.terms(rule, key)
        lookup = Lookup(terms, self._read(terms, elements, named, True), words, rule.span)
        if lookup.elements.strange:
            raise NotUnderstood(lookup.elements.strange)
        return lookup, living

    # --- statements ------------------------------------------------------------------------------

    def counter(self, rule: Rule, said: Any) -> Operation | None:
        if isinstance(said, dict) and "map" in said:
            lookup, living = self.map_lookup(rule, said["map"], statement_text({"counter": said}))
            return Count("", lookup, living, expression_text(said["map"]["key"]))
        return Count(said) if isinstance(said, str) else None

    def dynamic(self, rule: Rule, said: Any) -> Test | None:
        """A rule that adds to a set goes on; statements within may stop it there, each of several
        by the condition that they all keep."""
        inside = said.get("stmt") or []
        inside = inside if isinstance(inside, list) else [inside]
        kinds = {kind: what for statement in inside for kind, what in statement.items()}
        if kinds.keys() - GAUGES - HARMLESS:
            raise NotUnderstood(str(said))
        for kind in ("limit", "ct count", "quota"):
            if kind in kinds:
                told: Kind = "quota" if kind == "quota" else "limit"
                return self._gauge(rule, told, kinds[kind], said)
        return None

    def flow(self, rule: Rule, said: Any) -> Test:
        """A conversation that begins can't be handed on yet, and so the rule ends there
        (nft_flow_offload.c)."""
        return Find(Lookup((), Elements(), statement_text({"flow": said}), rule.span), False)

    def limit(self, rule: Rule, said: Any) -> Test:
        return self._gauge(rule, "limit", said, said)

    def quota(self, rule: Rule, said: Any) -> Test:
        return self._gauge(rule, "quota", said, said)

    def _gauge(self, rule: Rule, kind: Kind, said: Any, whole: Any) -> Test:
        """A limit or quota, perhaps a named one, which should be listed. whole: what its statement
        says."""
        if isinstance(said, str) and (rule.family, rule.table, kind, said) not in self.objects:
            message = f"the {kind} {said[:60]} that this rule asks is not listed"
            self.notes.tell("listing-missing", "warning", message, rule.span)
        gauges = [one for one in rule.expr if one.keys() & GAUGING]
        at = next((n for n, one in enumerate(gauges) if whole in one.values()), 0)
        return Given(Condition(kind, f"{self._place(rule)}: {statement_text(gauges[at])}"))

    def mangle(self, rule: Rule, said: Any) -> Operation | None:
        key, value = said["key"], said["value"]
        ((what, where),) = key.items()
        name = where.get("key") if isinstance(where, dict) else None
        if what in ("ct", "meta") and name == "mark":
            return self._mark(rule, what == "ct", value)
        if what == "payload":
            return self._rewrite(rule, where, value)
        settled = {
            "meta": META,
            "ct": CONNTRACK - {"zone"},
        }  # a zone makes an entry before tracking
        if name is not None and name not in settled.get(what, ()):
            return self._stranger(rule, {"mangle": said})
        return Touch(expression_text(key), self._place(rule))

    def _mark(self, rule: Rule, conversation: bool, value: Any) -> Operation:
        if isinstance(value, dict) and "map" in value:
            words = statement_text({"mangle": {"key": "mark", "value": value}})
            lookup, living = self.map_lookup(rule, value["map"], words)
            key = expression_text(value["map"]["key"])
            return SetMark(conversation, None, ALL_BITS, self._place(rule), lookup, living, key)
        if not isinstance(value, int | dict):
            raise NotUnderstood(str(value))
        changes = changed_bits(value, "ct" if conversation else "meta")
        return SetMark(conversation, computed(value, self.around), changes, self._place(rule))

    def _rewrite(self, rule: Rule, where: Any, value: Any) -> Operation:
        """A field of the packet. What leads it elsewhere is not followed: addresses, ports, and the
        hops that are left, where it may have come to its last one."""
        protocol, field = where.get("protocol"), where.get("field")
        last = field in ("ttl", "hoplimit") and not (isinstance(value, int) and value > 1)
        if last or len(where) > 2 or field not in HEADERS.get(protocol, ()):
            return self._stranger(rule, {"mangle": {"key": {"payload": where}, "value": value}})
        return Touch(f"{protocol} {field}", self._place(rule))

    def reject(self, rule: Rule, said: Any) -> Operation:
        kind = said.get("type") if said else None
        code = said.get("expr") if said else None
        if kind == "tcp reset":
            return Reject("reset", protocol=6)
        manner: Manner = "prohibited" if code in PROHIBITED else "unreachable"
        if isinstance(code, int):
            prohibited = {"icmp": (9, 10, 13), "icmpv6": (1,), "icmpx": (3,)}.get(str(kind), ())
            manner = "prohibited" if code in prohibited else "unreachable"
        if kind not in (None, "icmp", "icmpv6", "icmpx"):
            raise NotUnderstood(str(kind))
        words = ""
        if kind is None:  # nft 1.0.6 leaves it out where it lost what stood beside it
            words = "reject is administratively prohibited"
            self._outside(rule, words)
        return Reject(manner, family={"icmp": 4, "icmpv6": 6}.get(str(kind)), words=words)

    def translate(self, kind: str, rule: Rule, said: Any) -> Operation:
        said = said or {}
        words = statement_text({kind: said or None})
        network = "prefix" in str(said.get("type_flags", ""))
        if network and (kind == "snat" or "map" not in str(said.get("addr"))):
            raise NotUnderstood(words)
        if kind == "dnat" and "random" in str(said.get("flags", "")):
            raise NotUnderstood(words)
        family = FAMILIES.get(said.get("family", rule.family))
        address, port = said.get("addr"), said.get("port")
        lookup, ports_only, living = None, False, ""
        for one in (port, address):
            if isinstance(one, dict) and "map" in one:
                lookup, living = self.map_lookup(rule, one["map"], words)
                ports_only = one is port
        if lookup is not None and address is not None and ports_only:
            raise NotUnderstood(words)
        devices = self.around.devices
        plain = (
            ()
            if address is None or (lookup and not ports_only)
            else (values(address, "ip" if family == 4 else "ip6", devices))
        )
        ports = values(port, "port", devices) if port is not None and not ports_only else ()
        shuffled = "random" in str(said.get("flags", ""))
        return Translate(kind, family, plain, ports, lookup, ports_only, living, words, shuffled)

    def proxy(self, rule: Rule, said: Any) -> Operation:
        words = statement_text({"tproxy": said})
        self._outside(rule, words)
        return Proxy(words)

    def elsewhere(self, kind: str, rule: Rule, said: Any) -> Operation:
        words = statement_text({kind: said})
        self._outside(rule, f"what becomes of it at: {words}")
        return Elsewhere(words)


def _behind(before: tuple[Test, ...], operation: Operation) -> Iterator[Operation]:
    """An operation and the tests before it."""
    if isinstance(operation, Tests):
        tests = (*before, *operation.tests)
        yield Tests(tests, operation.vmap, operation.living, operation.key)
        return
    if before:
        yield Tests(before)
    yield operation


def asked_of(listing: Listing) -> frozenset[Name]:
    """The sets and maps that some rule looks in; not those that rules only fill."""
    found: set[Name] = set()
    for chain in listing.chains.values():
        for rule in chain.rules:
            for statement in rule.expr:
                names = _names(statement)
                found.update((rule.family, rule.table, name) for name in names)
    return frozenset(found)


def _names(statement: Mapping[str, Any]) -> Iterator[str]:
    for one in walked(statement):
        for key in ("right", "data") if isinstance(one, dict) else ():
            name = one.get(key)
            if isinstance(name, str) and name.startswith("@"):
                yield name[1:]


def objects_of(listing: Listing) -> frozenset[tuple[str, str, str, str]]:
    """Family, table, kind and name of every other named object."""
    return frozenset((o.family, o.table, o.kind, o.name) for o in listing.objects)


def _of_conntrack(left: Any) -> bool:
    """Whether a test asks conntrack for the protocol."""
    return isinstance(left, dict) and {"ct"} == left.keys() and left["ct"].get("key") == "protocol"


def _hides_family(rule: Rule, at: int) -> bool:
    """Whether matches stand straight before a reset, and nothing in the rule shows a family (nft
    1.0.6 takes a match on it that nothing else needs for granted: stmt_reject_postprocess, tried on
    a kernel).
    """
    said = rule.expr[at]["reject"]
    resets = isinstance(said, dict) and said.get("type") == "tcp reset"
    listed = at > 0 and bool(rule.expr[at - 1].keys() & LISTED_BEFORE)
    return rule.family == "inet" and resets and not listed and not _shows_family(rule.expr)


def _shows_family(expr: Sequence[Mapping[str, Any]]) -> bool:
    """Whether something of a rule is there in one family alone, or asks for it."""
    return any(_of_family(one) for one in walked(list(expr)) if isinstance(one, dict))


def _of_family(one: Mapping[str, Any]) -> bool:
    payload, meta = one.get("payload"), one.get("meta")
    return (
        (isinstance(payload, dict) and payload.get("protocol") in ("ip", "ip6", "icmp", "icmpv6"))
        or (isinstance(meta, dict) and meta.get("key") in ("nfproto", "protocol"))
        or one.get("family") in ("ip", "ip6")
    )


def _verdict(kind: str) -> Callable[[Compiler, Rule, Any], Operation]:
    def made(compiler: Compiler, rule: Rule, said: Any) -> Operation:
        if kind not in ("jump", "goto"):
            return Verdict(kind)
        if not isinstance(said["target"], str):
            raise NotUnderstood(str(said))
        return Verdict(kind, said["target"])

    return made


def _translation(kind: str) -> Callable[[Compiler, Rule, Any], Operation]:
    return lambda compiler, rule, said: compiler.translate(kind, rule, said)


def _elsewhere(kind: str) -> Callable[[Compiler, Rule, Any], Operation]:
    return lambda compiler, rule, said: compiler.elsewhere(kind, rule, said)


_MAKERS: Mapping[str, Callable[[Compiler, Rule, Any], Operation | Test | None]] = {
    "match": Compiler.match,
    "vmap": Compiler.vmap,
    "counter": Compiler.counter,
    "limit": Compiler.limit,
    "quota": Compiler.quota,
    "ct count": Compiler.limit,
    "set": Compiler.dynamic,
    "map": Compiler.dynamic,
    "meter": Compiler.dynamic,
    "flow": Compiler.flow,
    "mangle": Compiler.mangle,
    "notrack": lambda compiler, rule, said: Untrack(),
    "reject": Compiler.reject,
    "tproxy": Compiler.proxy,
    "queue": _elsewhere("queue"),
    "synproxy": _elsewhere("synproxy"),
    "fwd": _elsewhere("fwd"),
    **{kind: _verdict(kind) for kind in ("accept", "drop", "return", "jump", "goto")},
    **{kind: _translation(kind) for kind in ("dnat", "snat", "masquerade", "redirect")},
}


def chains_named(expr: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """The chains that a rule leads to, by jump, goto or verdict map."""
    for statement in expr:
        for kind in ("jump", "goto"):
            said = statement.get(kind)
            if isinstance(said, dict):
                yield str(said.get("target", ""))
        said = statement.get("vmap")
        if isinstance(said, dict) and isinstance(said.get("data"), dict):
            elements = said["data"].get("set")
            for element in elements if isinstance(elements, list) else ():
                if isinstance(element, list) and len(element) == 2 and isinstance(element[1], dict):
                    yield from chains_named([element[1]])
