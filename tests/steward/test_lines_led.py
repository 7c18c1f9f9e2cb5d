"""A steward at work while somebody else changes the machine. Rules that lead new conversations are its
own, but not then: each would find the other's in his way."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from netcharter.rollout.run.lock import locked
from netcharter.rollout.store import Paths, format_text
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.loop.world import APART, OTHERS, Handed, RealWorld
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import CutLine, Effect, Fill, Hold, Lead, Schedule
from netcharter.steward.ways import Held, Seen, Ways
from netcharter.tasks.steward import alone, changing, handed
from tests.cli.gateway import HURRY, faked, gateway
from tests.steward.apart import finished
from tests.steward.kernel import at
from tests.steward.test_in_place import trial, version
from tests.steward.test_lines_judged import SITE, TWO
from tests.steward.test_lines_move import LINES, eventually, stands, steward

NEEDS: Any = frozenset({"schedule", "lines"})
LEAD, CUT = Lead(frozenset()), CutLine("copper", 1, 4, "eth0")
EXITS = "exits:\n  - {from: office, with: http, by: [copper, mast], because: calls}\n"


@dataclass
class Pretended:
    """A world whose kernel is none. told: what it was told; changes, free: what others do."""

    folder: Path
    stamp: str = "one"
    changes: bool = False
    free: bool = True
    told: list[Effect] = field(default_factory=list)
    schedule: Schedule = field(default_factory=lambda: replace(SITE, ways=TWO))

    def world(self) -> RealWorld:
        hands = Handed(
            lambda: self.schedule,
            lambda: self.stamp,
            changing=lambda: self.changes,
            alone=self._alone,
        )
        found: Any = RealWorld(self.folder, Settings(), hands)
        found._outward.seen = self._seen
        found._outward.perform = self.told.append
        return found  # type: ignore[no-any-return]

    def _alone(self) -> AbstractContextManager[bool]:
        @contextmanager
        def held() -> Iterator[bool]:
            yield self.free

        return held()

    def _seen(self, ways: Ways) -> Seen:
        return Seen(at("2026-11-26 03:00"), 0.0, at("2026-11-26 03:00"), Held())


def done(place: Pretended, world: RealWorld, *effects: Effect) -> list[Effect]:
    async def each() -> None:
        for effect in effects:
            await world.perform(effect)

    place.told.clear()
    finished(each())
    return list(place.told)


def looked(world: RealWorld) -> tuple[Schedule | None, bool]:
    found = finished(world.facts(NEEDS))
    assert found.lines is not None
    return found.schedule, found.lines.changing


def test_rules_are_told_by_the_version_that_stands_and_by_no_other(tmp_path: Path) -> None:
    place = Pretended(tmp_path)
    world = place.world()
    assert looked(world) == (place.schedule, False)
    assert done(place, world, LEAD, CUT) == [LEAD, CUT]
    place.free = False  # somebody has the lock
    assert done(place, world, LEAD, CUT) == [CUT]
    place.free, place.stamp = True, "two"  # he had it, and has put another in place
    assert done(place, world, LEAD) == []
    looked(world)
    assert done(place, world, LEAD) == [LEAD]


def test_while_another_version_comes_lines_are_judged_by_the_one_before(tmp_path: Path) -> None:
    place = Pretended(tmp_path)
    world, before = place.world(), place.schedule
    looked(world)
    place.stamp, place.changes, place.schedule = "two", True, replace(SITE, ways=Ways())
    assert looked(world) == (before, True)
    assert done(place, world, LEAD) == []
    place.changes = False
    assert looked(world) == (place.schedule, False)
    assert done(place, world, LEAD) == [LEAD]


def test_sets_that_are_not_there_yet_are_no_fault_while_they_come(tmp_path: Path) -> None:
    place = Pretended(tmp_path)
    world: Any = place.world()

    def load(text: str) -> None:
        raise EffectFailed("nft -f -", "No such file or directory")

    world._load = load
    hold = Hold((Fill("nc_open_day", ("eth2",), at("2026-11-26 03:00")),))
    with pytest.raises(EffectFailed):
        done(place, world, hold)
    place.changes = True
    done(place, world, hold)


def test_that_nobody_can_be_led_is_told_in_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where the lock can't be had at all; and somebody who has it now and then is no trouble."""
    place = Pretended(tmp_path, free=False)
    world, passed = place.world(), [1000.0]
    looked(world)
    clock = "netcharter.steward.loop.world.time.clock_gettime"
    monkeypatch.setattr(clock, lambda which: passed[0])
    for _ in range(20):
        assert done(place, world, LEAD) == []
        passed[0] += APART + 1
    for _ in range(int(OTHERS / 2)):
        assert done(place, world, LEAD) == []
        passed[0] += 2
    passed[0] += 2
    with pytest.raises(EffectFailed, match="can't be locked"):
        done(place, world, LEAD)
    place.free = True
    assert done(place, world, LEAD) == [LEAD]


def test_the_state_folder_tells_whether_somebody_changes_the_machine(tmp_path: Path) -> None:
    version(tmp_path, 1)
    version(tmp_path, 2)
    (tmp_path / "kept").symlink_to("versions/0001")
    path = Paths(str(tmp_path)).lock
    hands = handed(tmp_path)
    for phase in ("changing", "undoing", "waiting"):
        trial(tmp_path, 2, phase)
        assert not changing(tmp_path)  # who did is dead
        with locked(path, "enact", 0.0):
            assert changing(tmp_path) is hands.changing() is (phase != "waiting"), phase
            with alone(tmp_path) as free:
                assert not free
    with hands.alone() as free:
        assert free
        with alone(tmp_path) as again:
            assert not again


def test_without_a_state_folder_nobody_leads(tmp_path: Path) -> None:
    with alone(tmp_path / "none") as free:
        assert not free
    (tmp_path / "format").write_bytes(format_text())
    assert not changing(tmp_path)


@pytest.mark.kernel
def test_a_steward_at_work_is_in_nobodys_way(tmp_path: Path) -> None:
    """The exchange of the packet filter takes as long as on a large site; rules come after it."""
    with gateway(tmp_path) as place:
        place.kept(LINES)
        with steward(place) as path:
            eventually(lambda: stands(path, "copper") == "up used")
            place.write("next.yaml", LINES + EXITS)
            done = place.run("enact", "next.yaml", *HURRY, before=faked(place, "nft", "sleep 0.7"))
            assert done.code == 0, done.told
            undone = place.run("undo", before=faked(place, "nft", "sleep 0.7"))
            assert undone.code == 0 and undone.json()["left"] == [], undone.told
            assert stands(path, "copper") == "up used"
