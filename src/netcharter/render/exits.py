"""Exits: the mark by which routing chooses the line of a new conversation.

A new conversation that has no line yet is looked up before routing, as it was sent, in the order of
the exits. The first that matches writes its number into the packet's mark; the rules of `routes.py`
do the rest. Once the conversation left by a line, its own mark keeps it there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from netcharter.plan import labels
from netcharter.plan.coding import LOCAL_HARDWARE
from netcharter.plan.shapes import ExitPlan, Plan, Row
from netcharter.render import escape
from netcharter.render.clauses import View, clauses, runs
from netcharter.render.entrances import Chains
from netcharter.render.ground import NUMBERS, Entrance, World
from netcharter.render.routes import networks
from netcharter.render.wording import braces, chain, place, run_lines


def staying(plan: Plan) -> tuple[str, ...]:
    """The lines on which devices may have to stay together with what they have there."""
    if not any(one.together for one in plan.exits):
        return ()
    return tuple(line.name for line in plan.lines if line.carries4)


def exit_chains(
    plan: Plan, entrances: Sequence[Entrance], worlds: Sequence[World], out: Chains
) -> list[str]:
    """Adds the chains that find the exit; the rules before routing that lead there."""
    rules = []
    for world in worlds:
        found = {
            each.name: each.device
            for each in entrances
            if each.device is not None and _found(plan, each, world, out)
        }
        if found:
            by = braces(
                f"{escape.device(device)} : jump {labels.exits_chain(name, world.family)}"
                for name, device in found.items()
            )
            ip = "ip" if world.family == 4 else "ip6"
            where = f"{ip} daddr @nc_net{world.family} iifname vmap {by}"
            unmarked = f"ct mark and {labels.LINE_MASK:#010x} == 0x00000000"
            # Apart, because a packet without conversation has no mark, which ends the rule.
            rules += [f"ct state new {unmarked} {where}", f"ct state untracked {where}"]
    if rules:
        for one in plan.exits:
            out.text.extend(_by_chain(plan, one))
    return rules


def _found(plan: Plan, entrance: Entrance, world: World, out: Chains) -> bool:
    """Adds the chain of one entrance and family, if an exit is about it."""
    view = View(
        world.family,
        entrance.name,
        NUMBERS[world.family],
        world.net,
        LOCAL_HARDWARE,
        entrance.signed,
        "iifname",
    )
    found = list(clauses(map(_as_row, plan.exits), view))
    if found:
        lines = [
            text
            for run in runs(found, out.sets.listed)
            for text in run_lines(run, _to_exit, out.sets)
        ]
        name = labels.exits_chain(entrance.name, world.family)
        out.add(name, lines, f"by which line what enters at {entrance.name} leaves")
    return bool(found)


def _as_row(one: ExitPlan) -> Row:
    """An exit as the look-ups of decisions take it."""
    return Row(
        index=one.number,
        label=one.name,
        kind="rule",
        let=True,
        quiet=False,
        regions=one.regions,
        because=one.because,
        span=one.span,
    )


def _to_exit(row: Row) -> str:
    return f"goto {labels.by_chain(row.label)}"


def _staying(plan: Plan, one: ExitPlan) -> Iterator[str]:
    """Who stays on a line does so by the exit of these packets only if it allows that line: one that
    learns its next hop not to the own network of another (`render/routes.py`)."""
    lines = {line.name: line for line in plan.lines}
    for name in staying(plan):
        where = f"ip saddr @{labels.stay_set(name)}"
        if one.refused and name not in one.lines:
            continue
        if one.refused and lines[name].learns:
            others = [line for line in plan.lines if line.name not in one.lines]
            if found := [str(net) for net in networks(others, 4)]:
                where += f" ip daddr != {braces(found)}"
        yield f"{where} meta mark set {lines[name].number:#010x} accept"


def _by_chain(plan: Plan, one: ExitPlan) -> Iterator[str]:
    remark = escape.comment(one.name, place(_as_row(one)))
    lines = []
    if one.together:
        lines.append(f"ct mark set ct mark or {labels.TOGETHER:#010x}")
        lines += _staying(plan, one)
    lines.append(f"meta mark set {labels.exit_mark(one.number):#010x} comment {remark}")
    return chain(labels.by_chain(one.name), lines)
