"""`netcharter inherit` as a person runs it: what it prints and writes, and how it ends."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.lab import reading
from tests.cli.running import Ran, hidden, run
from tests.docs.shapes import breaches, shapes
from tests.readback.auditing import House, by, tcp
from tests.readback.made import ACCEPT, text

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "json.md"
EXAMPLE = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "old-gateway"
KNOWN = ("--addresses", "addresses.json", "--routes", "routes.json", "--routes", "routes6.json")
NAMED = ("--leases", "dnsmasq.conf", "--leases", "leases", "--line", "copper=eth0")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The files of the old gateway, and a house as nft lists it in JSON."""
    for path in EXAMPLE.iterdir():
        shutil.copy(path, tmp_path)
    (tmp_path / "house.json").write_text(text(*House().items()))
    more = House(input=(*House().input, (by("up0"), ACCEPT)))
    (tmp_path / "open.json").write_text(text(*more.items()))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def document(shape: str, *arguments: str) -> tuple[int, Any]:
    """The JSON of a call, which is as the page tells it."""
    ran = run("inherit", *arguments, "--json")
    found = ran.json
    assert list(breaches(found, shape, shapes(PAGE.read_text("utf-8")))) == []
    assert ran.err == "" or shape != "unusable"
    return ran.code, found


CALLS = [
    ("inherit", 0, ("house.json", "--line", "dsl=up0")),
    ("inherit", 1, ("open.json", "--line", "dsl=up0")),
    ("ask", 0, ("house.json", "--ask", "who can reach 10.2.0.80 with https")),
    ("ask", 0, ("house.json", "--from", "lan0", "--with", "https")),
    (
        "way",
        0,
        ("house.json", "--why", "--from", "lan0", "--to", "198.51.100.9", "--with", "https"),
    ),
    ("listing-compare", 0, ("house.json", "--compare", "house.json")),
    ("listing-compare", 1, ("house.json", "--compare", "open.json")),
    ("unusable", 2, ()),
    ("unusable", 2, ("none.json",)),
    ("unusable", 2, ("house.json", "--live")),
    ("unusable", 2, ("leases",)),
    ("unusable", 2, ("house.json", "--addresses", "none.json")),
    ("unusable", 2, ("house.json", "--ask", "open sesame")),
    ("unusable", 2, ("house.json", "--why", "--from", "x", "--to", "lan0", "--with", "https")),
    ("unusable", 2, ("house.json", "--line", "nothing")),
    ("unusable", 2, ("house.json", "--compare", "none.json")),
]


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(("shape", "code", "call"), CALLS, ids=[" ".join(c[2]) for c in CALLS])
def test_a_document_has_the_shape_the_page_tells(
    shape: str, code: int, call: tuple[str, ...]
) -> None:
    assert document(shape, *call)[0] == code


@pytest.mark.kernel
@pytest.mark.usefixtures("folder")
def test_the_whole_evening(folder: Path) -> None:
    """From the old ruleset to a charter, a run sheet, and a comparison of both."""
    more = ("--charter", "charter.yaml", "--run-sheet", "evening.md", "--site", "Tarn Hollow",
            "--timezone", "Europe/London")  # fmt: skip
    code, found = document("inherit", "old.nft", *KNOWN, *NAMED, *more)
    assert code == 1 and not found["ok"]
    assert found["counts"]["errors"] == 1 and found["charter"]["text"].startswith("#")
    written = (folder / "charter.yaml").read_text("utf-8")
    assert written == found["charter"]["text"]
    assert read(written.encode(), "charter.yaml").charter is not None
    assert "Tarn Hollow" in (folder / "evening.md").read_text("utf-8")
    code, again = document(
        "listing-compare", "old.nft", *KNOWN, *NAMED, "--compare", "charter.yaml"
    )
    assert code == 1 and len(again["opened"] + again["closed"]) == len(
        found["charter"]["differences"]
    )


@pytest.mark.kernel
@pytest.mark.usefixtures("folder")
def test_what_people_read() -> None:
    ran = run("inherit", "old.nft", *KNOWN, *NAMED)
    assert ran.code == 1
    assert "error at old.nft:51:3 (management-open)" in ran.everything
    assert "line copper: eth0" in ran.out and "1 error, " in ran.out
    assert hidden(ran.everything) == []


