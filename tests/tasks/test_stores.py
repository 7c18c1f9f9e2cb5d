"""Stores of lists are made by tinycdb itself, again where they are not as they should be, always later."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.listed import Listed
from netcharter.plan.names.domains import wire
from netcharter.plan.names.shapes import NamesPlan
from netcharter.render import render
from netcharter.render import stores as places
from netcharter.rollout import work as rollout
from netcharter.rollout.run import files, programs
from netcharter.rollout.run.real import perform
from netcharter.rollout.shapes import Effect, Run
from netcharter.rollout.store import Paths
from netcharter.rollout.work import Booted
from netcharter.tasks.enacting import acts
from netcharter.tasks.enacting.stores import make_stores
from netcharter.tasks.preparing import wanted_of

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas: {hall: {device: eth3, hosts: 5}}
devices: {desk: {area: hall, hardware: '02:00:00:aa:00:01', address: lasting}}
lists:
  ours: {entries: [ENTRY]}
  far: {from: 'https://lists.example.org/far'}
names:
  - {withhold: [ours, far], for: hall}
"""


class Disk:
    """This machine's own disk. dies: before which of its effects."""

    def __init__(self) -> None:
        self.second, self.count, self.dies = 1_000.0, 0, -1
        self.names, self.read = files.names, files.read

    def utc(self) -> datetime:
        return datetime.fromtimestamp(self.second, UTC)

    def perform(self, effect: Effect) -> None:
        self.count += 1
        if self.count == self.dies:
            raise KeyboardInterrupt
        if isinstance(effect, Run) and effect.argv[0] == "cdb":
            program = path_of("cdb") or "cdb"
            subprocess.run([program, *effect.argv[1:]], input=effect.stdin, check=True, timeout=60)
        else:
            perform(effect)


def plan(entry: str = "games.example", far: bytes | None = None) -> NamesPlan:
    charter = read(CHARTER.replace("ENTRY", entry).encode(), "hut").charter
    assert charter is not None
    return make_plan(charter, lists={"far": Listed(far)} if far else {}).names


@pytest.fixture
def work(tmp_path: Path) -> Iterator[Any]:
    before = os.umask(0o077)  # whoever makes them, another reads them
    yield SimpleNamespace(host=Disk(), paths=Paths(str(tmp_path)))
    os.umask(before)


def folder(work: Any, names: NamesPlan, name: str) -> Path:
    return Path(work.paths.within(places.FOLDER, places.place(names.lists[name])))


def line(folder: Path, store: str, name: str) -> str:
    """The line that a store tells of a name, as tinycdb finds it; "" for none."""
    command = [path_of("cdb") or "cdb", "-d", str(folder / f"{store}.cdb")]
    dumped = subprocess.run(command, capture_output=True, check=True).stdout
    _, found, rest = dumped.partition(wire(name) + b"->")
    return rest.split(b"\n", 1)[0].decode() if found else ""


def test_a_list_is_made_once_and_again_where_it_says_something_else(work: Any) -> None:
    first = plan()
    assert make_stores(work, first) == ("ours", "far")
    ours = folder(work, first, "ours")
    assert line(ours, "below", "games.example") == "1"
    far = folder(work, first, "far")  # nobody has told it
    assert (far / "below.cdb").exists() and not line(far, "below", "games.example")
    assert make_stores(work, first) == ()
    second = plan("bets.example")
    assert make_stores(work, second, first) == ("ours",)
    assert line(folder(work, second, "ours"), "below", "bets.example") == "1"
    assert ours.exists()  # it is another one's still
    assert make_stores(work, second) == () and not ours.exists()
    for path in folder(work, second, "ours").iterdir():
        assert path.stat().st_mode & 0o777 == 0o644
    assert folder(work, second, "ours").stat().st_mode & 0o777 == 0o755


