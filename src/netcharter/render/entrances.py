"""The chains of one entrance: its decisions in their order, split by hook, family and part."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from netcharter.plan import labels
from netcharter.plan.leading import Named
from netcharter.plan.shapes import Row
from netcharter.render.clauses import Run, clauses, runs
from netcharter.render.ground import FAMILIES, Entrance, World, views
from netcharter.render.wording import NamedSets, chain, run_lines, to_row


@dataclass(slots=True)
class Chains:
    """The rendered chains of an entrance, and the sets they share with all others."""

    sets: NamedSets
    named: Named = ()  # the places that are made of names
    text: list[str] = field(default_factory=list)

    def add(self, name: str, lines: Sequence[str], remark: str = "") -> None:
        self.text.extend(chain(name, lines, remark))


def filtered(rows: Sequence[Row]) -> tuple[Row, ...]:
    """The decisions that a packet filter makes on packets as sent: not routing, not offers that
    are delivered elsewhere (their packets arrive translated, see `translation`)."""
    return tuple(row for row in rows if not row.routed and row.delivery is None)


def entrance_chains(
    entrance: Entrance, rows: Sequence[Row], worlds: Sequence[World], out: Chains
) -> None:
    """All chains of an entrance; `labels.entrance_chain(hook, name)` is where each hook begins."""
    for hook in entrance.hooks:
        for found in worlds:
            _family_chains(entrance, hook, rows, found, out)
        targets = ", ".join(
            f"ipv{family} : goto {labels.part_chain(hook, family, entrance.name)}"
            for family in FAMILIES
        )
        out.add(
            labels.entrance_chain(hook, entrance.name),
            [f"meta nfproto vmap {{ {targets} }}"],
            entrance.name,
        )


def _family_chains(
    entrance: Entrance, hook: str, rows: Sequence[Row], found: World, out: Chains
) -> None:
    ready: dict[str, list[Run]] = {
        part: runs(clauses(rows, view, out.named), out.sets.listed)
        for part, view in views(entrance, hook, found)
    }
    targets = {part: _target(part, each, found.family, entrance) for part, each in ready.items()}
    for part, each in ready.items():
        chain_name = labels.part_chain(part, found.family, entrance.name)
        if part == hook or targets[part] == f"goto {chain_name}":
            first = _branches(hook, part, targets, found)
            body = [line for run in each for line in run_lines(run, to_row, out.sets)]
            out.add(chain_name, [*first, *body, *_end(each)], entrance.name)


def _target(part: str, each: list[Run], family: int, entrance: Entrance) -> str:
    """Where packets of a part go: its chain, or straight to the decision that takes them all."""
    if not each:
        return f"goto {labels.STRAY}"
    if each[0].first.decides_all:
        return to_row(each[0].first.row)
    return f"goto {labels.part_chain(part, family, entrance.name)}"


def _end(each: list[Run]) -> Iterator[str]:
    if not each or not each[-1].first.decides_all:
        yield f"goto {labels.STRAY}"


def _branches(hook: str, part: str, targets: dict[str, str], found: World) -> Iterator[str]:
    """The look-ups that part sources and destinations before any decision is asked."""
    ip, family = ("ip" if found.family == 4 else "ip6"), found.family
    if part == hook:
        if hook == "fwd":
            yield f"{ip} daddr @nc_kept{family} goto {labels.STRAY}"
        if hook + "own" in targets:
            yield f"{ip} saddr != @nc_self{family} fib saddr type local {targets[hook + 'own']}"
        if hook + "else" in targets:
            yield f"{ip} saddr != @nc_own{family} {targets[hook + 'else']}"
    suffix = part.removeprefix(hook)
    if suffix in ("", "own", "else"):
        yield from _destinations(hook, suffix, targets, ip, family)


def _destinations(
    hook: str, suffix: str, targets: dict[str, str], ip: str, family: int
) -> Iterator[str]:
    def target(destination: str) -> str | None:
        return targets.get(hook + destination + suffix)

    if target("many"):
        yield f"{ip} daddr @nc_many{family} {target('many')}"
    if target("new"):
        known = "own" if hook == "in" else "self"
        yield f"{ip} daddr != @nc_{known}{family} fib daddr type local {target('new')}"
    if hook == "in":
        yield f"{ip} daddr != @nc_own{family} goto {labels.STRAY}"
    if target("net"):
        yield f"{ip} daddr @nc_net{family} {target('net')}"