@pytest.mark.usefixtures("folder")
def test_a_story_and_an_answer_for_people() -> None:
    told = run("inherit", "house.json", *_way("lan0", "198.51.100.9"))
    assert told.code == 0 and "  2. rule 5 of chain forward fits" in told.out
    assert "house.json:1" in told.out
    asked = run("inherit", "house.json", "--ask", "can up0 reach lan0")
    assert asked.code == 0 and "Nobody, by no rule." in asked.out
    same = run("inherit", "house.json", "--compare", "house.json")
    assert "Nothing changes: proven" in same.out


def _way(who: str, to: str) -> tuple[str, ...]:
    return ("--why", "--from", who, "--to", to, "--with", "https")


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    "call",
    [
        ("house.json", "--why", "--from", "lan0", "--to", "lan1"),
        ("house.json", "--why", "--from", "a", "--from", "b", "--to", "c", "--with", "https"),
        ("house.json", "--ask", "can lan0 reach up0", "--charter", "out.yaml"),
        ("house.json", "--no-such-thing"),
    ],
)
def test_calls_that_make_no_sense(call: tuple[str, ...], folder: Path) -> None:
    ran = run("inherit", *call)
    assert ran.code == 2 and "Usage" in ran.err
    assert not (folder / "out.yaml").exists()


@pytest.mark.kernel
def test_nothing_is_written_over(folder: Path) -> None:
    """Neither a charter that is there, nor any file that was named to be read."""
    (folder / "charter.yaml").write_text("mine")
    ran = run("inherit", "house.json", "--line", "dsl=up0", "--charter", "charter.yaml")
    assert ran.code == 2 and (folder / "charter.yaml").read_text() == "mine"
    before = (folder / "house.json").read_text()
    ran = run("inherit", "house.json", "--line", "dsl=up0", "--run-sheet", "house.json")
    assert ran.code == 2 and (folder / "house.json").read_text() == before


def test_what_a_listing_says_cannot_repaint_a_terminal(folder: Path) -> None:
    rules = ((by("up0"), tcp(22), ACCEPT),)
    comments = {("input", 1): "\x1b[2J\u202eevil until 2019-01-01"}
    (folder / "evil.json").write_text(text(*House(input=rules, comments=comments).items()))
    ran = run("inherit", "evil.json", "--line", "dsl=up0")
    assert hidden(ran.everything) == [] and "comment-date-passed" in ran.everything


# ---- this machine's own ----


def live(monkeypatch: pytest.MonkeyPatch, **said: str) -> Ran:
    """With `--live`, on a machine that says this."""
    asked: list[list[str]] = []

    def answer(call: list[str], given: str, lenient: bool = False) -> str:
        assert given == "" and not lenient
        asked.append(call)
        kind = call[0] if call[0] == "nft" else call[-1] if "address" in call else call[2]
        if call[0] == "nft":
            kind = "json" if "-j" in call else "text"
        return {"json": said["json"], "text": "table inet t { }\n", "address": "[]"}.get(kind, "[]")

    monkeypatch.setattr(reading, "_run", answer)
    ran = run("inherit", "--live", "--line", "dsl=up0", "--json")
    reads = {("nft", "list"), ("ip", "address"), ("ip", "show")}
    for call in asked:  # nothing that changes anything
        assert any(call[0] == program and word in call for program, word in reads)
        assert not {"add", "flush", "delete", "set", "-f"} & set(call)
    return ran


def test_this_machine_is_only_read(monkeypatch: pytest.MonkeyPatch) -> None:
    ran = live(monkeypatch, json=text(*House().items()))
    assert ran.code == 0 and ran.json["counts"]["rules"] == 11


def test_a_machine_without_a_ruleset(monkeypatch: pytest.MonkeyPatch) -> None:
    ran = live(monkeypatch, json=json.dumps({"nftables": [{"metainfo": {"version": "1.0.6"}}]}))
    assert ran.code in (0, 1) and ran.json["counts"]["chains"] == 0


def test_what_is_missing_to_read_this_machine_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(call: list[str], given: str, lenient: bool = False) -> str:
        raise reading.NotListed("`nft` says: Operation not permitted (you must be root)")

    monkeypatch.setattr(reading, "_run", refuse)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    ran = run("inherit", "--live")
    assert ran.code == 2 and "CAP_NET_ADMIN" in ran.everything


@pytest.mark.kernel
def test_the_real_machine_is_left_as_it_is() -> None:
    before = _listed()
    ran = run("inherit", "--live", "--json")
    assert ran.code in (0, 1, 2)
    assert _listed() == before


def _listed() -> str:
    try:
        return reading._run(["nft", "list", "ruleset"], "")
    except reading.NotListed as fault:
        return fault.message
