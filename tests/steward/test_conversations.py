"""Open conversations are decided again when hours close: asked for once, done once, never forgotten."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.duties import conversations, hours
from netcharter.steward.loop import requests
from netcharter.steward.loop.service import Steward
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.protocol import BeginAnew, Status
from netcharter.steward.schedule import schedule
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import (
    Asked,
    Clock,
    Conversations,
    Counted,
    CutRefused,
    DecideAgain,
    Decision,
    Done,
    Effect,
    Facts,
    Hold,
    Stands,
)
from netcharter.tasks.sources import Source, usable_plan
from netcharter.tasks.steward import Answer
from netcharter.tasks.steward_asks import cut_by
from tests.steward.apart import finished
from tests.steward.charters import DAY
from tests.steward.kernel import at
from tests.steward.world import FakeWorld

PATIENCE = 30
NOW = at("2026-11-26 03:00")


def run(work: Coroutine[Any, Any, None]) -> None:
    finished(asyncio.wait_for(work, PATIENCE))


def test_the_page_of_requests_is_empty_at_first_and_asks_for_nothing(tmp_path: Path) -> None:
    found = requests.read(tmp_path)
    assert found == Conversations() and not found.waits
    decision = conversations.decide(conversations.State(), Facts(Clock(True)), NOW)
    assert decision.effects == ()


def test_many_requests_are_one_piece_of_work_and_the_last_one_counts(tmp_path: Path) -> None:
    for number in range(3):
        requests.ask(tmp_path, DecideAgain(f"reason {number}", number < 2), NOW)
    found = requests.read(tmp_path)
    assert found.asked == Asked(3, NOW, "reason 2", False) and found.waits
    facts = Facts(Clock(True), conversations=found)
    decision = conversations.decide(conversations.State(), facts, NOW)
    assert decision.effects == (CutRefused(found.asked),)
    later = NOW + timedelta(seconds=2.5)
    done = requests.finished(tmp_path, found.asked, Counted(1, 2, 3), later)
    assert done == Done(3, later, 2.5, Counted(1, 2, 3))
    assert requests.read(tmp_path) == Conversations(found.asked, done)
    assert not requests.read(tmp_path).waits


@pytest.mark.parametrize("data", [b"", b"[]", b'{"number": "x"}', b"\xff"])
def test_a_page_that_cannot_be_read_is_one_more_reason(tmp_path: Path, data: bytes) -> None:
    requests.finished(tmp_path, Asked(7, NOW), Counted(), NOW)
    (tmp_path / requests.ASKED).write_bytes(data)
    assert requests.read(tmp_path).waits
    requests.ask(tmp_path, DecideAgain("closed"), NOW)
    assert requests.read(tmp_path).asked.number > 7
    (tmp_path / requests.DONE).write_bytes(data)
    assert requests.read(tmp_path).waits


@dataclass
class Program:
    """The program that cuts. told: whether hours were known, each time; most: how many at once."""

    gate: Event = field(default_factory=Event)
    told: list[bool] = field(default_factory=list)
    begun: Event = field(default_factory=Event)
    at_work: int = 0
    most: int = 0
    fails: bool = False

    def __call__(self, known: bool) -> Counted:
        self.told.append(known)
        self.at_work += 1
        self.most = max(self.most, self.at_work)
        self.begun.set()
        assert self.gate.wait(PATIENCE)
        self.at_work -= 1
        if self.fails:
            raise EffectFailed("deciding open conversations again", "the kernel says no")
        return Counted(2, 1, 14)


def world_of(tmp_path: Path, program: Program) -> RealWorld:
    world = RealWorld(tmp_path, Settings(), Handed(lambda: None, str, decide_again=program))
    world.folder.mkdir(exist_ok=True)
    world.say = lambda text: None  # type: ignore[method-assign]
    return world


async def waiting(world: RealWorld) -> Conversations:
    return (await world.facts(frozenset({"conversations"}))).conversations


def test_a_request_that_comes_while_another_is_at_work_is_remembered(tmp_path: Path) -> None:
    async def told() -> None:
        program = Program()
        world = world_of(tmp_path, program)
        await world.perform(DecideAgain("first"))
        first = (await waiting(world)).asked
        at_work = asyncio.create_task(world.perform(CutRefused(first)))
        await asyncio.to_thread(program.begun.wait, PATIENCE)
        await world.perform(DecideAgain("second", hours=False))
        program.gate.set()
        await at_work
        found = await waiting(world)
        assert found.waits and found.done.number == 1 and found.asked.why == "second"
        await world.perform(CutRefused(found.asked))
        found = await waiting(world)
        assert not found.waits and found.done.counted == Counted(2, 1, 14)
        assert program.told == [True, False]

    run(told())


def test_a_duty_begun_anew_again_and_again_has_one_program_at_a_time(tmp_path: Path) -> None:
    async def told() -> None:
        program = Program()
        world = world_of(tmp_path, program)
        await world.perform(DecideAgain("closed"))
        asked = (await waiting(world)).asked
        tasks = []
        for _ in range(5):
            tasks.append(asyncio.create_task(world.perform(CutRefused(asked))))
            await asyncio.to_thread(program.begun.wait, PATIENCE)
            tasks[-1].cancel()  # as `restart` does
            await asyncio.wait({tasks[-1]})
        last = asyncio.create_task(world.perform(CutRefused(asked)))
        await asyncio.sleep(0)
        program.gate.set()
        await last
        assert program.most == 1 and len(program.told) == 2

    run(told())


def test_what_fails_is_tried_again_and_told(tmp_path: Path) -> None:
    async def told() -> None:
        program = Program(fails=True)
        program.gate.set()
        world = world_of(tmp_path, program)
        await world.perform(DecideAgain("closed"))
        asked = (await waiting(world)).asked
        with pytest.raises(EffectFailed, match="the kernel says no"):
            await world.perform(CutRefused(asked))
        assert (await waiting(world)).waits

    run(told())


@dataclass
class Site(FakeWorld):
    """A world that keeps what was asked for and done, as the real one does on the disk."""

    async def perform(self, effect: Effect) -> None:
        await super().perform(effect)
        found = self.known.conversations
        if isinstance(effect, DecideAgain):
            asked = Asked(found.asked.number + 1, self.clock, effect.why, effect.hours)
            self.known = replace(self.known, conversations=replace(found, asked=asked))
        if isinstance(effect, CutRefused):
            done = Done(effect.asked.number, self.clock, 0.5, Counted(1, 0, 2))
            stands = replace(found.stands, decided=found.stands.version)
            found = replace(found, done=done, stands=stands)
            self.known = replace(self.known, conversations=found)


def at_day(begin: str, change: Callable[[Site], None] = lambda site: None) -> Site:
    """A day of the steward's from an instant, over midnight."""
    plan = usable_plan(Source("charter.yaml", DAY)).plan
    site = Site(clock=at(begin), known=Facts(Clock(True), schedule=schedule(plan, 3)))

    async def told() -> None:
        steward = Steward(site, [hours.duty(), conversations.duty()], ())
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await site.for_(hours=6)
        change(site)
        await site.for_(hours=18)
        status = await steward.answer(Status(), "keeper")
        assert {duty["state"] for duty in status["duties"]} == {"well"}
        text = "\n".join(Answer(status).lines(200))
        assert "decided again at" in text and "0.5 s after it was asked for: 1 cut" in text
        assert (await steward.answer(BeginAnew("conversations"), "keeper"))["ok"]
        await site.settle()
        stop.set()
        await task

    run(told())
    return site


