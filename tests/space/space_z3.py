"""The same questions put to z3, which reads the raw ranges. Shares nothing with the engine."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

import z3

from netcharter.space.model import RawBox, RuleList


class Foreign:
    """One rule list as formulas over one integer per field."""

    def __init__(self, rules: RuleList) -> None:
        self.rules = rules
        self.names = [z3.Int(f"x{f}") for f in range(len(rules.fields))]
        self.matches = [self.holds(entry.box) for entry in rules.entries]
        pairs = zip(self.names, rules.fields, strict=True)
        bounds = [z3.And(name >= 0, name < field.size) for name, field in pairs]
        self.universe = z3.And(*bounds, z3.Or([self.holds(box) for box in rules.universe]))

    def holds(self, box: RawBox) -> z3.BoolRef:
        """Membership of the point in a box, written out as comparisons."""
        tests = []
        for name, field, values in zip(self.names, self.rules.fields, box, strict=True):
            if values != ((0, field.size - 1),):
                ways = [
                    name == low if low == high else z3.And(name >= low, name <= high)
                    for low, high in values
                ]
                tests.append(ways[0] if len(ways) == 1 else z3.Or(ways))
        return z3.And(tests)

    def dead(self) -> set[int]:
        """Rules that never decide: one incremental solver, walking down the list."""
        solver = z3.Solver()
        solver.add(self.universe)
        alive, everyone = set(), set()
        pending: list[z3.BoolRef] = []
        for at, (entry, match) in enumerate(zip(self.rules.entries, self.matches, strict=True)):
            if at and self.rules.entries[at - 1].rule != entry.rule:
                solver.add([z3.Not(one) for one in pending])
                pending = []
            pending.append(match)
            everyone.add(entry.rule)
            if entry.rule not in alive:
                solver.push()
                solver.add(match)
                if solver.check() == z3.sat:
                    alive.add(entry.rule)
                solver.pop()
        return everyone - alive

    def removable(self) -> set[int]:
        """Rules without which no point comes out differently, asked one at a time."""
        entries, number = self.rules.entries, self.numbers([self.rules])
        states = [z3.Int(f"d{at}") for at in range(len(entries) + 1)]
        solver = z3.Solver()
        solver.add(self.universe, states[-1] == number[self.rules.default])
        for at, entry in enumerate(entries):
            step = z3.If(self.matches[at], number[entry.outcome], states[at + 1])
            solver.add(states[at] == step)
        spans: dict[int, list[int]] = {}
        for at, entry in enumerate(entries):
            spans.setdefault(entry.rule, []).append(at)
        found = set()
        for rule, places in spans.items():
            solver.push()
            solver.add(z3.Or([self.matches[at] for at in places]))
            solver.add([z3.Not(match) for match in self.matches[: places[0]]])
            solver.add(states[places[0]] != states[places[-1] + 1])
            if solver.check() == z3.unsat:
                found.add(rule)
            solver.pop()
        return found

    def same(self, other: RuleList) -> bool:
        """Whether the other list gives every point the same outcome."""
        number = self.numbers([self.rules, other])
        solver = z3.Solver()
        solver.add(self.universe, self.outcome(self.rules, number) != self.outcome(other, number))
        return bool(solver.check() == z3.unsat)

    def outcome(self, rules: RuleList, number: dict[Hashable, int]) -> z3.ArithRef:
        value: z3.ArithRef = z3.IntVal(number[rules.default])
        for entry in reversed(rules.entries):
            value = z3.If(self.holds(entry.box), z3.IntVal(number[entry.outcome]), value)
        return value

    @staticmethod
    def numbers(lists: Sequence[RuleList]) -> dict[Hashable, int]:
        outcomes = {r.default for r in lists} | {e.outcome for r in lists for e in r.entries}
        return {outcome: at for at, outcome in enumerate(sorted(outcomes, key=repr))}
