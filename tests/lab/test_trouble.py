"""Whatever goes wrong in a lab gets out of it, and reaches the user as a word and not a traceback."""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Any, NoReturn

import pytest

from netcharter.diagnostics import Diagnostic, Span
from netcharter.lab.agreement import Unreadable
from netcharter.lab.netlink import Interrupted
from netcharter.lab.reading import NotListed
from netcharter.lab.trouble import CommandFailed, LabFailed, LabImpossible
from netcharter.tasks import rehearse as task
from tests.cli.running import run
from tests.lab.rehearsing import SMALL

EMPTY = Diagnostic("listing-empty", "error", "the ruleset is empty", Span("nft", 1, 1, 1, 1))
FAULTS = (
    Unreadable((EMPTY,)),
    CommandFailed("nft -f -", "no such table"),
    LabImpossible("no ip was found", "install iproute2"),
    LabFailed("it was killed"),
    Interrupted("somebody changes the ruleset all the time"),
    TimeoutError("the lab's network stands still"),
    OSError(113, "station s1 has no way to the gateway"),
)


def named(fault: Exception) -> str:
    return type(fault).__name__


@pytest.mark.parametrize("fault", [*FAULTS, NotListed("no", (1, 2, 3))], ids=named)
def test_a_fault_survives_the_way_out_of_the_lab(fault: Exception) -> None:
    found = pickle.loads(pickle.dumps(fault))
    assert (type(found), str(found), vars(found)) == (type(fault), str(fault), vars(fault))


@pytest.mark.parametrize("fault", FAULTS, ids=named)
def test_a_fault_is_told_as_a_finding(
    fault: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: Any, **__: Any) -> NoReturn:
        raise fault

    monkeypatch.setattr(task, "rehearse", failing)
    charter = tmp_path / "charter.yaml"
    charter.write_text(SMALL, encoding="utf-8")
    ran = run("rehearse", charter, "--json")
    (found,) = ran.json["diagnostics"]
    said = fault.reason if isinstance(fault, LabImpossible) else str(fault)
    assert (ran.code, found["id"]) == (2, "cannot-rehearse") and said in found["message"]
