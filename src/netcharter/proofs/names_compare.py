"""Which look-ups fare otherwise by another charter: exactly, for every name, asker and hour.

Names that gain an answer or lose it, and those that are answered otherwise. What a list holds whose
contents are not told apart is a condition of a row: "if the list games names it". Where two charters
have the same list with other contents, a name may be in the one and not in the other.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from typing import Literal

from netcharter.plan.fate import in_force
from netcharter.plan.names.deciding import Asker, Holds, decide
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.shapes import NamesRow
from netcharter.plan.shapes import Plan, When
from netcharter.plan.terms import device_addresses
from netcharter.proofs.certify import ProofFault, answered
from netcharter.proofs.names_space import (
    ABSENT,
    AREA,
    ASKER,
    LISTS,
    NAME,
    TIME,
    NamesSpace,
    Node,
    single,
)
from netcharter.proofs.names_words import Row, Words
from netcharter.proofs.naming import Naming
from netcharter.proofs.why_name import OUTCOMES, name_row
from netcharter.space.checker import Checker, Unproven, check_same
from netcharter.space.model import Point, RawBox
from netcharter.space.partition import compare
from netcharter.space.ranges import full, has

Change = Literal["answered", "withheld", "altered"]
KINDS: tuple[Change, ...] = ("answered", "withheld", "altered")
ANSWERS = ("answer", "local", "rewrite")
WRITTEN = ("rule", "emergency")
PARTS = ("names", "areas", "devices", "hours", "timezone")  # of a plan, by which names are decided
MOST = 500  # boxes of one change that are looked at for the listing
LOOKED_AT = 200  # entries of a list among which a name is looked for that shows a change
Key = tuple[int, Hashable, int, Hashable]


@dataclass(frozen=True, slots=True)
class NamesChange:
    """Look-ups that change alike, as one row; words as `names_words` has them. to_before, to_after:
    whose answers are given; written: does a names rule take part, before or after?"""

    change: Change
    who: str
    name: str
    when: str
    before: str
    after: str
    to_before: str | None
    to_after: str | None
    decided_before: str
    decided_after: str
    witness: str
    written: bool

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {
            "change": self.change,
            "from": self.who,
            "name": self.name,
            "when": self.when,
            "before": {
                "outcome": self.before,
                "to": self.to_before,
                "decided_by": self.decided_before,
            },
            "after": {
                "outcome": self.after,
                "to": self.to_after,
                "decided_by": self.decided_after,
            },
            "witness": self.witness,
        }


@dataclass(frozen=True, slots=True)
class NamesComparison:
    """rows: all there are, if `complete`, which the checker has proven then."""

    rows: tuple[NamesChange, ...] = ()
    complete: bool = True


def compare_names(old: Plan, new: Plan, now: datetime) -> NamesComparison:
    """Every look-up that is answered otherwise by the new plan, from `now` on; areas that only one
    of them has are left aside. A list that both fetch from the same place, and of which only one was
    told what it holds, holds that for the other. Raises NoAnswer."""
    old, new = _as_told(old, new), _as_told(new, old)
    if all(getattr(old, part) == getattr(new, part) for part in PARTS):
        return NamesComparison()
    space = NamesSpace((old, new), now)
    with answered():
        boxes, complete = differences(space)
    telling = _Telling(space)
    rows = [telling.told(row) for row in Words(space).rows(boxes)]
    return NamesComparison(tuple(sorted(rows, key=lambda row: KINDS.index(row.change))), complete)


def _as_told(one: Plan, other: Plan) -> Plan:
    """A plan with what the other was told of lists that both fetch: what they hold is no matter of a
    charter, and a gateway has one text of each."""
    lists = dict(one.names.lists)
    for name, found in lists.items():
        known = other.names.lists.get(name)
        same = known is not None and known.said.source == found.said.source is not None
        if found.text is None and known is not None and same:
            read = known if known.said == found.said else replace(known, said=found.said)
            lists[name] = read  # one that has been read is not read again, if it can be helped
    return replace(one, names=replace(one.names, lists=lists))


def differences(space: NamesSpace) -> tuple[list[tuple[RawBox, Key]], bool]:
    """Disjoint boxes of what is decided otherwise by the second plan of a space, each with who decides
    it and how, before and after; and whether they are all. Raises ProofFault where the checker says
    otherwise."""
    rules = space.rules(0), space.rules(1)
    checkers = Checker(rules[0]), Checker(rules[1])
    boxes: list[tuple[RawBox, Key]] = []
    complete = True
    for (before, after), part in compare(*rules).parts.items():
        if ABSENT in (before, after):
            continue
        complete = complete and part.complete(MOST)
        for row in part.rows(MOST):
            assert row.rule_a is not None and row.rule_b is not None
            sure = checkers[0].decided(row.box, row.rule_a, before)
            if not sure or not checkers[1].decided(row.box, row.rule_b, after):
                raise ProofFault("a difference about names does not stand up to the checker")
            boxes.append((row.box, (row.rule_a, before, row.rule_b, after)))
    try:
        if complete and not check_same(*rules, except_=[box for box, _ in boxes], alike=_alike):
            raise ProofFault("a look-up changes that is not listed")
    except Unproven:
        complete = False
    return boxes, complete


class _Telling:
    """Differences of two plans in one space, as rows with witnesses."""

    def __init__(self, space: NamesSpace) -> None:
        self.space = space
        self.finders = tuple(Finder(plan.names) for plan in space.plans)

    def told(self, row: Row) -> NamesChange:
        assert isinstance(row.key, tuple)
        rule_a, (before, to_before), rule_b, (after, to_after) = row.key
        deciders = [self.space.plans[n].names.rows[rule] for n, rule in enumerate((rule_a, rule_b))]
        return NamesChange(
            change=_change(before, after),
            who=row.who,
            name=row.name,
            when=row.when,
            before=OUTCOMES[before],
            after=OUTCOMES[after],
            to_before=to_before,
            to_after=to_after,
            decided_before=name_row(deciders[0]),
            decided_after=name_row(deciders[1]),
            witness=self._witness(row.sample, deciders),
            written=any(one.kind in WRITTEN for one in deciders),
        )

    def _witness(self, box: RawBox, deciders: list[NamesRow]) -> str:
        """One such look-up as a sentence, decided once more one by one; where it takes a list that
        nobody has told yet, no name can be named."""
        point = self._point(box)
        area = self.space.areas[point[AREA]]
        device = self.space.askers[point[ASKER]]
        moment = self.space.times[point[TIME]].earliest
        name = self._asked(box, point, deciders)
        who = f"{device} in {area}" if device else f"a host in {area}"
        when = Naming(self.space.plans[1]).instant_text(moment)
        before, after = (
            OUTCOMES[row.action] + (f" as {row.to}" if row.to else "") for row in deciders
        )
        return f"{who} asks for {name} on {when}: {before} before, {after} after."

    def _asked(self, box: RawBox, point: Point, deciders: list[NamesRow]) -> str:
        """A name of a box. Raises ProofFault where it is decided otherwise than by these."""
        bits = dict(zip(self.space.opaque, box[LISTS:], strict=True))
        root = self.space.tree.root
        own = _name(root, point[NAME])
        if self._decided_by(point, own, deciders):
            return own or "the root of all names"
        if all(bit == full(2) for bit in bits.values()):
            raise ProofFault(f"{own} is not decided by {deciders[0].label} and {deciders[1].label}")
        for name in self._listed([known for known, bit in bits.items() if bit == single(1)]):
            if has(box[NAME], number_of(root, name)) and self._decided_by(point, name, deciders):
                return name
        return (
            "a name of which that is so" if has(box[NAME], root.high) else f"{own}, if that is so,"
        )

    def _listed(self, wanted: list[str]) -> Iterator[str]:
        """Some names of some lists whose entries are not told apart."""
        for number, plan in enumerate(self.space.plans):
            for name, one in plan.names.lists.items():
                if one.entries is not None and self.space.known_as(number, name) in wanted:
                    yield from (entry.name for entry in islice(one.entries, LOOKED_AT))

    def _point(self, box: RawBox) -> Point:
        """One of a box that exists: in its first area that has one of its askers."""
        root = self.space.tree.root
        for low, high in box[AREA]:
            for place in range(low, high + 1):
                there = self.space.there[self.space.areas[place]]
                for asker in there:
                    if has(box[ASKER], asker):
                        name = root.high if has(box[NAME], root.high) else box[NAME][0][0]
                        bits = (part[0][0] for part in box[LISTS:])
                        return (place, asker, box[TIME][0][0], name, *bits)
        raise ProofFault("a difference about names has no look-up")

    def _decided_by(self, point: Point, name: str, deciders: list[NamesRow]) -> bool:
        """Whether these decide a look-up, by code that knows no boxes."""
        area, device = self.space.areas[point[AREA]], self.space.askers[point[ASKER]]
        moment = self.space.times[point[TIME]].earliest
        found = (
            decide(plan.names, _asker(plan, area, device), name, "A", _holds(plan, moment), finder)
            for plan, finder in zip(self.space.plans, self.finders, strict=True)
        )
        return [one.met.row.index for one in found] == [row.index for row in deciders]


def _asker(plan: Plan, area: str, device: str) -> Asker:
    known = next((one for one in plan.devices if one.name == device), None)
    addresses = () if known is None else device_addresses(known)
    return Asker(area, addresses[0][0] if addresses else None)


def _holds(plan: Plan, moment: datetime) -> Holds:
    return lambda during, until: in_force(plan, When(during, until), moment)


def _change(before: str, after: str) -> Change:
    has, had = after in ANSWERS, before in ANSWERS
    if has == had:
        return "altered"
    return "answered" if has else "withheld"


def _alike(before: Hashable, after: Hashable) -> bool:
    return before == after or ABSENT in (before, after)


def _name(node: Node, number: int) -> str:
    """A name for a number of the tree."""
    for one in node.below.values():
        if one.low <= number <= one.high:
            return _name(one, number)
    if number == node.low:
        return node.name
    label = next(label for label in _labels(node.name) if label not in node.below)
    return f"{label}.{node.name}" if node.name else f"www.example.{label}"


def number_of(node: Node, name: str) -> int:
    """The number of a name in the tree."""
    for label in reversed(name.split(".")) if name else ():
        if label not in node.below:
            return node.high
        node = node.below[label]
    return node.low


def _labels(above: str) -> Iterator[str]:
    """For names that nobody has said; RFC 2606 reserves some to stand for any."""
    yield from ("www", "mail") if above else ("org", "net", "com")
    yield from (f"a{number}" for number in range(1 << 30))
