"""A room imports only what the table allows, and no modules import each other in a circle."""

from __future__ import annotations

import pytest

from tests.house.conftest import Plant
from tests.house.law import Module, import_breaches, import_cycles
from tests.house.rooms import ROOMS


def test_every_import_is_in_the_table(package: dict[str, Module]) -> None:
    assert import_breaches(package) == []


def test_no_modules_import_each_other_in_a_circle(package: dict[str, Module]) -> None:
    assert import_cycles(package) == []


def test_the_first_corridor_is_there(package: dict[str, Module]) -> None:
    built = {module.room for module in package.values()}
    corridor = "diagnostics space charter plan proofs render report tasks cli"
    assert set(corridor.split()) - built == set()


def test_the_table_only_points_backwards() -> None:
    seen: set[str] = set()
    for room in ROOMS:
        assert room.may_import <= seen, room.name
        seen.add(room.name)


@pytest.mark.parametrize(
    ("importer", "text"),
    [
        ("netcharter.space.atoms", "import netcharter.diagnostics"),
        ("netcharter.render.filter", "from netcharter.proofs.audit import audit"),
        ("netcharter.render.filter", "from netcharter import proofs"),
        ("netcharter.render.filter", "from ..proofs import audit"),
        ("netcharter.render", "from .. import proofs"),
        ("netcharter.proofs.ask", "def late():\n    import netcharter.readback.rows"),
        ("netcharter.plan.hours", "if TYPE_CHECKING:\n    from netcharter.tasks import check"),
        ("netcharter.tasks.check", "from netcharter.cli import main"),
        ("netcharter.cli.main", "from netcharter.space.ranges import ranges"),
        ("netcharter", "from netcharter.plan import plan"),
    ],
)
def test_a_planted_import_across_the_table_is_found(plant: Plant, importer: str, text: str) -> None:
    assert len(import_breaches(plant({importer: text}))) == 1


@pytest.mark.parametrize(
    ("importer", "text"),
    [
        ("netcharter.proofs.audit", "from netcharter.plan.shapes import Plan\nimport json"),
        ("netcharter.plan.hours", "from .shapes import When\nfrom ..space import ranges"),
        ("netcharter.plan", "from .shapes import When\nfrom netcharter.space import ranges"),
        ("netcharter.cli.main", "from netcharter.tasks import check"),
        ("netcharter.__main__", "from netcharter.cli import main"),
    ],
)
def test_an_import_within_the_table_is_let(plant: Plant, importer: str, text: str) -> None:
    assert import_breaches(plant({importer: text})) == []


def test_a_planted_file_outside_every_room_is_found(plant: Plant) -> None:
    assert import_breaches(plant({"netcharter.utils": "", "netcharter.misc.odds": ""})) == [
        "netcharter.utils: in no room of the table",
        "netcharter.misc.odds: in no room of the table",
    ]


def test_a_planted_circle_is_found_even_through_a_late_import(plant: Plant) -> None:
    modules = plant(
        {
            "netcharter.plan.a": "from netcharter.plan.b import x",
            "netcharter.plan.b": "import netcharter.plan.c",
            "netcharter.plan.c": "def late():\n    from netcharter.plan import a",
            "netcharter.plan.d": "from netcharter.plan.a import y",
        }
    )
    assert import_cycles(modules) == [
        "netcharter.plan.a -> netcharter.plan.b -> netcharter.plan.c -> netcharter.plan.a"
    ]


def test_a_planted_circle_through_a_package_is_found(plant: Plant) -> None:
    modules = plant(
        {
            "netcharter.plan": "from netcharter.plan.hours import open_at",
            "netcharter.plan.hours": "from netcharter.plan import Plan",
        }
    )
    assert import_cycles(modules) == ["netcharter.plan -> netcharter.plan.hours -> netcharter.plan"]
