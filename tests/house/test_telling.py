"""CONTRIBUTING.md and the package docstring tell the same house as the table of rooms."""

from __future__ import annotations

import re
from pathlib import Path

import netcharter
from tests.house.rooms import EVERYTHING, ROOMS, Room


def told_rooms(markdown: str) -> list[Room]:
    """The rooms of the table in CONTRIBUTING.md: name, what it may import, what touches."""
    rooms = []
    for line in markdown.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("| `") and len(cells) == 4:
            name, _, imports, effects = (re.findall(r"`(\w+)`", cell) for cell in cells)
            everything = [EVERYTHING] if cells[3].startswith("all") else []
            rooms.append(Room(name[0], frozenset(imports), frozenset([*effects, *everything])))
    return rooms


def test_contributing_tells_the_rooms_as_the_table_has_them(root: Path) -> None:
    assert told_rooms((root / "CONTRIBUTING.md").read_text("utf-8")) == list(ROOMS)


def test_the_package_docstring_tells_the_rooms_in_flow_order() -> None:
    told = re.findall(r"^    (\w+) {2,}", netcharter.__doc__ or "", re.MULTILINE)
    assert told == [room.name for room in ROOMS]


def test_a_planted_change_in_the_telling_is_found() -> None:
    table = "| `plan` | what follows | `charter`, `space` | – |\n| `lab` | tries | `plan` | all |"
    assert told_rooms(table) == [
        Room("plan", frozenset({"charter", "space"})),
        Room("lab", frozenset({"plan"}), frozenset({EVERYTHING})),
    ]
    assert told_rooms("| `plan` | what follows | `charter` | `hours` |") == [
        Room("plan", frozenset({"charter"}), frozenset({"hours"}))
    ]
