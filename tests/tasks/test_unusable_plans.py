"""A plan with errors is reported by `check` and used by nothing else; a budget that ends is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest

from netcharter.proofs import compare as compare_room
from netcharter.space import certified
from netcharter.space.engine import Engine
from netcharter.space.model import Undecided
from netcharter.space.partition import compare as compare_lists
from netcharter.space.partition import survey
from netcharter.tasks.check import check, page_of
from netcharter.tasks.compare import compare_charters
from netcharter.tasks.kit import render_charter
from netcharter.tasks.questions import ask_charter, explain
from netcharter.tasks.show import show_charter
from netcharter.tasks.sources import Source, Unusable
from tests.cli.running import run

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)

GOOD = """charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  dsl: {device: eth0, address: automatic}
areas:
  home: {device: eth1, prefix: 10.0.0.0/24}
  yard: {device: eth2, prefix: 10.0.1.0/24}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
rules:
  - {let: home, reach: internet, with: https, because: work}
promises:
  - {never: yard, reach: home, because: apart}
"""
BAD = {
    "area-overlap": GOOD.replace("10.0.1.0/24", "10.0.0.128/25"),
    "target-not-outside": GOOD.replace("address: automatic", "watch: {targets: 10.0.1.9}"),
    "line-overlap": GOOD.replace("address: automatic", "address: 10.0.1.9/29, next-hop: 10.0.1.10"),
    "address-outside-area": GOOD.replace("address: lasting", "address: 192.0.2.7"),
}

USES: dict[str, Callable[[Source], object]] = {
    "show": show_charter,
    "render": render_charter,
    "ask": lambda text: ask_charter(text, "who can reach home", NOW),
    "why": lambda text: explain(text, "home", "gateway", "ssh", NOW),
    "compare, old": lambda text: compare_charters(text, source(GOOD), NOW),
    "compare, new": lambda text: compare_charters(source(GOOD), text, NOW),
}


def source(text: str) -> Source:
    return Source("hut.yaml", text.encode())


@pytest.mark.parametrize("ident", BAD)
@pytest.mark.parametrize("use", USES)
def test_a_plan_with_an_error_is_used_by_no_command(use: str, ident: str) -> None:
    with pytest.raises(Unusable) as wrong:
        USES[use](source(BAD[ident]))
    assert ident in {d.id for d in wrong.value.diagnostics}
    assert {d.severity for d in wrong.value.diagnostics} == {"error"}
    assert set(wrong.value.texts) == {"hut.yaml"}


@pytest.mark.parametrize("ident", BAD)
def test_check_reports_the_errors_of_a_plan_as_findings(ident: str) -> None:
    found = check(source(BAD[ident]), NOW)
    assert ident in {d.id for d in found.findings}
    assert found.ok is False


@pytest.mark.parametrize("use", USES)
def test_a_plan_without_an_error_is_used(use: str) -> None:
    assert USES[use](source(GOOD)) is not None


def test_the_commands_say_so_with_exit_2_and_check_with_exit_1(tmp_path: Path) -> None:
    bad, good = tmp_path / "bad.yaml", tmp_path / "good.yaml"
    bad.write_text(BAD["area-overlap"])
    good.write_text(GOOD)
    for arguments in (
        ("show", bad),
        ("render", bad, "-o", tmp_path / "kit"),
        ("ask", bad, "who can reach home"),
        ("why", bad, "--from", "home", "--to", "gateway", "--with", "ssh"),
        ("compare", good, bad),
        ("compare", bad, good),
    ):
        ran = run(*arguments)
        assert (ran.code, ran.out) == (2, "")
        assert "home and yard share addresses" in ran.err
    assert not (tmp_path / "kit").exists()
    ran = run("check", bad)
    assert ran.code == 1 and "home and yard share addresses" in ran.out


# --- more work than one question is allowed ------------------------------------------------------

BUSY = GOOD.replace(
    "promises:", "  - {refuse: yard, reach: home, with: ssh, because: no}\npromises:"
)


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """An engine that may do next to nothing for a question."""
    monkeypatch.setattr(certified, "survey", partial(survey, budget=0))
    monkeypatch.setattr(compare_room, "compare_lists", partial(compare_lists, budget=0))


@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize(
    "use",
    [
        lambda: ask_charter(source(GOOD), "who can reach home", NOW),
        lambda: compare_charters(source(GOOD), source(BUSY), NOW),
        lambda: page_of(check(source(GOOD), NOW), NOW),
    ],
    ids=["ask", "compare", "check --page"],
)
def test_a_question_over_its_budget_is_told_and_not_guessed(use: Callable[[], object]) -> None:
    with pytest.raises(Unusable) as wrong:
        use()
    (told,) = wrong.value.diagnostics
    assert told.id == "too-intricate"
    assert told.help is not None and "--from" in told.help


def test_a_proof_over_its_budget_is_told_and_not_guessed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Engine, "reached", lambda *_: Undecided("out of breath"))
    with pytest.raises(Unusable) as wrong:
        check(source(GOOD), NOW)
    assert [d.id for d in wrong.value.diagnostics] == ["too-intricate"]


@pytest.mark.usefixtures("hurried")
def test_the_command_says_so_with_exit_2(tmp_path: Path) -> None:
    path = tmp_path / "hut.yaml"
    path.write_text(GOOD)
    ran = run("ask", path, "who can reach home", "--json")
    assert ran.code == 2
    assert ran.json["diagnostics"][0]["id"] == "too-intricate"