def test_once_for_each_closing_and_after_the_sets_are_as_they_are_to_be() -> None:
    """Hours end at 16:00, where the refusal that rests until 08:00 begins to rest: one set is
    emptied at 16:00 (what was let), one at 08:00 (what rested)."""
    site = at_day("2026-11-26 07:00")
    cuts = [(when, e) for when, e in site.done if isinstance(e, CutRefused)]
    assert [when for when, _ in cuts] == [at("2026-11-26 08:00"), at("2026-11-26 16:00")]
    assert [effect.asked.hours for _, effect in cuts] == [True, True]
    for when, effect in cuts:
        before = [e for _, e in site.done[: site.done.index((when, effect))]]
        assert [type(e) for e in before[-2:]] == [Hold, DecideAgain]


def test_where_the_clock_is_lost_hours_are_taken_for_closed() -> None:
    def lost(site: Site) -> None:
        site.known = replace(site.known, clock=Clock(False))

    site = at_day("2026-11-26 07:00", lost)
    cuts = [(when, e.asked.hours) for when, e in site.done if isinstance(e, CutRefused)]
    assert [known for _, known in cuts] == [True, False]
    assert at("2026-11-26 13:00") <= cuts[1][0] <= at("2026-11-26 13:03")


def stood(stands: Stands, **more: Any) -> Decision[conversations.State]:
    facts = Facts(Clock(True), conversations=Conversations(stands=stands))
    return conversations.decide(conversations.State(), replace(facts, **more), NOW)


