"""Alarms: told once when they begin and once when they end, daily in between, and silences."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.rollout.reading import fields, written
from netcharter.rollout.trouble import StateBroken
from netcharter.steward import alarms, outbox
from netcharter.steward.alarms import Book, Message, Silence
from netcharter.steward.shapes import Report
from tests.steward.kernel import at

NOW = at("2026-11-26 03:00")
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
KEY = "health/memory"
EMPTY = Book()


def report(bad: bool, mark: str = "", key: str = KEY) -> Report:
    return Report(key, bad, "words", "warning", mark)


def follow(steps: list[tuple[float, Report | None]], book: Book = EMPTY) -> list[tuple[float, str]]:
    """(hours, kind) of every message, for reports at hours; None: nobody reports, time passes."""
    found: list[tuple[float, str]] = []
    for hours, said in steps:
        now = NOW + hours * HOUR
        if said is None:
            book, messages = alarms.looked(book, now)
        else:
            book, messages = alarms.reported(book, "health", [said], now)
        found += [(hours, message.kind) for message in messages]
    return found


def test_once_when_it_begins_once_when_it_ends_and_daily_in_between() -> None:
    steps: list[tuple[float, Report | None]] = [(h, report(True)) for h in range(50)]
    found = follow([(-1, report(False)), *steps, (50, report(False)), (51, report(False))])
    assert found == [(0, "begins"), (24, "lasts"), (48, "lasts"), (50, "ends")]


def test_another_mark_is_another_alarm() -> None:
    marks = "aabba"
    found = follow([(h, report(True, mark)) for h, mark in enumerate(marks)])
    assert found == [(0, "begins"), (2, "begins"), (4, "begins")]


def test_a_matter_that_is_no_longer_spoken_of_is_over_and_others_are_left_alone() -> None:
    book, _ = alarms.reported(Book(), "health", [report(True)], NOW)
    book, _ = alarms.reported(book, "hours", [report(True, key="hours/clock")], NOW)
    book, messages = alarms.reported(book, "health", [], NOW + HOUR)
    assert [(m.kind, m.key) for m in messages] == [("ends", KEY)]
    assert list(book.alarms) == ["hours/clock"]


@pytest.mark.parametrize("what", ["all", "health", KEY])
def test_a_silence_holds_back_until_it_expires(what: str) -> None:
    quiet = Book(silences=(Silence(what, NOW + 5 * HOUR, "keeper"),))
    lasting: list[tuple[float, Report | None]] = [(h, report(True)) for h in range(10)]
    assert follow(lasting, quiet) == [(5, "begins")]
    passing: list[tuple[float, Report | None]] = [(1, report(True)), (2, report(False)), (9, None)]
    assert follow(passing, quiet) == []
    other = Book(silences=(Silence("hours", NOW + 5 * HOUR, "keeper"),))
    assert follow(lasting[:2], other) == [(0, "begins")]


def test_the_end_of_what_was_told_is_not_told_within_a_silence() -> None:
    book, messages = alarms.reported(Book(), "health", [report(True)], NOW)
    assert [message.kind for message in messages] == ["begins"]
    book = alarms.silenced(book, Silence("health", NOW + 5 * HOUR, "keeper"), NOW + HOUR)
    book, messages = alarms.reported(book, "health", [report(False)], NOW + 2 * HOUR)
    assert messages == () and book.alarms == {}


def test_what_begins_again_and_again_is_told_five_times_within_a_day() -> None:
    steps: list[tuple[float, Report | None]] = [(h / 2, report(h % 2 == 0)) for h in range(100)]
    found = follow(steps)
    begun = [hours for hours, kind in found if kind == "begins"]
    assert begun[:5] == [0, 1, 2, 3, 4] and begun[5] >= 24
    for hours in begun:
        assert sum(hours <= other < hours + 24 for other in begun) <= alarms.UNSTEADY
    assert len(found) == 2 * len(begun)  # each that was told is told to be over
    book, told = Book(), []
    for hours, said in steps[:10]:
        assert said is not None
        book, messages = alarms.reported(book, "health", [said], NOW + hours * HOUR)
        told += [message.text for message in messages if message.kind == "begins"]
    assert [alarms.UNSTEADY_TEXT in text for text in told] == [False] * 4 + [True]
    assert alarms.read(fields("alarms.json", written(alarms.written(book)))) == book


def test_it_is_known_when_there_is_something_to_tell_next() -> None:
    book = Book(silences=(Silence("all", NOW + 5 * HOUR, "keeper"),))
    assert alarms.wakes(book) is None
    book, _ = alarms.reported(book, "health", [report(True)], NOW)
    assert alarms.wakes(book) == NOW + 5 * HOUR
    book, messages = alarms.looked(book, NOW + 5 * HOUR)
    assert len(messages) == 1 and alarms.wakes(book) == NOW + 5 * HOUR + DAY


def test_silences_are_bounded_replaced_and_taken_away() -> None:
    book = alarms.silenced(Book(), Silence("health", NOW + HOUR, "a"), NOW)
    book = alarms.silenced(book, Silence("health", NOW + 2 * HOUR, "b"), NOW)
    assert [silence.who for silence in book.silences] == ["b"]
    assert alarms.silenced(book, Silence("health", NOW, "b"), NOW).silences == ()
    with pytest.raises(ValueError, match="31 days"):
        alarms.silenced(book, Silence("health", NOW + 32 * DAY, "b"), NOW)
    with pytest.raises(ValueError, match="matter"):
        alarms.silenced(book, Silence("", NOW + HOUR, "b"), NOW)
    for number in range(alarms.MOST_SILENCES - 1):
        book = alarms.silenced(book, Silence(f"health/{number}", NOW + HOUR, "a"), NOW)
    with pytest.raises(ValueError, match="already"):
        alarms.silenced(book, Silence("hours", NOW + HOUR, "a"), NOW)


@settings(max_examples=150)
@given(st.lists(st.tuples(st.integers(0, 30), st.booleans()), max_size=30))
def test_a_beginning_is_followed_by_an_end_and_never_by_another_beginning(
    steps: list[tuple[int, bool]],
) -> None:
    hours, plain = 0, []
    for gap, bad in steps:
        hours += gap
        plain.append((float(hours), report(bad)))
    open_, last = False, -1000.0
    for when, kind in follow(list(plain)):
        if kind == "begins":
            assert not open_
            open_ = True
        else:
            assert open_
            assert kind == "ends" or when - last >= 24
            open_ = kind != "ends"
        last = when
    assert open_ == bool(plain and plain[-1][1].bad)


def test_the_book_survives_the_disk_and_a_broken_one_is_refused() -> None:
    book, _ = alarms.reported(Book(), "health", [report(True, "mark\nü\ud800")], NOW)
    book = alarms.silenced(book, Silence("all", NOW + HOUR, "keeper", "why"), NOW)
    book, _ = alarms.reported(
        book, "health", [report(True, "mark"), report(True, key="health/b")], NOW
    )
    assert alarms.read(fields("alarms.json", written(alarms.written(book)))) == book
    for text in (b'{"alarms": 1}', b'{"alarms": {"a": {}}, "silences": []}', b"[]", b""):
        with pytest.raises(StateBroken):
            alarms.read(fields("alarms.json", text))


# --- letters -------------------------------------------------------------------------------------


def message(when: datetime = NOW, text: str = "words") -> Message:
    return Message("begins", KEY, "warning", text, when, when)


def test_each_channel_gets_each_message_in_order_and_one_that_fails_holds_back_its_own() -> None:
    box = outbox.posted((), [message(text="1"), message(text="2")], ["email", "syslog"])
    assert [(one.channel, one.message.text) for one in outbox.ready(box, NOW)] == [
        ("email", "1"), ("syslog", "1")
    ]  # fmt: skip
    mail, log = outbox.ready(box, NOW)
    box = outbox.sent(outbox.failed(box, mail, NOW), log)
    assert [(one.channel, one.message.text) for one in outbox.ready(box, NOW)] == [("syslog", "2")]
    later = NOW + outbox.FIRST_WAIT
    assert [one.message.text for one in outbox.ready(box, later)] == ["1", "2"]
    assert outbox.wakes(box) == NOW


def test_waits_grow_up_to_a_bound_and_a_letter_goes_after_two_days() -> None:
    box, now, waits = outbox.posted((), [message()], ["email"]), NOW, []
    while box:
        (letter,) = outbox.ready(box, now)
        box = outbox.failed(box, letter, now)
        if box:
            waits.append(box[0].due - now)
            now = box[0].due
    assert waits[:3] == [outbox.FIRST_WAIT * n for n in (1, 2, 4)]
    assert max(waits) == outbox.LONGEST_WAIT
    assert timedelta(days=2) < now - NOW < timedelta(days=2, hours=1)


def test_who_has_a_letter_is_remembered() -> None:
    box = outbox.posted((), [message()], ["email"])
    box = outbox.failed(box, box[0], NOW, ["a@example.org"])
    box = outbox.failed(box, box[0], NOW, ["b@example.org", "a@example.org"])
    assert box[0].taken == ("a@example.org", "b@example.org")
    assert outbox.read(fields("outbox.json", written(outbox.written(box)))) == box
    older = written(outbox.written(box)).replace(b"taken", b"another")
    assert outbox.read(fields("outbox.json", older))[0].taken == ()


def test_the_outbox_is_bounded_survives_the_disk_and_forgets_channels_that_are_gone() -> None:
    box = outbox.posted((), [message(text=str(n)) for n in range(700)], ["email"])
    assert len(box) == outbox.MOST and box[-1].message.text == "699"
    box = outbox.posted(box[-2:], [message()], ["webhook"])
    assert outbox.read(fields("outbox.json", written(outbox.written(box)))) == box
    assert [one.channel for one in outbox.without(box, ["webhook"])] == ["webhook"]
    assert outbox.wakes(()) is None
