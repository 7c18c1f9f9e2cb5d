"""Every planted fault is noticed by the tests that are there to notice it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.mutants.faults import FAULTS
from tests.mutants.plant import FAILED, Fault, mistaken, plant, try_tests

ROOMS = ("space", "plan", "proofs", "render", "readback", "gate")


def test_there_are_faults_in_every_room_that_decides() -> None:
    assert len(FAULTS) >= 10
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    assert {fault.file.split("/")[1] for fault in FAULTS} == set(ROOMS)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_planted_fault_is_noticed(fault: Fault, tmp_path: Path, repository: Path) -> None:
    copy = plant(repository / "src", fault, tmp_path)
    verdict = try_tests(copy, fault.tests, repository)
    assert verdict.code == FAILED, f"not noticed\n{verdict.output}"


def test_without_a_fault_the_same_tests_pass_on_a_copy(tmp_path: Path, repository: Path) -> None:
    copy = plant(repository / "src", None, tmp_path)
    tests = tuple(sorted({test for fault in FAULTS for test in fault.tests}))
    assert tests
    verdict = try_tests(copy, tests, repository)
    assert verdict.code == 0, verdict.output


SMALL = Fault("sum", "small/sums.py", "a + b", "a - b", ())
NOTICING = "from small.sums import add\ndef test_add() -> None:\n    assert add(2, 2) == 4\n"
SLEEPING = "from small.sums import add\ndef test_add() -> None:\n    assert add(0, 0) == 0\n"


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A repository in miniature."""
    package = tmp_path / "repository" / "src" / "small"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("")
    (package / "sums.py").write_text("def add(a: int, b: int) -> int:\n    return a + b\n")
    (tmp_path / "repository" / "test_noticing.py").write_text(NOTICING)
    (tmp_path / "repository" / "test_sleeping.py").write_text(SLEEPING)
    return tmp_path / "repository"


@pytest.mark.parametrize(
    ("test", "fault", "caught"),
    [
        ("test_noticing.py", SMALL, True),
        ("test_sleeping.py", SMALL, False),
        ("test_noticing.py", None, False),
        ("test_absent.py", SMALL, False),
    ],
)
def test_the_frame_itself_tells_noticing_tests_from_sleeping_ones(
    small: Path, tmp_path: Path, test: str, fault: Fault | None, caught: bool
) -> None:
    folder = tmp_path / "copy"
    folder.mkdir()
    assert try_tests(plant(small / "src", fault, folder), (test,), small).caught is caught


def test_the_tests_run_against_the_copy_and_nothing_else(tmp_path: Path, repository: Path) -> None:
    copy = plant(repository / "src", None, tmp_path)
    probe = tmp_path / "test_where.py"
    probe.write_text(
        "import netcharter\n"
        f"def test_where() -> None:\n    assert netcharter.__file__.startswith({str(copy)!r})\n"
    )
    verdict = try_tests(copy, (str(probe),), repository)
    assert verdict.code == 0, verdict.output


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("c = a + a", SMALL),
        ("c = a + b; d = a + b", SMALL),
        ("c = a + b", Fault("same", "x.py", "a + b", "a + b", ())),
    ],
)
def test_a_fault_that_does_not_fit_is_refused(text: str, fault: Fault) -> None:
    with pytest.raises(ValueError, match=fault.name):
        mistaken(text, fault)


def test_a_fault_that_is_no_python_is_refused() -> None:
    with pytest.raises(SyntaxError):
        mistaken("c = a + b", Fault("torn", "x.py", "a + b", "a +", ()))
