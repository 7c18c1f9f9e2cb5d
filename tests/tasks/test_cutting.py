"""By which version open conversations are decided again, and what is said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from types import SimpleNamespace
from typing import Any

import pytest

from netcharter.plan.fate import in_force
from netcharter.proofs.conversations import Again, Conversation, Ends, Judged
from netcharter.rollout import looks
from netcharter.rollout import work as rollout
from netcharter.rollout.host import Work
from netcharter.rollout.store import Standing, Trial, Version
from netcharter.rollout.trouble import RolloutRefused
from netcharter.rollout.work import Undone
from netcharter.tasks.enacting import acts, again, cutting, diverted
from netcharter.tasks.enacting.acts import work_at
from netcharter.tasks.enacting.again import closed
from netcharter.tasks.enacting.cutting import LISTED, Cut
from netcharter.tasks.enacting.here import Here
from netcharter.tasks.enacting.place import Decided, Place, decided, in_place, is_deciding
from netcharter.tasks.holds import Holds
from netcharter.tasks.sources import Source, usable_plan
from tests.rollout.pretended import WAYS, Pretended, kit
from tests.steward.charters import DAY

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
TEXT = DAY + b"  - {let: office, reach: internet, with: ssh, because: repairs}\n"


def trial(version: int, phase: Any) -> Trial:
    return Trial(version, 1, phase, "keeper", NOON, 100.0, "boot")


@pytest.mark.parametrize(
    ("standing", "version"),
    [
        (Standing(None, None, "quiet"), 0),
        (Standing(3, None, "quiet"), 3),
        (Standing(3, trial(4, "waiting"), "open"), 4),
        (Standing(3, trial(0, "waiting"), "open"), 0),
        (Standing(4, trial(4, "waiting"), "decided"), 4),
        (Standing(3, trial(4, "changing"), "unbegun"), 3),
        (Standing(3, trial(4, "waiting"), "overtaken"), 3),
    ],
)
def test_the_version_on_trial_counts_else_the_one_that_is_kept(
    standing: Standing, version: int
) -> None:
    assert in_place(standing) == Place(version)


@pytest.mark.parametrize(("phase", "toward"), [("changing", 4), ("undoing", 1)])
def test_between_two_versions_nothing_is_cut(
    phase: str, toward: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    between = Standing(3, trial(4, phase), "open")
    assert in_place(between) == Place(toward, whole=False)
    stands(monkeypatch, between)
    with pytest.raises(RolloutRefused, match="between two versions"):
        cutting.cut(machine(), NOON, None)


def test_without_a_clock_hours_open_nothing_and_no_refusal_rests() -> None:
    """What the kernel does while every timed set is empty (docs/explanation/kit.md)."""
    plan = usable_plan(Source("charter.yaml", TEXT)).plan
    without = closed(plan)
    for instant in (NOON, NOON + timedelta(hours=8)):
        for row, after in zip(plan.rows, without.rows, strict=True):
            forced = [in_force(without, region.when, instant) for region in after.regions]
            timed = any(region.when.during for region in row.regions)
            assert forced == ([] if timed and row.let else [True] * len(row.regions))
    assert sum(not row.regions for row in without.rows) == 1


def test_a_document_stays_short_and_its_counts_are_whole() -> None:
    there = ip_address("192.0.2.1")
    ends = Ends(there, there, (1, 2))
    judged = Judged(Conversation(6, ends, ends), "desk with booking, ssh: refused", ("rule 1",))
    found = Cut("cut", 3, Again((judged,) * (LISTED + 5), (judged,), 7))
    said = found.as_json()
    assert len(said["cut"]) == LISTED
    assert said["counts"] == {"cut": LISTED + 5, "doubtful": 1, "kept": 7, "finishing": 0}
    text = "\n".join(found.lines(80))
    assert f"{LISTED + 5} open conversations cut" in text and "7 open conversations let" in text
    told = "\n".join(Cut("told", 3, found.again).lines(80))
    assert "would be cut" in told


def held(plan: Any, loaded: Any, now: Any, others: tuple[str, ...], lines: Any) -> Holds:
    return Holds("otherwise" if others else "as planned", None, None, others)


def machine() -> Work:
    """One on which something of ours is kept."""
    return work_at("/state", "keeper", host=Pretended(files_={"/state/format": b""}))


COPPER = b"  copper: {device: eth0, address: automatic}\n"
MAST = b"  mast: {device: eth9, address: automatic}\n"
TIN = b"  tin: {device: eth8, address: automatic}\n"


def source(*lines: bytes) -> Source:
    """A charter that numbers its lines in this order."""
    return Source("charter.yaml", TEXT.replace(COPPER, b"".join(lines)))


def heard(monkeypatch: pytest.MonkeyPatch, sources: Mapping[int, Source]) -> list[Any]:
    """The numbers by which marks are read, each time that somebody would be cut on a machine with
    these versions; nothing else of it is asked."""
    numbers: list[Any] = []
    nobody: Any = None

    def cut_refused(*_: object, **more: object) -> Again:
        numbers.append(more["numbers"])
        return cutting.NOTHING

    def kept_source(work: Work, number: int | None = None) -> Source:
        return sources[number or min(sources)]

    for module in (acts, cutting):
        monkeypatch.setattr(module, "kept_source", kept_source)
        monkeypatch.setattr(module, "here", lambda *_: Here(nobody, {}, frozenset(), {}, None))
    monkeypatch.setattr(acts, "cut_refused", cut_refused)
    monkeypatch.setattr(again, "cut_refused", cut_refused)
    return numbers


def stands(monkeypatch: pytest.MonkeyPatch, now: Standing) -> None:
    monkeypatch.setattr(looks, "look", lambda work: now)


def enacted(monkeypatch: pytest.MonkeyPatch, work: Work, version: int, new: Source) -> None:
    """What an enact does of all this, where version 3 is kept."""
    stands(monkeypatch, Standing(3, trial(version, "changing"), "open"))
    place: Any = Here(None, {}, frozenset(), {}, None)  # type: ignore[arg-type]
    acts._cut(work, usable_plan(new).plan, place, acts.kept_plan(work), NOON)


@pytest.mark.parametrize("by", ["the command", "the undo timer"])
def test_after_an_undo_marks_are_read_by_all_kits_that_wrote_them(
    by: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one on trial named its lines otherwise: what two kits number otherwise is not known, and
    a conversation by it is doubtful; what they agree on is."""
    known = {3: source(COPPER, TIN), 4: source(MAST, TIN)}
    work, numbers = machine(), heard(monkeypatch, known)

    def undone(work: Work, why: str) -> Undone:
        work.host.timer_lives = True  # type: ignore[attr-defined]
        assert is_deciding(work.host, work.paths)  # the steward is not to come before it
        return Undone(4, why)

    enacted(monkeypatch, work, 4, known[4])
    stands(monkeypatch, Standing(3, None, "quiet"))
    if by == "the command":
        monkeypatch.setattr(acts, "undo", undone)
        assert cutting.undo(work, "", NOON, None)[1] == cutting.NOTHING
    else:
        cutting.cut(work, NOON, None)
    assert not is_deciding(work.host, work.paths)
    assert numbers == [{1: "copper", 2: "tin"}, {2: "tin"}]
    assert decided(work.host, work.paths) == Decided(3, "boot 1", {1: None, 2: "tin"})
    work.host.boot = "boot 2"  # type: ignore[attr-defined]
    cutting.cut(work, NOON, None)
    assert numbers[2] == {1: "copper", 2: "tin"}


