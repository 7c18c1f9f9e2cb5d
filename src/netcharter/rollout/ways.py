"""The pure halves of a roll-out, gathered for `work`; their complaints become refusals."""

from __future__ import annotations

from collections.abc import Collection

from netcharter.rollout import contents
from netcharter.rollout import converge as converging
from netcharter.rollout import going as goings
from netcharter.rollout import wanted as wanting
from netcharter.rollout.host import Files, Ways
from netcharter.rollout.shapes import HostState, Step
from netcharter.rollout.trouble import RolloutRefused
from netcharter.rollout.unlike import unlike

REMEDY = "nothing was changed"


def settings_of(*kits: Files) -> frozenset[str]:
    """Raises RolloutRefused for what is no kit."""
    try:
        return wanting.settings_of(*kits)
    except contents.KitBroken as problem:
        raise RolloutRefused(str(problem), REMEDY) from None


def wanted(
    files: Files, now: HostState, previous: Files | None, set_aside: Collection[str]
) -> HostState:
    """Raises RolloutRefused for what is no kit, and for tables that can't be set aside."""
    try:
        return wanting.wanted(files, now, previous, set_aside)
    except (contents.KitBroken, wanting.NotSetAside) as problem:
        raise RolloutRefused(str(problem), REMEDY) from None


def as_before(before: HostState, now: HostState, *kits: Files) -> HostState:
    """Raises RolloutRefused for what is no kit."""
    try:
        return wanting.as_before(before, now, *kits)
    except contents.KitBroken as problem:
        raise RolloutRefused(str(problem), REMEDY) from None


def converge(
    now: HostState, wanted: HostState, at: float, old: Files | None, new: Files | None
) -> tuple[Step, ...]:
    """Raises RolloutRefused for a state that can't be written safely, and for what is no kit."""
    try:
        classes = contents.classes(old, new) if old is not None and new is not None else None
        known = old is not None or new is not None
        needs = wanting.needs(old, new) if known else None
        return converging.converge(now, wanted, at=at, classes=classes, needs=needs)
    except (contents.KitBroken, converging.NotReached) as problem:
        raise RolloutRefused(str(problem), REMEDY) from None


def going(now: HostState, wanted: HostState, *kits: Files) -> tuple[str, ...]:
    """Raises RolloutRefused for what is no kit."""
    try:
        return goings.going(now, wanted, *kits)
    except contents.KitBroken as problem:
        raise RolloutRefused(str(problem), REMEDY) from None


def by_hand(new: Files | None, old: Files | None, now: HostState) -> tuple[str, ...]:
    """Raises RolloutRefused for what is no kit."""
    try:
        return wanting.by_hand(new, old, now)
    except contents.KitBroken as problem:
        raise RolloutRefused(str(problem), REMEDY) from None


WAYS = Ways(
    settings_of,
    wanted,
    as_before,
    converge,
    converging.rehearsal,
    converging.left_out,
    unlike,
    converging.possible,
    going,
    by_hand,
)
