"""The state folder: every small combination against a naive table; hostile and cut files."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Interface, IPv6Interface
from itertools import product
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.rollout import store
from netcharter.rollout.shapes import (
    Choice,
    Element,
    Held,
    HostState,
    Link,
    Lying,
    Route,
    Running,
    Table,
)
from netcharter.rollout.snapshot import restored, snapshot
from netcharter.rollout.store import (
    STOCK,
    Armed,
    Event,
    Holder,
    Paths,
    Phase,
    Process,
    Situation,
    Standing,
    Trial,
    Version,
    What,
    back_to,
    boot_does,
    check_format,
    check_kit,
    events_of,
    kept_by,
    link_to,
    may_begin,
    may_keep,
    numbers,
    rows,
    standing,
    timer_does,
    timer_looks,
    unread,
    with_event,
)
from netcharter.rollout.trouble import RolloutRefused, StateBroken
from tests.rollout.pretended import kit

WHEN = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)
HERE, THERE = "this boot", "another boot"
PHASES: tuple[Phase, ...] = get_args(Phase)
KEPT = (None, 1, 2, 3)
TRIED = (STOCK, 2, 3)


def trial(version: int = 2, previous: int | None = 1, phase: Phase = "waiting") -> Trial:
    return Trial(version, previous, phase, "the keeper", WHEN, 500.0, HERE)


def version(number: int, previous: int | None = None) -> Version:
    return Version(number, "aa" * 32, "the keeper", WHEN, "why", ("management",), previous)


# --- what follows, exhaustively -----------------------------------------------------------------

EVERY = [
    (kept, replace(trial(tried, previous, phase), boot_id=boot), armed)
    for kept, tried, previous, phase, boot, armed in product(
        KEPT, TRIED, (None, 1), PHASES, (HERE, THERE), (True, False)
    )
    if tried != (previous or STOCK)
]


def naive(kept: int | None, tried: Trial, armed: bool) -> Situation:
    """In the words of the contract: over iff the link leads to it; else gone with a reboot; else
    not begun before the timer was armed."""
    link = f"versions/{kept:04}" if kept else "absent"
    its = f"versions/{tried.version:04}" if tried.version else "absent"
    if link == its:
        return "decided"
    table: dict[tuple[bool, bool], Situation] = {
        (True, True): "open",
        (True, False): "unbegun",
        (False, True): "overtaken",
        (False, False): "overtaken",
    }
    return table[tried.boot_id == HERE, armed]


def test_standing_is_what_the_naive_table_says() -> None:
    assert len(EVERY) == 240
    for kept, tried, armed in EVERY:
        now = standing(kept, tried, armed, HERE)
        assert now == Standing(kept, tried, naive(kept, tried, armed))
    for kept, armed in product(KEPT, (True, False)):
        assert standing(kept, None, armed, HERE).situation == "quiet"


BOOT = {
    ("quiet", True): "bring up",
    ("quiet", False): "bring up",
    ("decided", True): "tidy, bring up",
    ("decided", False): "tidy, bring up",
    ("overtaken", True): "tidy, bring up",
    ("overtaken", False): "tidy, bring up",
    ("unbegun", True): "tidy, bring up",
    ("unbegun", False): "tidy, bring up",
    ("open", True): "wait",
    ("open", False): "undo, bring up",
}


def test_boot_undoes_only_what_this_boot_left_open_and_nobody_minds() -> None:
    seen = set()
    for (kept, tried, armed), lives in product(EVERY, (True, False)):
        now = standing(kept, tried, armed, HERE)
        assert boot_does(now, lives) == BOOT[now.situation, lives]
        seen.add((now.situation, lives))
    assert boot_does(standing(1, None, False, HERE), True) == "bring up"
    assert seen | {("quiet", True), ("quiet", False)} == set(BOOT)


def test_the_timer_undoes_exactly_what_is_open_and_late_or_cut_short() -> None:
    for (kept, tried, armed), mine, late in product(EVERY, (True, False), (True, False)):
        now = standing(kept, tried, armed, HERE)
        number = tried.version if mine else 9
        clock = 500.0 if late else 499.9
        does = timer_does(now, number, HERE, clock)
        looks = timer_looks(tried, number, HERE, clock)
        if not mine:
            assert (does, looks) == ("end", "end")
        elif now.situation == "decided":
            assert does == "tidy"
        elif now.situation != "open":
            assert does == "end"
        else:
            assert does == looks
            assert does == ("undo" if late or tried.phase != "waiting" else "sleep")


def test_a_timer_of_another_boot_or_of_no_trial_ends() -> None:
    assert timer_looks(None, 2, HERE, 900.0) == "end"
    assert timer_looks(trial(), 2, THERE, 900.0) == "end"


def test_only_what_waits_is_kept_and_nothing_begins_beside_it() -> None:
    for kept, tried, armed in EVERY:
        now = standing(kept, tried, armed, HERE)
        good = now.situation == "decided" or (now.situation, tried.phase) == ("open", "waiting")
        if good:
            assert may_keep(now) == tried
        else:
            with pytest.raises(RolloutRefused):
                may_keep(now)
        if now.situation == "open":
            with pytest.raises(RolloutRefused, match="undone at 2026-05-04T03:02:01Z"):
                may_begin(now)
        else:
            may_begin(now)


def test_undo_leads_to_what_was_kept_before_or_to_the_number() -> None:
    known = {1: version(1), 2: version(2, 1), 3: version(3, 2), 4: version(4)}
    before = {1: 0, 2: 1, 3: 2, 4: 0}
    for wanted, kept in product((None, 0, 1, 2, 3, 4, 5), (None, 1, 2, 3, 4)):
        refused = wanted in (5, kept or 0) or (wanted is None and kept is None)
        if refused:
            with pytest.raises(RolloutRefused):
                back_to(wanted, kept, known)
        else:
            expected = before[kept] if wanted is None and kept else wanted
            assert back_to(wanted, kept, known) == expected
    with pytest.raises(StateBroken):
        back_to(None, 6, known)
    with pytest.raises(RolloutRefused, match="there is no version 1; there is: 2"):
        back_to(None, 2, {2: version(2, 1)})


@pytest.mark.parametrize(
    ("told", "kept", "expected"),
    [
        (["kept 1", "kept 2", "kept 3", "kept 1"], 1, 3),
        (["kept 1", "kept 2", "kept 1", "kept 2"], 2, 1),
        (["kept 1", "kept 0", "kept 2"], 2, 0),
        (["kept 1", "kept 0"], None, 1),
        (["kept 1", "kept 2", "kept 2"], 2, 1),
        (["kept 3", "enacted 1", "undone 1", "mended 3"], 3, 2),  # nobody told: as it was made
        (["kept 1"], 2, 1),  # that it was kept could not be told
        (["kept 3", "restored 3", "kept 1"], 1, 0),  # 3 was kept on another machine
        (["kept 1", "kept 7", "kept 3"], 3, 1),  # 7 has gone: the machine had made it itself
    ],
)
def test_undo_leads_to_what_was_kept_just_before(
    told: list[str], kept: int | None, expected: int
) -> None:
    """No source: what a keeper calls before is what stood before, whenever it was made."""
    known = {1: version(1), 2: version(2, 1), 3: version(3, 2)}
    events = [Event(WHEN, "a", what, int(n)) for what, n in map(str.split, told)]  # type: ignore[arg-type]
    assert back_to(None, kept, known, events) == expected


def test_rows_tell_what_became_of_each() -> None:
    known = {number: version(number) for number in (1, 2, 3, 4, 5)}
    told = [("kept", 1), ("undone", 2), ("kept", 3), ("kept", 1), ("undone", 1), ("undone", 4)]
    events = [Event(WHEN, "a", what, number) for what, number in told]  # type: ignore[arg-type]
    found = rows(known, events, standing(3, trial(4, 3), True, HERE))
    assert [(row.version.number, row.fate) for row in found] == [
        (5, "staged"),
        (4, "on trial"),
        (3, "kept"),
        (2, "undone"),
        (1, "was kept"),
    ]
    assert found[1].until == WHEN


# --- files: written and read again --------------------------------------------------------------

TEXTS = st.text(max_size=20).filter(lambda text: not any(0xD800 <= ord(c) < 0xE000 for c in text))
NUMBERS = st.integers(1, 10**6)
TIMES = st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)).map(
    lambda when: when.replace(microsecond=0, tzinfo=UTC)
)
SECONDS = st.integers(0, 10**12).map(lambda milliseconds: milliseconds / 1000)


@given(st.builds(Trial, NUMBERS, st.none(), st.sampled_from(PHASES), TEXTS, TIMES, SECONDS, TEXTS))
def test_a_trial_comes_back_from_its_file(tried: Trial) -> None:
    assert store.trial_of("trial.json", store.trial_text(tried)) == tried


@given(
    st.builds(
        Version,
        NUMBERS,
        TEXTS,
        TEXTS,
        TIMES,
        TEXTS,
        st.lists(TEXTS, max_size=3).map(tuple),
        st.none(),
        TEXTS,
        st.lists(TEXTS, max_size=3).map(tuple),
        st.just(()),
        st.booleans(),
    )
)
def test_a_version_comes_back_from_its_file(made: Version) -> None:
    assert store.version_of("version.json", store.version_text(made)) == made


@given(
    st.lists(
        st.builds(
            Event,
            TIMES,
            TEXTS,
            st.sampled_from(["enacted", "mended", "refused"]),
            st.none() | NUMBERS,
            TEXTS,
            TEXTS,
            TEXTS,
        ),
        max_size=5,
    )
)
def test_history_comes_back_from_its_file(events: list[Event]) -> None:
    data = b""
    for event in events:
        data = with_event(data, event)
    assert events_of(data) == tuple(events)


def test_timer_and_holder_come_back_from_their_files() -> None:
    armed = Armed(7, Process(4711, 99))
    assert store.armed_of("armed", store.armed_text(armed)) == armed
    holder = Holder(Process(4711, 99), "enact", WHEN)
    assert store.holder_of("lock", store.holder_text(holder)) == holder


STATE = HostState(
    at=12.345,
    links=(Link("eth0", True), Link("eth0.20", False, "eth0", 20)),
    addresses=(
        Held("eth0", IPv4Interface("192.0.2.1/24"), ("broadcast", "192.0.2.255")),
        Held("eth0", IPv6Interface("2001:db8::1/64")),
    ),
    routes=(Route(4, ("default", "via", "192.0.2.9", "dev", "eth0")), Route(6, ("::/0",))),
    choices=(Choice(6, ("pref", "10", "lookup", "7")),),
    tables=(Table("inet", "nc", "table inet nc {\n}\n", (Element("s", "a . 1", 3.5, "0x1"),)),),
    settings={"net/ipv4/ip_forward": "1"},
    shaping={"eth0": "qdisc noqueue"},
    lent=(Held("eth1", IPv4Interface("198.51.100.7/24"), ("dynamic",)),),
    files={"/etc/x": Lying("# Netcharter: x\n", 0o755), "/etc/y": None},
    services={"netcharter-x.service": Running(True, True)},
)


def test_a_host_comes_back_from_its_file_with_every_field() -> None:
    assert all(getattr(STATE, field.name) for field in fields(HostState)), "a field has no example"
    assert restored("before.json", snapshot(STATE)) == STATE


# --- files that are not what they should be -----------------------------------------------------

GOOD: dict[str, tuple[Any, bytes]] = {
    "trial": (store.trial_of, store.trial_text(trial())),
    "version": (store.version_of, store.version_text(version(3, 2))),
    "armed": (store.armed_of, store.armed_text(Armed(7, Process(4711, 99)))),
    "holder": (store.holder_of, store.holder_text(Holder(Process(1, 2), "enact", WHEN))),
    "before": (restored, snapshot(STATE)),
}
KINDS = pytest.mark.parametrize("kind", list(GOOD))
WRONG = [None, True, -1, 1.5, 10**400, float("inf"), "x", [], {}, [1], {"a": 1}, "9" * 5000]


@KINDS
def test_a_file_cut_short_anywhere_is_told(kind: str) -> None:
    read, data = GOOD[kind]
    for end in range(len(data.rstrip())):
        with pytest.raises(StateBroken, match="in the state folder can't be used"):
            read("it", data[:end])


@KINDS
def test_a_field_of_another_kind_is_told_or_means_what_it_says(kind: str) -> None:
    read, data = GOOD[kind]
    found = json.loads(data)
    refused = 0
    for name, wrong in product(found, WRONG):
        text = json.dumps({**found, name: wrong}).encode()
        try:
            read("it", text)
        except StateBroken:
            refused += 1
    assert refused >= len(found) * 6


@KINDS
@given(junk=st.binary(max_size=40), place=st.integers(0, 400))
def test_junk_is_told_and_nothing_else_is_raised(kind: str, junk: bytes, place: int) -> None:
    read, data = GOOD[kind]
    for text in (junk, data[:place] + junk + data[place:]):
        try:
            read("it", text)
        except StateBroken as problem:
            assert problem.place


def test_nesting_without_end_is_told() -> None:
    with pytest.raises(StateBroken, match="recursion"):
        store.trial_of("trial.json", b"[" * 200_000)


def test_a_trial_of_what_is_kept_is_neither_written_nor_read() -> None:
    same = trial(2, 2)
    with pytest.raises(ValueError, match="can't be on trial"):
        store.trial_text(same)
    text = store.trial_text(trial(2, 1)).replace(b'"previous": 1', b'"previous": 2')
    with pytest.raises(StateBroken, match="can't be on trial"):
        store.trial_of("trial.json", text)


def test_history_that_was_cut_off_is_told_and_goes_on() -> None:
    whole = with_event(b"", Event(WHEN, "a", "enacted", 1))
    cut = with_event(whole, Event(WHEN, "a", "mended", 1))[:-9]
    assert [event.what for event in events_of(cut)] == ["enacted"]
    assert [words.partition(" in ")[0] for words in unread(cut)] == ["history.jsonl, line 2"]
    after = with_event(cut, Event(WHEN, "a", "kept", 1))
    assert [event.what for event in events_of(after)] == ["enacted", "kept"]
    assert len(unread(after)) == 1 and unread(whole) == ()


@pytest.mark.parametrize("what", [what for what in get_args(What) if what in ("kept", "undone")])
def test_what_is_told_already_is_not_told_twice(what: What) -> None:
    event = Event(WHEN, "a", what, 1)
    once = with_event(b"", event)
    assert with_event(once, replace(event, when=WHEN + timedelta(hours=1))) == once
    assert with_event(once, replace(event, version=2)) != once


@pytest.mark.parametrize(
    "target", ["versions/0000", "versions/1", "../0001", "/versions/0001", "versions/0001/", ""]
)
def test_a_link_that_leads_elsewhere_is_told(target: str) -> None:
    with pytest.raises(StateBroken, match="kept"):
        kept_by(target)


def test_links_and_numbers_agree() -> None:
    for number in (1, 7, 9999, 10000):
        assert kept_by(link_to(number)) == number
        assert Paths("/s/").version(number) == f"/s/{link_to(number)}"
    assert link_to(STOCK) is None and kept_by(None) is None
    assert numbers(["0002", "0001", ".0003", "x", "0001.netcharter-new"]) == (1, 2)


def test_a_folder_laid_out_otherwise_is_left_alone() -> None:
    check_format(None, [])
    check_format(store.format_text(), ["versions"])
    with pytest.raises(RolloutRefused, match="layout 2"):
        check_format(b"netcharter state 2\n", [])
    for data, names in ((b"", []), (b"junk", []), (None, ["versions"])):
        with pytest.raises(StateBroken, match="format"):
            check_format(data, names)


def test_a_kit_that_is_not_what_was_put_in_place_is_told() -> None:
    files = kit(address="here")
    made = replace(version(1), digest=store.digest_of(files))
    check_kit(made, files)
    for changed in (
        {**files, "settings": b"{}"},
        {**files, "more": b""},
        {"settings": files["settings"]},
        {"manifest.json": files["manifest.json"]},
        {**files, "manifest.json": files["manifest.json"] + b" "},
    ):
        with pytest.raises(StateBroken, match="versions/0001/kit/"):
            check_kit(made, changed)