def test_what_is_fetched_counts_as_it_is_kept_here_and_each_time_is_later(work: Any) -> None:
    kept = Path(work.paths.within("lists"))
    kept.mkdir()
    then = plan(far=b"old.example\n")
    assert "far" in make_stores(work, then)
    far = folder(work, then, "far")
    before = (far / "exact.cdb").stat().st_mtime
    (kept / "far").write_bytes(b"0.0.0.0 new.example\n")
    work.host.second = 500.0  # the clock is set back
    assert make_stores(work, then) == ("far",)
    assert line(far, "exact", "new.example") == "1"
    assert not line(far, "below", "old.example")
    assert (far / "exact.cdb").stat().st_mtime > before
    (kept / "far").write_bytes(b"<html>")
    assert make_stores(work, then) == ()  # can't be used
    assert line(far, "exact", "new.example") == "1"


def test_a_list_that_is_read_in_another_form_leaves_those_of_the_form_before(work: Any) -> None:
    """What is on trial may be undone at any moment, and nobody is there then to make them anew."""
    kept = Path(work.paths.within("lists"))
    kept.mkdir()
    (kept / "far").write_bytes(b"far.example\n")
    first = plan()
    make_stores(work, first)
    charter = CHARTER.replace("far'}", "far', form: hosts}").replace("ENTRY", "games.example")
    said = read(charter.encode(), "hut").charter
    assert said is not None
    other = make_plan(said).names
    (kept / "far").write_bytes(b"0.0.0.0 far.example\n")
    assert "far" in make_stores(work, other, first)
    assert line(folder(work, other, "far"), "exact", "far.example") == "1"
    assert line(folder(work, first, "far"), "below", "far.example") == "1"


def test_killed_anywhere_it_is_made_again(work: Any) -> None:
    names = plan()
    make_stores(work, names)
    work.host.count = 0
    make_stores(work, plan("bets.example"), names)
    effects = work.host.count
    for dies in (1, 3, 6, effects):
        other = plan(f"g{dies}.example")
        work.host.count, work.host.dies = 0, dies
        with pytest.raises(KeyboardInterrupt):
            make_stores(work, other, names)
        work.host.dies = -1
        assert make_stores(work, other, names) == ("ours",)
        assert line(folder(work, other, "ours"), "below", f"g{dies}.example") == "1"


def test_one_store_that_is_gone_is_missed(work: Any) -> None:
    names = plan()
    make_stores(work, names)
    (folder(work, names, "ours") / "spared.cdb").unlink()
    assert make_stores(work, names) == ("ours",)
    assert (folder(work, names, "ours") / "spared.cdb").exists()


@pytest.mark.parametrize("there", [True, False])
def test_what_is_missing_at_boot_is_made_and_else_all_the_same_comes_up(
    work: Any, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    names = plan()
    work.host.locked = lambda *_: nullcontext()
    if not there:
        work.host.perform = perform  # no program of that name
        monkeypatch.setattr(programs, "SEARCHED", "/nowhere")
    monkeypatch.setattr(rollout, "boot", lambda *_: Booted(1, notes=("before",)))
    monkeypatch.setattr(acts, "kept_plan", lambda _: SimpleNamespace(names=names))
    booted = acts.boot(work)
    assert booted.version == 1 and booted.notes[0] == "before"
    assert (folder(work, names, "ours") / "exact.cdb").exists() == there
    assert there or "withhold nothing: cdb -c" in booted.notes[1]


def test_what_lays_lists_out_is_asked_for_where_there_are_names_rules() -> None:
    for rules, packages in (
        (CHARTER, {"dnsdist", "tinycdb"}),
        (CHARTER.partition("lists:")[0], set()),
    ):
        charter = read(
            rules.replace("for: hall", "for: hall, until: 2030-01-01").encode(), "hut"
        ).charter
        assert charter is not None
        want = wanted_of(charter, render(make_plan(charter)).files)
        assert set(want.packages) & {"dnsdist", "tinycdb"} == packages and want.timed == bool(
            packages
        )


def test_the_same_text_in_another_form_is_another_list() -> None:
    one = plan(far=b"games.example\n").lists["far"]
    hosts = replace(one, said=replace(one.said, form="hosts"))
    assert places.fingerprint(one, b"x") != places.fingerprint(hosts, b"x")
