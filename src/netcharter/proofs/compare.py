"""Two charters, one universe: exactly which connections change their fate."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import zip_longest
from typing import Literal

from netcharter.plan.shapes import AreaPlan, LinePlan, Plan, Row
from netcharter.proofs.certify import NoAnswer, ProofFault, answered
from netcharter.proofs.names_compare import NamesComparison, compare_names
from netcharter.proofs.naming import exit_text
from netcharter.proofs.promises import CHOSEN
from netcharter.proofs.rows import Told, summarise
from netcharter.proofs.story import Connection, Teller, polish, row_name
from netcharter.proofs.universe import ABSENT, LINES, MOST_LED, WEIGHTS, Universe
from netcharter.space.checker import Checker, Unproven, check_disjoint, check_same, measure
from netcharter.space.model import Point, RawBox
from netcharter.space.partition import compare as compare_lists

Change = Literal["opened", "closed", "altered"]
KINDS: tuple[Change, ...] = ("opened", "closed", "altered")
Deciders = tuple[int | None, Hashable, int | None, Hashable]


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """Connections that change alike, as one row."""

    change: Change
    starter: str
    to: str
    service: str
    when: str
    count: int
    before: str
    after: str
    decided_before: str
    decided_after: str
    witness: Connection
    written: bool  # does a decision of the charter's own take part, before or after?

    def as_json(self) -> Mapping[str, object]:
        """The documented shape; the count is exact, as a decimal string."""
        return {
            "from": self.starter,
            "to": self.to,
            "service": self.service,
            "when": self.when,
            "count": str(self.count),
            "before": {"outcome": self.before, "decided_by": self.decided_before},
            "after": {"outcome": self.after, "decided_by": self.decided_after},
            "witness": self.witness.sentence,
            "connection": self.witness.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """`same` is proven. Totals are exact even where the listing is not `complete`: `complete` is
    proven by the checker, and it has counted the totals again then.

    A connection that changes in several line states counts once in a total; it stands in several
    rows where its line states are told apart. All that is about connections; `names` is about
    look-ups.
    """

    same: bool
    opened: tuple[ChangeRow, ...]
    closed: tuple[ChangeRow, ...]
    altered: tuple[ChangeRow, ...]
    totals: Mapping[Change, int]
    complete: bool
    moved: tuple[Moved, ...]
    names: NamesComparison


@dataclass(frozen=True, slots=True)
class Moved:
    """Something of the site itself that differs, whether or not a connection changes by it."""

    what: str
    before: str
    after: str

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {"what": self.what, "before": self.before, "after": self.after}


def moves(old: Plan, new: Plan) -> Iterator[Moved]:
    """Interfaces, roles and prefixes of areas and lines that differ: what to plug elsewhere."""
    if old.timezone != new.timezone:
        yield Moved("the site: time zone", old.timezone, new.timezone)
    for before, after in ((old.lines, new.lines), (old.areas, new.areas)):
        known = {thing.name: thing for thing in before}
        for thing in after:
            was = known.get(thing.name)
            if was is not None and _plugged(was) != _plugged(thing):
                yield Moved(f"{thing.name}: interface", _plugged(was), _plugged(thing))
    lines = {line.name: line for line in old.lines}
    for line in new.lines:
        earlier = lines.get(line.name)
        if earlier is not None:
            for what, a, b in (
                ("IPv4 addresses", _four(earlier), _four(line)),
                ("role", earlier.role, line.role),
                ("weight", earlier.weight, line.weight),
                ("next hop", earlier.next_hop4, line.next_hop4),
                ("next hop in IPv6", earlier.next_hop6, line.next_hop6),
                ("translator", earlier.translator, line.translator),
                ("largest packet", earlier.mtu, line.mtu),
                ("dialled by PPPoE as", earlier.pppoe, line.pppoe),
            ):
                if a != b:
                    yield Moved(f"{line.name}: {what}", str(a or "none"), str(b or "none"))
    yield from _exits(old, new)
    yield from _limits(old, new)
    yield from _leading(old, new)
    yield from _discovered(old, new)
    yield from _finished(old, new)


def _exits(old: Plan, new: Plan) -> Iterator[Moved]:
    """By which lines what leaves, one by one in their order, since the first that matches decides."""
    before, after = (list(map(exit_text, plan.charter.exits)) for plan in (old, new))
    for number, (a, b) in enumerate(zip_longest(before, after, fillvalue="none"), 1):
        if a != b:
            yield Moved(f"exit {number}", a, b)


def _leading(old: Plan, new: Plan) -> Iterator[Moved]:
    """By which names a place is known, where it is made of names in both."""
    before = {one.name: one.domains for one in old.by_names}
    for place in new.by_names:
        was = before.get(place.name, place.domains)
        if set(was) != set(place.domains):
            yield Moved(f"{place.name}: names", ", ".join(was), ", ".join(place.domains))


def _discovered(old: Plan, new: Plan) -> Iterator[Moved]:
    """What hosts of an area find in another one. Which areas may talk with the relay at all are
    connections."""
    before, after = _found(old), _found(new)
    for pair in {**before, **after}:
        was, now = (", ".join(one.get(pair, ())) for one in (before, after))
        if was != now:
            who, where = pair
            what = f"what hosts of {who} find in {where}"
            yield Moved(what, was or "nothing", now or "nothing")


def _found(plan: Plan) -> dict[tuple[str, str], list[str]]:
    """The service types by areas, sorted."""
    found: dict[tuple[str, str], set[str]] = {}
    for one in plan.discovery:
        for who in one.who:
            for where in one.where:
                known = found.setdefault((who.name, where.name), set())
                known |= {each.name for each in one.types}
    return {pair: sorted(types) for pair, types in found.items()}


def _limits(old: Plan, new: Plan) -> Iterator[Moved]:
    """What one source may do of an offer. An offer is known by what it offers, where and of whom:
    one that is new or gone is told by what it opens or closes."""
    before, after = _limited(old), _limited(new)
    for known, (name, limit) in after.items():
        was = before.get(known, (name, limit))[1]
        if was != limit:
            yield Moved(f"{name}: limit per source", was, limit)


def _limited(plan: Plan) -> dict[Hashable, tuple[str, str]]:
    """By offer, its name and its limit in words."""
    said = {row.charter_index: str(row.limit) for row in plan.rows if row.limit is not None}
    return {
        (one.services, one.lines, one.to, one.at, one.address, one.who): (
            one.name,
            said.get(n, "none"),
        )
        for n, one in enumerate(plan.charter.offers)
    }


def _finished(old: Plan, new: Plan) -> Iterator[Moved]:
    """What becomes of conversations that are open when the time of a rule or an offer is over, or
    begins for one that refuses. One is known by all that it says of new ones; of several that say the
    same the first is compared with the first."""
    before, after = _finishing(old), _finishing(new)
    for known, said in after.items():
        for (_, was), (name, now) in zip(before.get(known, ()), said, strict=False):
            if was != now:
                yield Moved(f"{name}: what is open at the bell", was, now)


def _finishing(plan: Plan) -> dict[Hashable, list[tuple[str, str]]]:
    """By what a rule or an offer says of new conversations: its name, and what becomes of open ones."""
    found: dict[Hashable, list[tuple[str, str]]] = {}
    seen: set[tuple[bool, int]] = set()
    for row in plan.rows:
        number = row.charter_index
        which = (row.kind == "offer", -1 if number is None else number)
        if number is None or row.kind not in ("rule", "emergency", "offer") or which in seen:
            continue
        seen.add(which)
        said = plan.charter.offers[number] if which[0] else plan.charter.rules[number]
        bare = replace(said, name="", because=None, contact=None, let_finish=None)
        found.setdefault(bare, []).append((said.name, _at_the_bell(row)))
    return found


def _at_the_bell(row: Row) -> str:
    if row.finishing is None:
        return "is cut"
    until = row.finishing.until if row.let else None
    return f"goes on, until {until}" if until else "goes on"


def _four(line: LinePlan) -> str:
    """In their order: what leaves is hidden behind the first."""
    return ", ".join(str(one) for one in line.held if one.version == 4)


def _plugged(part: LinePlan | AreaPlan) -> str:
    return part.ethernet if isinstance(part, LinePlan) else part.device


@dataclass(frozen=True, slots=True)
class Changes:
    """Every difference as disjoint boxes of one universe, with what decides them before and after.

    `totals` are exact; the boxes are all there are if `complete`. The checkers hold both lists.
    """

    universe: Universe
    checkers: tuple[Checker, Checker]
    pieces: Mapping[Change, list[tuple[RawBox, Deciders]]]
    totals: Mapping[Change, int]
    complete: bool
    same: bool


def compare(old: Plan, new: Plan, now: datetime, limit: int = 4000) -> Comparison:
    """Every connection whose outcome differs between two plans, and every look-up, from `now` on.

    `limit` bounds the exact boxes that are looked at for the listing, per kind of change.
    """
    with answered():
        found = changes(old, new, now, limit)
    opened, closed, altered = (
        tuple(_told(found.universe, found.checkers, change, found.pieces[change]))
        for change in KINDS
    )
    moved, names = tuple(moves(old, new)), compare_names(old, new, now)
    return Comparison(
        found.same, opened, closed, altered, found.totals, found.complete, moved, names
    )


def changes(old: Plan, new: Plan, now: datetime, limit: int) -> Changes:
    """The exact differences, re-checked by the independent checker: each box of them, and that
    they are all. What it cannot judge within its bounds is not `complete`.

    Raises ProofFault if something does not stand up to it, or if nothing is said to change and it
    cannot judge that.
    """
    universe = Universe((old, new), now)
    if len(universe.led) > MOST_LED:
        raise NoAnswer(
            f"together the charters have {len(universe.led)} places that are made of names, and only "
            f"{MOST_LED} can be told apart"
        )
    lists = (universe.rules(0), universe.rules(1))
    checkers = (Checker(lists[0]), Checker(lists[1]))
    found = compare_lists(*lists, count_weights=WEIGHTS)
    pieces: dict[Change, list[tuple[RawBox, Deciders]]] = {change: [] for change in KINDS}
    counts = found.counts(lambda outcomes: _change(*outcomes))
    complete = True
    for (a, b), part in found.parts.items():
        change = _change(a, b)
        if change is None:
            continue
        complete = complete and part.complete(limit)
        for row in part.rows(limit):
            before = checkers[0].decided(row.box, row.rule_a, a)
            if not before or not checkers[1].decided(row.box, row.rule_b, b):
                raise ProofFault("a listed difference does not stand up to the checker")
            pieces[change].append((row.box, (row.rule_a, a, row.rule_b, b)))
    totals = {change: counts.get(change, 0) for change in KINDS}
    same = not any(totals.values())
    counted = _counted(pieces, totals, complete)
    complete = complete and counted and _nothing_else(checkers, pieces)
    if same and not complete:
        raise ProofFault("that nothing changes is too much work to check again")
    return Changes(universe, checkers, pieces, totals, complete, same)


def _counted(
    pieces: Mapping[Change, list[tuple[RawBox, Deciders]]],
    totals: Mapping[Change, int],
    complete: bool,
) -> bool:
    """Re-check the totals and that no box overlaps another; False if that is too much work."""
    boxes = {change: [box for box, _ in listed] for change, listed in pieces.items()}
    try:
        if not check_disjoint([box for listed in boxes.values() for box in listed]):
            raise ProofFault("listed differences overlap")
        for change, listed in boxes.items():
            held = measure([box[:LINES] for box in listed])  # line states do not count apart
            if held > totals[change] or (complete and held < totals[change]):
                raise ProofFault("a total of a comparison does not stand up to the checker")
    except Unproven:
        return False
    return True


def _nothing_else(
    checkers: tuple[Checker, Checker], pieces: Mapping[Change, list[tuple[RawBox, Deciders]]]
) -> bool:
    """Re-check that nothing changes but what is listed; False if that is too much work."""
    boxes = [box for listed in pieces.values() for box, _ in listed]
    one, other = (checker.rules for checker in checkers)
    try:
        if not check_same(one, other, except_=boxes, alike=_alike):
            raise ProofFault("something changes that is not listed")
    except Unproven:
        return False
    return True


def _told(
    universe: Universe,
    checkers: tuple[Checker, Checker],
    change: Change,
    pieces: list[tuple[RawBox, Deciders]],
) -> Iterator[ChangeRow]:
    rows: list[tuple[int, Told]] = []
    for side in (0, 1):
        mine = [(box, deciders) for box, deciders in pieces if _side(change, deciders) == side]
        rows += [(side, row) for row in summarise(universe, mine, side)]
    for side, row in sorted(rows, key=lambda pair: -pair[1].count):
        yield _row(universe, checkers, change, side, row)


def _side(change: Change, deciders: Deciders) -> int:
    """In whose words a change is told: the plan's that lets it, else the new one's if it can."""
    return 0 if change == "closed" or deciders[2] is None else 1


def _row(
    universe: Universe,
    checkers: tuple[Checker, Checker],
    change: Change,
    side: int,
    told: Told,
) -> ChangeRow:
    assert isinstance(told.key, tuple)
    rule_a, before, rule_b, after = told.key
    deciders = [_decider(universe, n, rule) for n, rule in enumerate((rule_a, rule_b))]
    smallest: Point = tuple(values[0][0] for values in told.sample)
    point = polish(universe, checkers[side], smallest, [told.sample], side)
    for checker, rule, outcome in zip(checkers, (rule_a, rule_b), (before, after), strict=True):
        if not checker.witness(point, rule, outcome):
            raise ProofFault("the witness of a difference does not stand up to the checker")
    shown = deciders[side]
    assert shown is not None
    return ChangeRow(
        change,
        told.starter,
        told.to,
        told.service,
        told.when,
        told.count,
        _outcome(before),
        _outcome(after),
        _named(deciders[0]),
        _named(deciders[1]),
        Teller(universe, side).connection(point, shown),
        any(row is not None and row.kind in CHOSEN for row in deciders),
    )


def _let(outcome: Hashable) -> bool:
    return isinstance(outcome, tuple) and outcome[0] == "let"


def _change(a: Hashable, b: Hashable) -> Change | None:
    """None where nothing was let and nothing is: what did not exist before is refused now."""
    if _let(a) != _let(b):
        return "opened" if _let(b) else "closed"
    return None if ABSENT in (a, b) else "altered"


def _alike(a: Hashable, b: Hashable) -> bool:
    return a == b or _change(a, b) is None


def _named(row: Row | None) -> str:
    return row_name(row) if row else "nobody: there is no such place"


def _decider(universe: Universe, number: int, rule: int | None) -> Row | None:
    return None if rule is None else universe.plans[number].rows[rule]


def _outcome(outcome: Hashable) -> str:
    """An outcome in words."""
    assert isinstance(outcome, tuple)
    if outcome[0] == "absent":
        return "absent"
    if outcome[0] == "refused":
        return f"refused, {outcome[1]}"
    return "let" if len(outcome) == 1 else f"let, delivered to {outcome[1]}"
