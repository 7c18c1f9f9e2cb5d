"""Where a walk stands: a stage of a program, an operation of a chain, where to return to."""

from __future__ import annotations

from typing import NamedTuple

from netcharter.readback import operations as op
from netcharter.readback.listing import Chain, Rule
from netcharter.readback.rules import Compiler
from netcharter.readback.shapes import Origin
from netcharter.readback.stages import Program
from netcharter.readback.telling import rule_text


class Code:
    """A chain's rules as operations, made when they are first reached."""

    def __init__(self, chain: Chain, compiler: Compiler) -> None:
        self.chain = chain
        self._compiler = compiler
        self._made: list[tuple[op.Operation, ...] | None] = [None] * len(chain.rules)
        self._origins: dict[int, Origin] = {}
        self._asking: dict[tuple[int, int], bool] = {}

    def __len__(self) -> int:
        return len(self._made)

    def operations(self, at: int) -> tuple[op.Operation, ...]:
        made = self._made[at]
        if made is None:
            made = self._made[at] = self._compiler.rule(self.chain.rules[at])
        return made

    def asks_exit(self, rule: int, operation: int) -> bool:
        """Whether it matters to an operation by which device a packet leaves."""
        asked = self._asking.get((rule, operation))
        if asked is None:
            asked = op.asks_exit(self.operations(rule)[operation])
            self._asking[rule, operation] = asked
        return asked

    def origin(self, at: int) -> Origin:
        """The rule as what decides; beyond the last one, the policy."""
        if at not in self._origins:
            known = at < len(self)
            self._origins[at] = _rule(self.chain.rules[at]) if known else policy(self.chain)
        return self._origins[at]


def _rule(rule: Rule) -> Origin:
    text = rule_text(rule.expr)
    return Origin(rule.family, rule.table, rule.chain, rule.number, text, rule.comment, rule.span)


def policy(chain: Chain) -> Origin:
    """The policy of a base chain as what decides."""
    text = f"policy {chain.policy}"
    return Origin(chain.family, chain.table, chain.name, None, text, "", chain.span)


class Frames(NamedTuple):
    """Where to go on after a chain that was jumped to."""

    chain: Code
    rule: int
    depth: int
    below: Frames | None


class At(NamedTuple):
    """A place in a program: a stage, and within its chains the operation that comes next.

    depth: how many jumps and gotos led here from the base chain.
    """

    program: Program
    stage: int
    sub: int = 0
    chain: Code | None = None
    rule: int = 0
    operation: int = 0
    depth: int = 0
    frames: Frames | None = None

    def next_rule(self) -> At:
        return self._replace(rule=self.rule + 1, operation=0)

    def next_operation(self) -> At:
        return self._replace(operation=self.operation + 1)

    def next_stage(self) -> At:
        return At(self.program, self.stage + 1)
