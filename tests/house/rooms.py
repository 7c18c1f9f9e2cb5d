"""The rooms of the house in flow order: who may import whom, and which files touch the world.

This is the law in one table. `test_imports.py` and `test_effects.py` hold the code to it,
`test_telling.py` holds CONTRIBUTING.md and the package docstring to it. A room that is not built
yet stands here too: its place is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

PACKAGE = "netcharter"
EVERYTHING = "*"


@dataclass(frozen=True, slots=True)
class Room:
    """One sub-package (or module) of the package.

    may_import: names of rooms; effects: modules of the room that may touch the world, or
    {EVERYTHING} when all may.
    """

    name: str
    may_import: frozenset[str]
    effects: frozenset[str] = frozenset()


def _room(name: str, imports: str = "", effects: str = "") -> Room:
    return Room(name, frozenset(imports.split()), frozenset(effects.split()))


_TABLE = (
    _room("diagnostics"),
    _room("space"),
    _room("charter", "diagnostics"),
    _room("plan", "charter space diagnostics"),
    _room("proofs", "plan space diagnostics"),
    _room("render", "plan space diagnostics", "relay"),
    _room("readback", "space diagnostics"),
    _room("probes", "plan proofs space diagnostics", "field"),
    _room("rollout", "render diagnostics", "run"),
    _room("lab", "rollout render readback probes proofs plan space diagnostics", EVERYTHING),
    _room("survey", "probes plan diagnostics"),
    _room("gate", "plan rollout diagnostics", "server"),
    _room("ledger", "plan diagnostics", "collect store"),
    _room("steward", "plan proofs readback render rollout gate ledger diagnostics", "loop"),
    _room("report", "ledger proofs plan charter diagnostics"),
)
_BEFORE_TASKS = " ".join(room.name for room in _TABLE)

ROOMS: tuple[Room, ...] = (
    *_TABLE,
    _room("tasks", _BEFORE_TASKS, EVERYTHING),
    _room("workbench", "tasks diagnostics", "server"),
    _room("cli", "tasks diagnostics", EVERYTHING),
)
ROOM: dict[str, Room] = {room.name: room for room in ROOMS}

# Modules directly in the package. Running `python -m netcharter` is the command line.
DOORS: dict[str, frozenset[str]] = {"__init__": frozenset(), "__main__": frozenset({"cli"})}