def test_where_another_version_stands_they_are_decided_again_unless_somebody_is_at_it() -> None:
    """Undone by the timer: 3 stands, and all was decided by 4. Who undoes by a command decides
    then, and spares a session."""
    busy = stood(Stands(3, decided=4, busy=True))
    assert busy.effects == () and busy.wake - NOW <= timedelta(seconds=1)
    asked = stood(Stands(3, decided=4))
    assert asked.effects == (DecideAgain("version 3 stands again", True),)
    unknown = stood(Stands(3, decided=4), clock=Clock(False))
    assert unknown.effects == (DecideAgain("version 3 stands again", False),)
    trusted = conversations.duty(trust_clock=True).decide(
        conversations.State(),
        Facts(Clock(False), conversations=Conversations(stands=Stands(3, 4))),
        NOW,
    )
    assert trusted.effects == (DecideAgain("version 3 stands again", True),)
    waits = Conversations(Asked(1, NOW, "closed"), stands=Stands(3, 4))
    assert stood(Stands(), conversations=waits).effects == (CutRefused(waits.asked),)


@pytest.mark.parametrize("stands", [Stands(), Stands(0, 4), Stands(4, 4), Stands(4, None)])
def test_where_the_version_stands_that_decided_nobody_asks(stands: Stands) -> None:
    """Nor where nothing of ours stands, nor where nothing tells."""
    decision = stood(stands)
    assert decision.effects == () and decision.wake == NOW + conversations.EVERY


def test_an_undo_by_the_timer_is_seen_also_by_a_steward_that_begins_later() -> None:
    site = Site(known=Facts(Clock(True), conversations=Conversations(stands=Stands(3, 4))))

    async def told() -> None:
        steward = Steward(site, [conversations.duty()], ())
        stop = asyncio.Event()
        task = asyncio.create_task(steward.run(stop))
        await site.for_(seconds=30)
        stop.set()
        await task

    run(told())
    assert [type(effect) for _, effect in site.done] == [DecideAgain, CutRefused]


SAYS = "import sys; print({!r} % len(sys.argv)); sys.exit({})"


def program(text: str, code: int = 0) -> Callable[[bool], Counted]:
    """One whose answer may have the number of its arguments in it."""
    return cut_by((sys.executable, "-c", SAYS.format(text, code)))


def test_the_answer_of_the_program_is_counted_and_it_is_told_whether_hours_are_known() -> None:
    asked = program('{"ok": true, "counts": {"cut": %d, "doubtful": 0, "kept": 12}}')
    assert asked(True) == Counted(1, 0, 12)
    assert asked(False) == Counted(2, 0, 12)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        (json.dumps({"ok": False, "state": "refused", "reason": "busy\x1b"}) + "%.0s", 2, "busy<U"),
        ("%.0s", 1, "it ended with 1"),
        ("[]%.0s", 0, "it ended with 0"),
        ('{"counts": {}}%.0s', 0, "no answer that is understood"),
    ],
)
def test_a_program_that_cannot_do_it_is_told_in_words(text: str, code: int, words: str) -> None:
    with pytest.raises(EffectFailed) as fault:
        program(text, code)(True)
    assert words in str(fault.value)