@pytest.mark.parametrize("stood", [True, False])
def test_what_was_undone_at_once_is_decided_again_by_what_stands_and_spares_who_is_at_it(
    stood: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the steward does it, who knows of nobody's session."""
    sources = {3: source(COPPER, TIN), 4: source(MAST, TIN)}
    work, numbers = machine(), heard(monkeypatch, sources)
    plans = (usable_plan(sources[3]).plan if stood else None, usable_plan(sources[4]).plan)
    session: Any = SimpleNamespace(user="keeper")
    spared: list[Any] = []
    counted = again.cut_refused

    def cut_refused(*given: Any, **more: Any) -> Again:
        spared.append(more["spared"])
        return counted(*given, **more)

    monkeypatch.setattr(acts, "cut_refused", cut_refused)
    enacted(monkeypatch, work, 4, sources[4])
    stands(monkeypatch, Standing(3 if stood else None, None, "quiet"))
    cut = [cutting.NOTHING]
    undone = Undone(4, "it is not what was planned")
    for outcome, before in ((replace(undone, over=False), cut), (undone, [])):
        assert acts._decided_back(work, outcome, before, session, plans, NOON) is outcome
    assert decided(work.host, work.paths).version == 4  # type: ignore[union-attr]
    assert acts._decided_back(work, undone, cut, session, plans, NOON) is undone
    assert decided(work.host, work.paths).version == (3 if stood else 0)  # type: ignore[union-attr]
    assert spared == ([[], [session]] if stood else [[]])
    assert len(numbers) == len(cut) == (2 if stood else 1)


def test_what_is_only_told_is_not_decided(monkeypatch: pytest.MonkeyPatch) -> None:
    work, numbers = machine(), heard(monkeypatch, {3: source(COPPER)})
    stands(monkeypatch, Standing(3, None, "quiet"))
    cutting.cut(work, NOON, None, really=False)
    assert numbers == [{1: "copper"}] and decided(work.host, work.paths) is None


@pytest.mark.parametrize("data", [b"", b"{}", b'{"version": 1, "boot": "", "lines": {"x": ""}}'])
def test_a_note_that_cannot_be_read_tells_nothing(
    data: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    work, numbers = machine(), heard(monkeypatch, {3: source(COPPER)})
    stands(monkeypatch, Standing(3, None, "quiet"))
    work.host.files_["/state/decided.json"] = data  # type: ignore[attr-defined]
    cutting.cut(work, NOON, None)
    assert numbers == [{1: "copper"}]
    assert decided(work.host, work.paths) == Decided(3, "boot 1", {1: "copper"})


def test_marks_are_read_as_the_version_wrote_them_that_one_goes_back_from(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The kept charter numbers its lines otherwise than the earlier one to which one goes back.

    What that changes is told, and what of addresses, routes and settings does not become as planned.
    """
    earlier, kept, work = source(COPPER, MAST), source(MAST, COPPER), machine()
    said: list[Any] = []
    gone: list[Any] = []
    nobody: Any = None  # nothing of it is asked here
    standing = Standing(2, trial(1, "changing"), "open")
    place = Here(nobody, {}, frozenset(), {}, None)
    monkeypatch.setattr(looks, "look", lambda work: standing)
    monkeypatch.setattr(looks, "way_back", lambda work, number: (standing, number))
    version = Version(1, "", "keeper", NOON)
    monkeypatch.setattr(looks, "made", lambda work, number: looks.Made(version, kit()))
    monkeypatch.setattr(acts, "WAYS", WAYS)
    for way in ("before", "after"):
        monkeypatch.setattr(diverted, way, lambda *_: ())
    changes = SimpleNamespace(summary="closed 7 connections")
    monkeypatch.setattr(acts, "changes", lambda *_, **more: changes)
    monkeypatch.setattr(rollout, "back", lambda *given: gone.append((given[3](), given[5])))
    monkeypatch.setattr(acts, "kept_source", lambda work, number=None: earlier if number else kept)
    monkeypatch.setattr(acts, "here", lambda plan, connection: place)
    monkeypatch.setattr(acts, "cut_refused", lambda *_, **more: said.append(more["numbers"]))
    monkeypatch.setattr(acts, "holds", held)
    acts.back(work, 1, "", NOON, 300.0)
    work.host.settings["address"] = "another"  # type: ignore[attr-defined]
    del work.host.files_["/state/decided.json"]  # type: ignore[attr-defined]
    acts.back(work, 1, "", NOON, 300.0)
    difference = "closed 7 connections"
    otherwise = ("setting address is another instead of stock", "the packet filter is not loaded")
    assert gone == [((), difference), (otherwise, difference)]
    assert said.pop() == said[0]
    assert said == [{1: "mast", 2: "copper"}]
    assert [line.name for line in usable_plan(earlier).plan.lines] == ["copper", "mast"]


def test_the_plan_is_made_without_the_lock_and_by_what_is_in_place_then(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A long charter takes seconds, in which another may have to go back."""
    host = Pretended(files_={"/state/format": b""})
    stood = iter([1, 2, 2, 2])  # another version is kept while the plan of the first is made
    planned: list[int] = []

    def source(work: Work, number: int) -> Source:
        assert not host.held
        planned.append(number)
        return Source("charter.yaml", TEXT)

    def refused(*_: object, **__: object) -> Again:
        assert host.held
        return cutting.NOTHING

    machine: Any = None
    place = Here(machine, {}, frozenset(), {}, None)
    monkeypatch.setattr(looks, "look", lambda work: Standing(next(stood), None, "quiet"))
    monkeypatch.setattr(cutting, "kept_source", source)
    monkeypatch.setattr(cutting, "here", lambda plan, connection: place)
    monkeypatch.setattr(again, "cut_refused", refused)
    found = cutting.cut(work_at("/state", "keeper", host=host), NOON, None)
    assert (found.version, planned) == (2, [1, 2])
    stood = iter(range(1, 9))
    with pytest.raises(RolloutRefused, match="changes all the time"):
        cutting.cut(work_at("/state", "keeper", host=host), NOON, None)
