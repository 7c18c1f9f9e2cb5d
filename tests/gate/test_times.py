"""Hours as the steward tells them: the page says what was answered, also where nobody tells them."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from netcharter.gate import times
from netcharter.gate.server.reading import text_of
from netcharter.plan.names.times import key_of
from netcharter.render import withholding_rules
from netcharter.steward.duties.hours import LASTING
from netcharter.steward.duties.names import text
from netcharter.steward.shapes import NameTime, TellNames
from tests.gate.site import EVENING, LESSON, asked, gate, visit

LESSONS = key_of("lessons", None)


def said(holds: bool, now: datetime, ahead: timedelta = LASTING) -> bytes:
    return text(TellNames((NameTime(LESSONS, holds, now + ahead),)))


def test_it_reads_what_the_steward_writes_as_dnsdist_does() -> None:
    ours = (times.FIRST.decode().strip(), times.LAST.decode().strip(), times.LONGEST)
    theirs = withholding_rules
    assert ours == (theirs.FIRST, theirs.LAST, theirs.LONGEST)
    assert times.told(said(True, LESSON), LESSON) == {LESSONS: True}
    assert times.told(said(False, LESSON), LESSON) == {LESSONS: False}


@pytest.mark.parametrize(
    "data",
    [
        b"", said(False, LESSON)[:-1], said(False, LESSON)[:-4], b"x" + said(False, LESSON),
        said(False, LESSON).replace(b" no ", b" no  "), said(False, LESSON - LASTING),
        said(False, LESSON, timedelta(seconds=601)), b"\xff" * 400,
    ],
)  # fmt: skip
def test_what_is_not_to_be_believed_is_not(data: bytes) -> None:
    assert times.told(data, LESSON) == {}


def test_the_page_says_what_was_answered_whatever_the_clock_says() -> None:
    def status(data: bytes, now: datetime) -> int:
        return asked(visit(), now, replace(gate(), told=lambda at: times.told(data, at))).status

    assert status(said(True, LESSON), LESSON) == 403
    assert status(said(False, EVENING), EVENING) == 421
    assert status(b"", EVENING) == 403, "nobody tells the hours, so the stricter holds"
    assert status(said(False, EVENING), EVENING + LASTING) == 403
    silent = asked(visit(), LESSON, replace(gate(), told=lambda at: {}))
    assert "16:00" in asked(visit(), LESSON).page and "16:00" not in silent.page
    other = visit("open.bets.example")
    assert asked(other, LESSON, replace(gate(), told=lambda at: {})).status == 421


def test_the_file_is_read_and_no_more_than_that(tmp_path: Path) -> None:
    file = tmp_path / "names-hours"
    assert text_of(str(file), 9) == b"" == text_of(str(tmp_path), 9)
    file.write_bytes(said(True, LESSON))
    assert text_of(str(file), times.MOST) == said(True, LESSON) and len(text_of(str(file), 9)) == 9
    (tmp_path / "link").symlink_to(file)
    assert text_of(str(tmp_path / "link"), 9) == b""
