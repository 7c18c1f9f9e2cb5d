"""Exact answers about one ordered rule list, each with its certificate.

Every question is brought to one form: *within this box, is there a point whose first match among
`targets` and `blockers` is a target?* A rule never decides if its own boxes, as targets, are never
reached past the earlier rules. A rule can go alone if, from its boxes, no entry with another outcome
is reached past the earlier rules and the later ones that agree with it. A promise is broken if an
entry it forbids is reached. For one target the question is whether its box is covered by the
blockers before it: a containment test settles most that are covered, a greedy search for a point
most that are not, and `netcharter.space.cover` decides the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Sequence
from dataclasses import dataclass, replace

from netcharter.space.bits import bits, lowest
from netcharter.space.cover import Answer, Masks, OverBudget, cover
from netcharter.space.index import FieldIndex
from netcharter.space.model import (
    Covered,
    Point,
    RawBox,
    RuleList,
    Undecided,
    Verdict,
    Witness,
)
from netcharter.space.outside import outside
from netcharter.space.partition import Share, share
from netcharter.space.ranges import has

BUDGET = 10_000_000
"""Steps of work allowed for one cover question; the published hostile families need far fewer."""


@dataclass(slots=True)
class _Box:
    """A box as masks. `over` has at least the bits of all boxes that overlap it in a field,
    `inside` only bits of boxes that contain it in a field; for boxes of named sets both are exact.
    """

    masks: Masks
    over: list[int]
    inside: list[int]

    def meet(self, other: _Box) -> _Box:
        return _Box(
            [a & b for a, b in zip(self.masks, other.masks, strict=True)],
            [a & b for a, b in zip(self.over, other.over, strict=True)],
            [a | b for a, b in zip(self.inside, other.inside, strict=True)],
        )


@dataclass(slots=True)
class _Question:
    """Is a target (or, with `default`, no entry at all) the first match somewhere in `box`?"""

    box: _Box
    targets: int
    blockers: int
    default: bool


@dataclass(slots=True)
class _Hit:
    target: int | None
    gap: Masks


class Engine:
    """Answers about `rules`. Sets of later questions may be given as `named` at once, which spares
    a refinement each. `budget` bounds the work on one question; beyond it, `Undecided`.
    """

    def __init__(
        self, rules: RuleList, *, budget: int = BUDGET, named: Sequence[RawBox] = ()
    ) -> None:
        self.rules = rules
        self._budget = budget
        beyond = outside(rules.fields, rules.universe)
        self._outside = (1 << len(beyond)) - 1
        self._offset = len(beyond)
        boxes = [*beyond, *(entry.box for entry in rules.entries)]
        extra = [*rules.universe, *named]
        self._index = [
            FieldIndex(field.size, [box[f] for box in boxes], {box[f] for box in extra})
            for f, field in enumerate(rules.fields)
        ]
        self._every = (1 << len(boxes)) - 1
        self._spans: dict[int, tuple[int, int]] = {}
        for bit, entry in enumerate(rules.entries, len(beyond)):
            low, high = self._spans.get(entry.rule, (bit, bit))
            if high != bit:
                raise ValueError(f"the entries of rule {entry.rule} do not stand together")
            self._spans[entry.rule] = (low, bit + 1)
        self._place = {rule: at for at, rule in enumerate(self._spans)}
        self._outcomes = self._by_outcome()
        sets = [len(index.masks) for index in self._index]
        self._order = sorted(range(len(sets)), key=lambda f: -sets[f])
        self._boxes: dict[int, _Box] = {}
        self._alive: dict[int, Answer] = {}

    # ---- the questions ----

    def rule_numbers(self) -> tuple[int, ...]:
        """All rule numbers, in order of precedence."""
        return tuple(self._spans)

    def first(self, point: Point) -> tuple[int | None, Hashable]:
        """Which rule decides one point (None: the default), and how. Linear; takes raw values."""
        for entry in self.rules.entries:
            if all(has(values, value) for values, value in zip(entry.box, point, strict=True)):
                return entry.rule, entry.outcome
        return None, self.rules.default

    def dead(self) -> dict[int, Verdict]:
        """Per rule: Covered by a minimal core of earlier rules if it never decides, or a Witness."""
        return {rule: self.dead_rule(rule) for rule in self._spans}

    def dead_rule(self, rule: int) -> Verdict:
        """As `dead`, of one rule. Raises KeyError for an unknown one."""
        return self._guarded(self._dead_rule, rule)

    def redundant(self) -> dict[int, Verdict]:
        """Per rule: Covered if removing it, alone, changes no outcome, or else a Witness that it
        decides, with what the outcome would be without it as `instead`.

        The core is a minimal set of rules that make it superfluous: with these rules and every later
        entry of another outcome in place, its points still come out the same.
        """
        return {rule: self.redundant_rule(rule) for rule in self._spans}

    def redundant_rule(self, rule: int) -> Verdict:
        """As `redundant`, of one rule. Raises KeyError for an unknown one."""
        return self._guarded(self._redundant_rule, rule)

    def covered(self, boxes: Sequence[RawBox], by: Sequence[int] | None = None) -> Verdict:
        """Whether all of `boxes` within the universe is matched by the rules `by` (all if None)."""
        return self._guarded(self._covered, boxes, by)

    def decided(
        self, query: Sequence[RawBox], accept: Callable[[int | None, Hashable], bool]
    ) -> Verdict:
        """Whether some point of `query` is decided by (rule or None, outcome) that `accept` takes.

        A Witness if so. Covered if not: the core is a minimal set of rules whose other entries
        already shield every accepted one.
        """
        return self._guarded(self._decided, query, accept)

    def effective(self, rule: int, limit: int = 200) -> Share:
        """The part of a rule it really decides: exact count and at most `limit` disjoint boxes.

        Raises KeyError for an unknown rule, OverBudget if it is too intricate to count.
        """
        return share(self.rules, rule, limit=limit)

    def reached(self, query: Sequence[RawBox], wanted: Collection[int]) -> Verdict:
        """`decided` for the whole rules `wanted`: whether one of them decides a point of `query`."""
        return self._guarded(self._reached, query, wanted)

    def overlapping(self, rule: int) -> tuple[int, ...]:
        """The other rules that share a point with this one, existing or not, in order."""
        found: set[int] = set()
        for bit in range(*self._spans[rule]):
            found |= {self._rule(b) for b in bits(self._over(self._box(bit)) & ~self._outside)}
        return tuple(sorted(found - {rule}, key=self._place.__getitem__))

    # ---- how they become reach questions ----

    def _dead_rule(self, rule: int) -> Verdict:
        low, high = self._spans[rule]
        questions: list[_Question] = []
        used = 0
        for bit in range(low, high):
            answer = self._entry_alive(bit)
            if not isinstance(answer, int):
                return Witness(self._point(answer), rule, self._outcome(bit))
            used |= answer
            questions.append(_Question(self._box(bit), 1 << bit, (1 << low) - 1, False))
        return Covered(self._core(questions, used, rule))

    def _redundant_rule(self, rule: int) -> Verdict:
        low, high = self._spans[rule]
        questions: list[_Question] = []
        used = 0
        for bit in range(low, high):
            found = self._superfluous(bit, high)
            if isinstance(found, Witness):
                return found
            questions.append(found[0])
            used |= found[1]
        return Covered(self._core(questions, used, rule))

    def _superfluous(self, bit: int, end: int) -> Witness | tuple[_Question, int]:
        """A point where dropping this entry's rule (which ends before bit `end`) matters, or the
        question whether there is one, and what was used to deny it."""
        outcome, box = self._outcome(bit), self._box(bit)
        default = self.rules.default != outcome
        earlier, later = (1 << bit) - 1, self._every & ~((1 << end) - 1)
        agreeing = later & self._outcomes[outcome]
        question = _Question(box, later & ~agreeing, earlier | agreeing, default)
        alive = self._entry_alive(bit)
        if isinstance(alive, int):
            return question, alive
        found = self._matters(bit, end, alive)
        if found:
            return found
        overlapping = self._over(box)
        first = overlapping & question.targets
        if not first and not default:
            return question, 0
        safe = earlier | (agreeing & ((first & -first) - 1) if first else agreeing)
        inside = self._inside(box) & safe
        if inside:
            return question, 1 << lowest(inside)
        gap = self._greedy(box, overlapping & question.blockers)
        if gap:
            found = self._matters(bit, end, gap)
            if found:
                return found
        answer = self._reach(question)
        if isinstance(answer, int):
            return question, answer
        found = self._matters(bit, end, answer.gap)
        if not found:
            raise AssertionError("a reached entry of another outcome must change the outcome")
        return found

    def _matters(self, bit: int, end: int, gap: Masks) -> Witness | None:
        """Whether the smallest point of a gap, decided by entry `bit`, changes without its rule."""
        point = self._point(gap)
        matching = self._every & ~((1 << end) - 1)
        for index, mask in zip(self._index, gap, strict=True):
            matching &= index.holders[index.smallest(mask)]
        heir = lowest(matching) if matching else None
        instead = self.rules.default if heir is None else self._outcome(heir)
        outcome = self._outcome(bit)
        if instead == outcome:
            return None
        return Witness(point, self._rule(bit), outcome, instead, self._heir(heir))

    def _heir(self, bit: int | None) -> int | None:
        return None if bit is None else self._rule(bit)

    def _covered(self, boxes: Sequence[RawBox], by: Sequence[int] | None) -> Verdict:
        blockers = self._outside
        for rule in self._spans if by is None else by:
            blockers |= self._rule_bits(rule)
        questions = [_Question(box, 0, blockers, True) for box in self._resolved(boxes)]
        return self._answer(questions)

    def _decided(
        self, query: Sequence[RawBox], accept: Callable[[int | None, Hashable], bool]
    ) -> Verdict:
        targets = 0
        taken: dict[tuple[int, Hashable], bool] = {}
        for bit, entry in enumerate(self.rules.entries, self._offset):
            key = (entry.rule, entry.outcome)
            if key not in taken:
                taken[key] = accept(*key)
            if taken[key]:
                targets |= 1 << bit
        default = accept(None, self.rules.default)
        others = self._every & ~targets
        return self._answer(
            [_Question(box, targets, others, default) for box in self._resolved(query)]
        )

    def _reached(self, query: Sequence[RawBox], wanted: Collection[int]) -> Verdict:
        targets = 0
        for rule in wanted:
            targets |= self._rule_bits(rule)
        others = self._every & ~targets
        questions = [_Question(box, targets, others, False) for box in self._resolved(query)]
        return self._answer(questions, whole=True)

    def _answer(self, questions: list[_Question], whole: bool = False) -> Verdict:
        """`whole`: every entry is a target or a blocker, so a target that is reached decides."""
        used = 0
        for question in questions:
            answer = self._reach(question)
            if isinstance(answer, _Hit):
                point = self._point(answer.gap)
                if whole and answer.target is not None:
                    return Witness(point, self._rule(answer.target), self._outcome(answer.target))
                return Witness(point, *self.first(point))
            used |= answer
        return Covered(self._core(questions, used, None))

    def _guarded(self, method: Callable[..., Verdict], *arguments: object) -> Verdict:
        try:
            return method(*arguments)
        except OverBudget:
            return Undecided(f"more than {self._budget} steps of work")

    # ---- reach, and the cores ----

    def _reach(self, question: _Question) -> int | _Hit:
        """The first target reached, or the bits used to show that none is."""
        box, used = question.box, 0
        either = question.targets | question.blockers
        if not all(box.masks):
            return 0
        for target in bits(self._over(box) & question.targets):
            part = box.meet(self._box(target))
            answer = self._gap(part, either & ((1 << target) - 1))
            if not isinstance(answer, int):
                return _Hit(target, answer)
            used |= answer
        if question.default:
            answer = self._gap(box, either)
            if not isinstance(answer, int):
                return _Hit(None, answer)
            used |= answer
        return used

    def _core(self, questions: list[_Question], used: int, own: int | None) -> tuple[int, ...]:
        """A minimal set of rules that still answers every question with no."""
        single = self._single(questions)
        if single is not None:
            used = self._rule_bits(single)
        rules = {self._rule(bit) for bit in bits(used & ~self._outside)} - {own}
        core = sorted(rules, key=self._place.__getitem__)
        always = self._outside | (0 if own is None else self._rule_bits(own))
        if len(core) == 1:
            alone = [replace(one, blockers=one.blockers & always) for one in questions]
            needed = any(isinstance(self._reach(one), _Hit) for one in alone)
            return tuple(core) if needed else ()
        for rule in reversed(list(core)):
            others = always
            for kept in core:
                if kept != rule:
                    others |= self._rule_bits(kept)
            if not self._needed(questions, self._rule_bits(rule), others):
                core.remove(rule)
        return tuple(core)

    def _single(self, questions: list[_Question]) -> int | None:
        """The first rule that, by containment, settles every question alone."""
        common: set[int] | None = None
        filled = [question for question in questions if all(question.box.masks)]
        for question in filled:
            reached = self._over(question.box) & question.targets
            before = (reached & -reached) - 1 if reached else -1
            inside = self._inside(question.box) & question.blockers & before & ~self._outside
            if len(filled) == 1:
                return self._rule(lowest(inside)) if inside else None
            found = {self._rule(bit) for bit in bits(inside)}
            common = found if common is None else common & found
            if not common:
                return None
        return min(common, key=self._place.__getitem__) if common else None

    def _needed(self, questions: list[_Question], rule_bits: int, others: int) -> bool:
        """Whether without these bits, but with `others`, some question becomes yes."""
        for question in questions:
            box = question.box
            if not all(box.masks):
                continue
            for bit in bits(self._over(box) & question.blockers & rule_bits):
                part = box.meet(self._box(bit))
                if all(part.masks):
                    blockers = question.blockers & others
                    trial = _Question(part, question.targets, blockers, question.default)
                    if isinstance(self._reach(trial), _Hit):
                        return True
        return False

    def _entry_alive(self, bit: int) -> Answer:
        """A gap in which entry `bit` decides, or the bits before it that cover it."""
        known = self._alive.get(bit)
        if known is None:
            known = self._alive[bit] = self._gap(self._box(bit), (1 << bit) - 1)
        return known

    # ---- one box, one set of blockers ----

    def _gap(self, box: _Box, blockers: int) -> Answer:
        if not all(box.masks):
            return 0
        inside = blockers & self._inside(box)
        if inside:
            return 1 << lowest(inside)
        candidates = blockers & self._over(box)
        if not candidates:
            return box.masks
        found = self._greedy(box, candidates)
        if found:
            return found
        columns = [index.box_masks for index in self._index]
        holders = [index.holders for index in self._index]
        return cover(box.masks, bits(candidates), columns, holders, self._budget)

    def _greedy(self, box: _Box, candidates: int) -> Masks | None:
        """A gap by picking in each field, of a few atoms, the one the fewest candidates hold."""
        gap = list(box.masks)
        loose: list[tuple[int, int]] = []
        for f, mask in enumerate(gap):
            if mask & (mask - 1):
                escapable = candidates & ~box.inside[f]
                if escapable:
                    loose.append((escapable.bit_count(), f))
            else:
                candidates &= self._index[f].holders[lowest(mask)]
        loose.sort(reverse=True)
        fatal = [-1] * (len(loose) + 1)  # candidates that no later choice can escape
        for at in range(len(loose) - 1, 0, -1):
            fatal[at] = fatal[at + 1] & box.inside[loose[at][1]]
        for at, (_, f) in enumerate(loose):
            if not candidates:
                break
            index, best = self._index[f], -1
            chosen = 0
            for atom in index.samples(gap[f]):
                left = candidates & index.holders[atom]
                if not left:
                    chosen, gap[f], best = left, 1 << atom, 0
                    break
                if left & fatal[at + 1]:
                    continue
                count = left.bit_count()
                if best < 0 or count < best:
                    chosen, gap[f], best = left, 1 << atom, count
            if best < 0:
                return None
            candidates = chosen
        return None if candidates else gap

    def _over(self, box: _Box) -> int:
        found = self._every
        for f in self._order:
            found &= box.over[f]
        return found

    def _inside(self, box: _Box) -> int:
        found = self._every
        for f in self._order:
            found &= box.inside[f]
            if not found:
                break
        return found

    # ---- bits, rules, boxes ----

    def _by_outcome(self) -> dict[Hashable, int]:
        found: dict[Hashable, int] = {}
        for bit, entry in enumerate(self.rules.entries, self._offset):
            found[entry.outcome] = found.get(entry.outcome, 0) | 1 << bit
        return found

    def _outcome(self, bit: int) -> Hashable:
        return self.rules.entries[bit - self._offset].outcome

    def _rule(self, bit: int) -> int:
        return self.rules.entries[bit - self._offset].rule

    def _rule_bits(self, rule: int) -> int:
        low, high = self._spans[rule]
        return (1 << high) - (1 << low)

    def _box(self, bit: int) -> _Box:
        known = self._boxes.get(bit)
        if known is None:
            known = self._boxes[bit] = self._sets([index.of_box[bit] for index in self._index])
        return known

    def _sets(self, ids: Sequence[int]) -> _Box:
        pairs = list(zip(self._index, ids, strict=True))
        return _Box(
            [index.masks[i] for index, i in pairs],
            [index.over[i] for index, i in pairs],
            [index.inside[i] for index, i in pairs],
        )

    def _resolved(self, boxes: Sequence[RawBox]) -> list[_Box]:
        atoms = [len(index.atoms) for index in self._index]
        ids = [
            [index.resolve(values) for index, values in zip(self._index, box, strict=True)]
            for box in boxes
        ]
        if atoms != [len(index.atoms) for index in self._index]:
            self._boxes.clear()  # made of masks from before the refinement
            self._alive.clear()
        return [self._sets(one) for one in ids]

    def _point(self, gap: Masks) -> Point:
        return tuple(
            index.atoms.representatives[index.smallest(mask)]
            for index, mask in zip(self._index, gap, strict=True)
        )
