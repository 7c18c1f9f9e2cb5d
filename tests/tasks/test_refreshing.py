"""What is asked of `refresh` is judged before anything is fetched."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan.listed import OLD, Listed
from netcharter.plan.names.shapes import NamesPlan
from netcharter.rollout.shapes import Effect, Write
from netcharter.rollout.store import Paths
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.loop.fetching import NotFetched
from netcharter.tasks.enacting import acts, refreshing
from netcharter.tasks.sources import Source, Unusable, included

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas: {hall: {device: eth3, hosts: 5}}
devices: {desk: {area: hall, hardware: '02:00:00:aa:00:01', address: lasting}}
lists:
  seen: {of: addresses, from: 'https://lists.example.org/seen'}
  ours: {of: addresses, entries: [198.51.100.9]}
  games: {from: 'https://lists.example.org/games', topic: play}
  idle: {from: 'https://lists.example.org/idle'}
hostile: {lists: [seen, ours]}
names:
  - {withhold: play, for: hall, because: lessons}
"""
GAMES = (
    b"".join(b"g%d.example\n" % number for number in range(30)) + b"nonsense here\n<b>\n9.9.9.9\n"
)


def never(url: str) -> bytes:
    raise AssertionError(f"{url} was asked for")


class Disk:
    """A state folder in memory. dies: before which write."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.dies: str | None = None
        self.seconds = 0.0

    def clock(self) -> float:
        return self.seconds

    def read(self, path: str) -> bytes | None:
        return self.files.get(path)

    def locked(self, *_: object) -> AbstractContextManager[None]:
        return nullcontext()

    def perform(self, effect: Effect) -> None:
        if isinstance(effect, Write):
            if effect.path == self.dies:
                raise KeyboardInterrupt
            self.files[effect.path] = effect.data


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    """What is kept is a charter whose lists of addresses say nothing new."""
    monkeypatch.setattr(acts, "standing", lambda _: SimpleNamespace(kept=1))
    monkeypatch.setattr(acts, "kept_source", lambda _: Source("hut", CHARTER.encode()))
    monkeypatch.setattr(
        refreshing, "_taken_over", lambda *_: refreshing.Refreshed("as before", "", 1)
    )
    monkeypatch.setattr(refreshing, "_stored", lambda *_: refreshing.Refreshed("as before", "", 1))
    return Disk()


def fetch(disk: Disk, text: bytes, now: datetime, *accepted: str) -> refreshing.Told:
    """What comes of `games`, of which this is published."""
    work: Any = SimpleNamespace(host=disk, paths=Paths("/s"))
    found = refreshing.refresh(work, now, ["games"], accepted, lambda url: text)
    (told,) = found.lists
    return told


def test_a_list_of_names_is_fetched_counted_and_not_followed_where_it_is_odd(disk: Disk) -> None:
    first = fetch(disk, GAMES, NOW)
    assert (first.fate, first.entries) == ("fetched", 30)
    reasons = {reason: found for reason, found in first.refused.items()}
    assert reasons["is an address, and this is a list of names"] == (1, 33) and len(reasons) == 3
    assert "3 lines hold none" in first.text and disk.files["/s/lists/games"] == GAMES
    later = NOW + timedelta(days=1)
    for text, why in (
        (b"only.example\n", "97 % fewer than the 30 before"),
        (b"", "it holds no name"),
        (b"<!doctype html><html>", "it is a web page and no list"),
        (b"192.0.2.1\n192.0.2.2\n", "it holds no name (2 lines refused)"),
    ):
        odd = fetch(disk, text, later)
        assert odd.fate == "kept as it was" and why in odd.why
        assert disk.files["/s/lists/games"] == GAMES
    assert fetch(disk, b"only.example\n", later, "games").entries == 1
    old = fetch(disk, b"", later + OLD + timedelta(seconds=1))
    assert old.old and "older than 48 hours" in old.text


def test_a_list_of_another_address_is_asked_for_at_once_and_not_measured_by_the_one_before(
    disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    fetch(disk, GAMES, NOW)
    soon = NOW + timedelta(minutes=30)
    work: Any = SimpleNamespace(host=disk, paths=Paths("/s"))

    def refresh(text: bytes | None) -> refreshing.Told:
        def fetched(url: str) -> bytes:
            if text is None or url.endswith("/seen"):
                raise NotFetched("the server answered 404")
            return text if url.endswith("/others") else never(url)

        found = refreshing.refresh(work, soon, (), (), fetched)
        return next(one for one in found.lists if one.name == "games")

    other = CHARTER.replace("/games'", "/others'")
    monkeypatch.setattr(acts, "kept_source", lambda _: Source("hut", other.encode()))
    failed = refresh(None)
    assert failed.fate == "kept as it was" and "from another address" in failed.why
    assert disk.files["/s/lists/games"] == GAMES
    assert b"example.org/others" not in disk.files["/s/lists/games.json"]
    found = refresh(b"only.example\n")
    assert (found.fate, found.entries) == ("fetched", 1)
    assert disk.files["/s/lists/games"] == b"only.example\n"
    assert refresh(None).fate == "not due"


def test_slow_servers_keep_no_list_waiting_for_ever_and_nothing_from_being_used(
    disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        refreshing, "_stored", lambda *_: refreshing.Refreshed("refreshed", "used", 1)
    )
    work: Any = SimpleNamespace(host=disk, paths=Paths("/s"))
    fates = []
    for turn in range(4):

        def slow(url: str) -> bytes:
            disk.seconds += refreshing.FETCHING
            raise NotFetched("the server takes too long")

        now = NOW + turn * refreshing.TURN
        found = refreshing.refresh(work, now, (), (), slow)
        assert [one.name for one in found.lists] == ["seen", "games"] and found.state == "refreshed"
        assert all(one.fate == "kept as it was" for one in found.lists)
        fates.append([one.name for one in found.lists if "takes too long" in one.why])
    assert fates in ([["seen"], ["games"]] * 2, [["games"], ["seen"]] * 2)


def test_killed_between_text_and_record_the_size_stays_plausible(disk: Disk) -> None:
    fetch(disk, GAMES, NOW)
    disk.dies = "/s/lists/games"
    with pytest.raises(KeyboardInterrupt):
        fetch(disk, GAMES * 2, NOW + timedelta(days=1), "games")
    disk.dies = None
    assert disk.files["/s/lists/games"] == GAMES
    shrunk = fetch(disk, b"only.example\n", NOW + timedelta(days=2))
    assert shrunk.fate == "kept as it was" and "30 before" in shrunk.why
    assert shrunk.fetched == NOW


def test_with_a_version_lists_of_addresses_are_put_aside_and_those_of_names_not() -> None:
    lists_ = {"seen": Listed(b"9.9.9.0/24"), "games": Listed(GAMES)}
    source = Source("hut.yaml", CHARTER.encode(), lists=lists_, load=None)
    assert included(source) == {"fetched:seen": b"9.9.9.0/24"}


@pytest.mark.parametrize(
    ("situation", "made", "state"),
    [
        ("quiet", ("games",), "refreshed"),
        ("quiet", (), "as before"),
        ("open", ("games",), "as before"),
        ("quiet", EffectFailed("cdb", "there is no such program"), "undone"),
    ],
)
def test_names_are_looked_up_anew_where_nothing_is_on_trial(
    monkeypatch: pytest.MonkeyPatch, situation: str, made: tuple[str, ...] | Exception, state: str
) -> None:
    def make_stores(work: object, names: NamesPlan) -> tuple[str, ...]:
        assert list(names.lists) == ["games"] and situation == "quiet"
        if isinstance(made, Exception):
            raise made
        return made

    now = SimpleNamespace(kept=7, situation=situation)
    monkeypatch.setattr(acts, "standing", lambda _: now)
    monkeypatch.setattr(refreshing, "make_stores", make_stores)
    work: Any = SimpleNamespace(host=Disk(), paths=Paths("/s"))
    source = Source("hut.yaml", CHARTER.encode())
    charter = read(source.text, source.name).charter
    told = refreshing._stored(work, source, charter)
    assert (told.state, told.version) == (state, 7)
    assert ("no such program" in told.text) == (state == "undone")
    assert ("games" in told.text) == (state == "refreshed")


@pytest.mark.parametrize(
    ("states", "both"),
    [
        (("as before", "as before"), ("as before", "in place")),
        (("refreshed", "as before"), ("refreshed", "anew")),
        (("as before", "refreshed"), ("refreshed", "in place")),
        (("undone", "refreshed"), ("undone", "anew; in place")),
        (("refreshed", "refused"), ("refused", "anew; in place")),
    ],
)
def test_of_names_and_addresses_the_graver_is_told(
    states: tuple[refreshing.State, refreshing.State], both: tuple[str, str]
) -> None:
    names, addresses = states
    told = refreshing._together(
        refreshing.Refreshed(names, "" if names == "as before" else "anew", 1),
        refreshing.Refreshed(addresses, "in place", 2),
    )
    assert (told.state, told.text, told.version) == (*both, 2)


@pytest.mark.parametrize(
    ("name", "instead"),
    [
        ("sene", "write seen"),
        ("ours", "say one of seen and games"),
        ("idle", "say one of seen and games"),
        ("", "say one of seen and games"),
    ],
)
@pytest.mark.parametrize("key", ["names", "accepted"])
def test_a_name_for_which_nothing_is_fetched_is_a_mistake(
    monkeypatch: pytest.MonkeyPatch, key: str, name: str, instead: str
) -> None:
    work: Any = object()
    kept = Source("hut.yaml", CHARTER.encode())
    monkeypatch.setattr(
        "netcharter.tasks.enacting.acts.standing", lambda _: SimpleNamespace(kept=1)
    )
    monkeypatch.setattr("netcharter.tasks.enacting.acts.kept_source", lambda _: kept)
    said: dict[str, Any] = {key: [name]}
    with pytest.raises(Unusable) as found:
        refreshing.refresh(work, NOW, **said, fetched=never)
    (wrong,) = found.value.diagnostics
    assert (wrong.id, wrong.help) == ("unknown-name", instead)
