"""Answers and their arguments: nothing asked, one moment, one wording for who decides."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from netcharter.diagnostics.text import render
from netcharter.proofs.certify import Prover
from netcharter.proofs.story import row_name
from netcharter.tasks.check import check
from netcharter.tasks.compare import compare_charters
from netcharter.tasks.questions import ask_charter, explain
from netcharter.tasks.sources import Source, Unusable, load_plan
from tests.cli.running import CHARTER, DRAFT, WHEN, run

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)  # a Monday
DEMO = Source("charter.yaml", CHARTER.read_bytes())
FIRST = Source("first-draft.yaml", DRAFT.read_bytes())


@pytest.mark.parametrize("terms", [{}, {"services": ["https"]}])
def test_without_a_question_and_without_terms_nothing_is_answered(terms: dict[str, Any]) -> None:
    with pytest.raises(Unusable) as wrong:
        ask_charter(DEMO, None, NOW, **terms)
    (told,) = wrong.value.diagnostics
    assert told.message == "nothing is asked"
    assert told.help is not None and "who can reach booking" in told.help


def test_an_empty_argument_has_no_line_to_underline() -> None:
    ran = run("ask", CHARTER)
    assert ran.code == 2
    assert ran.err.splitlines()[:2] == [
        "error at question:1:1 (question-not-understood)", "  nothing is asked"
    ]  # fmt: skip
    assert "=" not in ran.err and " : " not in ran.err
    missing = run("check", CHARTER.with_name("absent.yaml"))
    assert missing.code == 2 and "=" not in missing.err


def test_an_argument_with_a_text_is_underlined() -> None:
    with pytest.raises(Unusable) as wrong:
        ask_charter(DEMO, "open sesame", NOW)
    told = render(wrong.value.diagnostics, wrong.value.texts, width=80, colour=False)
    assert "    1 : open sesame\n      : ===========\n" in told


@pytest.mark.parametrize("at", ["Tue 12:00", "Tue 18:00", "2027-04-01 12:00"])
def test_at_a_moment_no_row_has_conditions_of_time(at: str) -> None:
    answer = ask_charter(DEMO, None, NOW, who=["bunkrooms", "office"], reach=["anywhere"], at=at)
    assert answer.answer.rows
    for row in answer.answer.rows:
        assert row.when == "then" or row.when.startswith("then, "), row
        assert "during" not in row.when and "until" not in row.when and "at times" not in row.when
    assert not any("(then)" in line for line in answer.lines())


def test_whoever_decides_is_called_the_same_everywhere() -> None:
    plan = load_plan(DEMO).plan
    names = {row_name(row) for row in Prover(plan, NOW).plan.rows}
    drafts = {row_name(row) for row in load_plan(FIRST).plan.rows}
    asked = ask_charter(DEMO, None, NOW, who=["anyone", "gateway"]).as_json()["rows"]
    assert {row["decided_by"] for row in asked} <= names
    story = explain(DEMO, "office", "gateway", "dns", NOW).as_json()
    assert story["decided_by"] == "housekeeping 'names'"
    shown = [p["connection"] for p in check(FIRST, NOW).as_json()["promises"] if p["connection"]]
    assert shown and {c["decided_by"] for c in shown} <= drafts
    changed = compare_charters(FIRST, DEMO, NOW).as_json()
    rows = [row for kind in ("opened", "closed", "altered") for row in changed[kind]]
    for row in rows:
        assert row["after"]["decided_by"] in names
        assert row["connection"]["decided_by"] in (
            row["before"]["decided_by"], row["after"]["decided_by"]
        )  # fmt: skip


@pytest.mark.parametrize("moment", ["9999-12-31", "0001-01-01", "0001-01-01T00:00+14:00"])
@pytest.mark.parametrize(
    "arguments",
    [
        ("check", CHARTER),
        ("ask", CHARTER, "who can reach booking"),
        ("why", CHARTER, "--from", "office", "--to", "gateway", "--with", "ssh"),
        ("compare", DRAFT, CHARTER),
    ],
    ids=lambda arguments: str(arguments[0]),
)
def test_a_year_that_cannot_be_judged_is_a_mistake_of_the_command_line(
    arguments: tuple[Any, ...], moment: str
) -> None:
    ran = run(*arguments, "--as-of", moment)
    assert ran.code == 2
    assert "write a year from 1971 to 2199" in ran.err


@pytest.mark.parametrize("moment", ["1971-01-01", "2199-12-31", "2199-12-31T23:59:59-12:00"])
def test_the_first_and_the_last_year_are_judged(moment: str) -> None:
    assert run("check", CHARTER, "--as-of", moment).code in (0, 1)
    asked = run("ask", CHARTER, "who can reach booking", "--at", "Tue 21:30", "--as-of", WHEN)
    assert asked.code == 0
