"""`enact` at a terminal: it waits there until the version is kept or undone, here or from elsewhere."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.test_enact import CHARTER, RULE, Played
from tests.cli.test_remote import NETCHARTER, PRETENDED

pytestmark = pytest.mark.kernel

KEEPER = Path(__file__).with_name("keeper.py")
READY, LEFT = "Put it in place on trial? [y/N]: ", "left. Look around"
HASTE = ("--waive", "rehearsal", "--because", "haste", "--state", "state")
NC = (sys.executable, "-m", "netcharter")


def enact(charter: str, *words: str) -> list[str]:
    return [*NC, "enact", charter, *HASTE, *words]


def played(site: Played, *plays: tuple[list[str], list[tuple[str, str]]]) -> list[tuple[int, str]]:
    site.write("play.json", json.dumps(plays))
    site.sh(f"{sys.executable} {shlex.quote(str(KEEPER))} play.json result.json")
    history = site.ask("undo", "--history")
    site.play()
    found: list[Any] = json.loads(site.text("result.json"))
    events = site.answer(history, "history", 0)["events"]
    return [*((code, text) for code, text in found), (0, str([one["what"] for one in events]))]


def test_it_is_kept_or_undone_where_it_was_put_in_place(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    site.write("less.yaml", CHARTER.replace(RULE, ""))
    undo = f"run {shlex.join([*NC, 'undo', '--because', 'from afar', '--state', 'state'])}"
    keep = f"run {shlex.join([*NC, 'keep', '--state', 'state'])}"
    kept, undone, away, elsewhere, history = played(
        site,
        (enact("charter.yaml"), [(READY, "type y"), (LEFT, "type perhaps"),
                                 ("Please type keep or undo", "type keep")]),
        (enact("less.yaml"), [(READY, "type y"), (LEFT, "type undo")]),
        (enact("less.yaml"), [(READY, "type y"), (LEFT, undo)]),
        (enact("less.yaml"), [(READY, "type y"), (LEFT, keep)]),
    )  # fmt: skip
    assert kept[0] == 0 and "version 1 is kept" in kept[1], kept
    assert "until its unit is there: netcharter boot --install" in " ".join(kept[1].split())
    assert undone[0] == 1 and "equal to before: proven" in undone[1], undone
    assert away[0] == 1 and "version 3 was undone: from afar" in away[1], away
    assert elsewhere[0] == 0 and "version 4 is kept, by" in elsewhere[1], elsewhere
    assert history[1] == str(["enacted", "kept", "enacted", "undone", "enacted", "undone",
                              "enacted", "kept"])  # fmt: skip


def test_whoever_leaves_leaves_the_timer_running(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    programs = tmp_path / "bin"
    programs.mkdir()
    for name, text in (("ssh", PRETENDED.format(log=tmp_path / "log")), ("netcharter", NETCHARTER)):
        (programs / name).write_text(text, encoding="utf-8")
        (programs / name).chmod(0o755)
    site.sh(f"PATH={shlex.quote(str(programs))}:$PATH; export PATH")
    state = ("--state", str(tmp_path / "state"))
    undo = [*NC, "undo", *state]
    broken, closed, there = played(
        site,
        (enact("charter.yaml"), [(READY, "type y"), (LEFT, "key C-c")]),
        (undo, []),
        (enact("charter.yaml"), [(READY, "type y"), (LEFT, "close")]),
        ([*undo, "--because", "later"], []),
        (enact("charter.yaml", *state, "--on", "gw"), [(READY, "type y"), (LEFT, "type keep")]),
    )[::2]  # fmt: skip
    assert broken[0] == 130 and "version 1 stays on trial" in broken[1], broken
    assert f"netcharter keep --state {tmp_path}/state" in broken[1]
    assert closed[0] != 0
    assert there[0] == 0 and "version 3 is kept" in there[1], there
    assert " -t -- gw " in (tmp_path / "log").read_text("utf-8")
