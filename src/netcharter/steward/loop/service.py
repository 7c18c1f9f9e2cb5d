"""The one loop: every duty has its turns, alarms are told, letters leave; each for itself.

What the loop needs of the world is `World`, so that tests drive it with a clock of their own.
"""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Protocol, TypeVar

from netcharter.rollout.reading import fields
from netcharter.rollout.reading import written as as_file
from netcharter.rollout.trouble import StateBroken
from netcharter.steward import alarms, outbox, protocol, telling, turns
from netcharter.steward.alarms import Book, Message, Silence
from netcharter.steward.loop.delivery import NotDelivered
from netcharter.steward.outbox import Letter, Outbox
from netcharter.steward.shapes import DecideAgain, Duty, Effect, Facts, Mend, Need, Report
from netcharter.steward.turns import Turns

S = TypeVar("S")
ALARMS, OUTBOX = "alarms.json", "outbox.json"
GRACE = 30.0  # seconds beyond its limit in which a duty's turn is ended by itself


class World(Protocol):
    """What the loop needs of the world. Names of files are within the steward's own folder."""

    def now(self) -> datetime: ...
    async def facts(self, needs: frozenset[Need]) -> Facts: ...
    async def perform(self, effect: Effect) -> None: ...
    async def deliver(self, letter: Letter) -> None: ...
    async def wait(self, until: datetime | None, woken: asyncio.Event) -> None: ...
    async def load(self, name: str) -> bytes | None: ...
    async def save(self, name: str, data: bytes) -> None: ...
    def say(self, text: str) -> None: ...


class Keeper:
    """A duty at work: its turns, and the task that has them."""

    def __init__(self, duty: Duty[Any], now: datetime) -> None:
        self.duty = duty
        self.turns = Turns(now)
        self.woken = asyncio.Event()
        self.begun: datetime | None = None  # of the turn that goes on
        self.unsaved = False  # whether the disk has another state than the one that counts
        self.task: asyncio.Task[None] | None = None


class Steward:
    """All duties, the book of alarms, and the letters on their way."""

    def __init__(self, world: World, duties: Sequence[Duty[Any]], channels: Iterable[str]) -> None:
        self._world = world
        now = world.now()
        self.keepers = {duty.name: Keeper(duty, now) for duty in duties}
        self._channels = tuple(channels)
        self.book = Book()
        self.box: Outbox = ()
        self._box_on_disk: Outbox = ()
        self._essence_on_disk: object = telling.essence(self.book)
        self.facts = Facts(clock=telling.NO_CLOCK)  # the last that any duty was told
        self.began = now
        self._tells: dict[str, tuple[Mapping[str, object], ...]] = {}
        self._to_tell = asyncio.Event()
        self._to_post = {name: asyncio.Event() for name in self._channels}

    # --- the life of it ------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event, ready: Callable[[], None] = lambda: None) -> None:
        """Until it is told to stop. Whatever a duty does, the others go on."""
        self.book = await self._loaded(ALARMS, alarms.read, Book())
        self.box = outbox.without(await self._loaded(OUTBOX, outbox.read, ()), self._channels)
        self._box_on_disk, self._essence_on_disk = self.box, telling.essence(self.book)
        others = [
            asyncio.create_task(self.again("telling", self._tell_on)),
            *(
                asyncio.create_task(self.again(f"posting by {name}", partial(self._post_on, name)))
                for name in self._channels
            ),
        ]
        for keeper in self.keepers.values():
            self._begin(keeper)
        ready()
        await stop.wait()
        tasks = [k.task for k in self.keepers.values() if k.task is not None] + others
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _begin(self, keeper: Keeper) -> None:
        keeper.task = asyncio.create_task(
            self.again(keeper.duty.name, lambda: self._keep(keeper.duty, keeper))
        )

    async def again(self, name: str, work: Callable[[], Awaitable[None]]) -> None:
        """Work that should not end; where it does by a fault of our own, it is begun again."""
        fault = Turns(self._world.now())
        while True:
            try:
                await work()
            except Exception:  # noqa: BLE001 - whatever it was, the others go on
                self._world.say(f"{name} is begun again: {traceback.format_exc(limit=-4)}")
                fault = turns.failed(fault, self._world.now(), name)
                await self._world.wait(fault.due, asyncio.Event())

    async def restart(self, name: str) -> None:
        """A duty is begun anew from what is on the disk. Raises KeyError for an unknown one."""
        keeper = self.keepers[name]
        task = keeper.task
        if task is not None:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        if keeper.task is not task:
            return  # somebody else who asked for it has begun it meanwhile
        keeper.turns = Turns(self._world.now())
        keeper.begun = None
        self._begin(keeper)

    def wake(self, names: Iterable[str] | None = None) -> None:
        """These duties have their next turn now; None: all."""
        for name in self.keepers if names is None else names:
            self.keepers[name].woken.set()

    def clock_was_set(self) -> None:
        """All is decided, told and tried anew; turns that go on are taken for begun just now."""
        for keeper in self.keepers.values():
            if keeper.begun is not None:
                keeper.begun = self._world.now()
        self.wake()
        for event in (self._to_tell, *self._to_post.values()):
            event.set()

    def stuck(self) -> tuple[str, ...]:
        """Duties whose turn lasts longer than it can."""
        now = self._world.now()
        return tuple(
            keeper.duty.name
            for keeper in self.keepers.values()
            if keeper.begun is not None
            and now - keeper.begun > timedelta(seconds=keeper.duty.limit + GRACE)
        )

    # --- a duty --------------------------------------------------------------------------------

    async def _keep(self, duty: Duty[S], keeper: Keeper) -> None:
        state = await self._loaded(f"{duty.name}.json", duty.read, duty.begin)
        while True:
            await self._world.wait(keeper.turns.due, keeper.woken)
            keeper.woken.clear()
            keeper.begun = self._world.now()
            unsaved: Exception | None = None
            try:
                async with asyncio.timeout(duty.limit):
                    state, wake, unsaved = await self._turn(duty, state)
            except Exception as fault:  # noqa: BLE001 - whatever it was, the rest goes on
                self._world.say(f"{duty.name}: {traceback.format_exc(limit=-4)}")
                keeper.turns = turns.failed(keeper.turns, self._world.now(), _words(fault))
            else:
                keeper.turns = (
                    turns.went_well(keeper.turns, keeper.begun, wake)
                    if unsaved is None
                    else turns.unsaved(keeper.turns, self._world.now(), _words(unsaved), wake)
                )
            finally:
                keeper.begun = None
            await self._report("steward", turns.reports(self._all_turns()))

    async def _turn(self, duty: Duty[S], state: S) -> tuple[S, datetime, Exception | None]:
        """One turn: the state from now on, when the next one is to be, and why what it told, or the
        state, could not be saved, if so.

        It is told before it is done: what an effect puts right, and what it breaks, would else be
        told by nobody if the steward were killed meanwhile. That it can't be saved keeps nothing
        from being done. What was decided counts once all of it is done; killed before, it is
        decided again, or from what was intended.
        """
        facts = await self._world.facts(duty.needs)
        self.facts = telling.newest(self.facts, facts, duty.needs)
        decision = duty.decide(state, facts, self._world.now())
        unsaved = await self._report(duty.name, decision.reports)
        if decision.intent is not None:
            self.keepers[duty.name].unsaved = True
            unsaved = await self._written(duty, decision.intent) or unsaved
        for effect in decision.effects:
            await self._world.perform(effect)
            for name in _follows(effect):
                if name in self.keepers:
                    self.wake((name,))
        self._tells[duty.name] = decision.tells
        keeper = self.keepers[duty.name]
        if decision.state != state or keeper.unsaved:
            fault = await self._written(duty, decision.state)
            keeper.unsaved, unsaved = fault is not None, unsaved or fault
        return decision.state, decision.wake, unsaved

    async def _written(self, duty: Duty[S], state: S) -> Exception | None:
        """A state is on the disk; if not, why."""
        try:
            await self._world.save(f"{duty.name}.json", as_file(duty.written(state)))
        except Exception as fault:  # noqa: BLE001 - whatever it was, the rest goes on
            self._world.say(f"the state of {duty.name} can't be saved: {_words(fault)}")
            return fault
        return None

    def _all_turns(self) -> list[tuple[str, Turns]]:
        return [(name, keeper.turns) for name, keeper in self.keepers.items()]

    async def _loaded(self, name: str, read: Callable[[Any], S], begin: S) -> S:
        """What a file holds. Where it can't be used it is told, and begun anew."""
        data = await self._world.load(name)
        if data is None:
            return begin
        try:
            return read(fields(name, data))
        except StateBroken as fault:
            self._world.say(f"{fault.reason}; it is begun anew")
            return begin

    # --- alarms and letters --------------------------------------------------------------------

    async def _report(self, duty: str, reports: Iterable[Report]) -> Exception | None:
        return await self._turned(alarms.reported(self.book, duty, reports, self._world.now()))

    async def _turned(self, turn: tuple[Book, tuple[Message, ...]]) -> Exception | None:
        """Who posts and who tells is woken before anything is saved: that a disk is full has to
        be told as well. Why it could not be saved, if so."""
        before, (self.book, messages) = self.book, turn
        for message in messages:
            self._world.say(telling.logged(message))
        changed = telling.essence(before) != telling.essence(self.book)
        if changed:
            self._to_tell.set()
        if messages and self._channels:
            self.box = outbox.posted(self.box, messages, self._channels)
            for event in self._to_post.values():
                event.set()
        return await self._saved()

    async def _saved(self) -> Exception | None:
        """Letters and book are on the disk, those too that could not be saved before; if not, why.

        Letters come first: an alarm that stands as told, and whose letter is lost, is lost itself.
        """
        box, book, essence = self.box, self.book, telling.essence(self.book)
        try:
            if box != self._box_on_disk:
                await self._world.save(OUTBOX, as_file(outbox.written(box)))
                self._box_on_disk = box
            if essence != self._essence_on_disk:
                await self._world.save(ALARMS, as_file(alarms.written(book)))
                self._essence_on_disk = essence
        except Exception as fault:  # noqa: BLE001 - whatever it was, the rest goes on
            self._world.say(f"alarms and messages can't be saved: {_words(fault)}")
            return fault
        return None

    async def _tell_on(self) -> None:
        """Daily repetitions, and silences that expire."""
        while True:
            await self._world.wait(alarms.wakes(self.book), self._to_tell)
            self._to_tell.clear()
            await self._turned(alarms.looked(self.book, self._world.now()))

    async def _post_on(self, channel: str) -> None:
        """Each channel for itself: none waits for a server of another."""
        event = self._to_post[channel]
        while True:
            await self._world.wait(outbox.wakes(outbox.without(self.box, (channel,))), event)
            event.clear()
            mine = outbox.without(self.box, (channel,))
            for letter in outbox.ready(mine, self._world.now()):
                try:
                    await self._world.deliver(letter)
                except Exception as fault:  # noqa: BLE001 - whatever it was, the rest goes on
                    self._world.say(f"{letter.channel}: not delivered: {_words(fault)}")
                    taken = fault.taken if isinstance(fault, NotDelivered) else ()
                    self.box = outbox.failed(self.box, letter, self._world.now(), taken)
                else:
                    self.box = outbox.sent(self.box, letter)
                await self._saved()

    # --- what is asked -------------------------------------------------------------------------

    async def answer(self, ask: protocol.Ask, who: str) -> Mapping[str, Any]:
        """The answer to a request through the socket."""
        match ask:
            case protocol.Status():
                return self.status()
            case protocol.BeSilent():
                return await self._be_silent(ask, who)
            case protocol.BeginAnew(duty=name):
                if name not in self.keepers:
                    return protocol.refusal(f"the duties are {', '.join(self.keepers)}")
                self._world.say(f"{name} is restarted for {who}")
                await self.restart(name)
            case protocol.Wake(duty=name):
                if name is not None and name not in self.keepers:
                    return protocol.refusal(f"the duties are {', '.join(self.keepers)}")
                self.wake(None if name is None else (name,))
        return {"ok": True}

    async def _be_silent(self, ask: protocol.BeSilent, who: str) -> Mapping[str, Any]:
        now = self._world.now()
        known = (alarms.EVERYTHING, "steward", *self.keepers)
        if ask.what.partition("/")[0] not in known:
            return protocol.refusal(f"what is to be silent begins with one of {', '.join(known)}")
        silence = Silence(ask.what, now + timedelta(seconds=ask.seconds), who, ask.why, now)
        try:
            book = alarms.silenced(self.book, silence, now)
        except ValueError as fault:
            return protocol.refusal(str(fault))
        unsaved = await self._turned((book, ()))
        if unsaved is not None:
            return protocol.refusal(
                f"it counts while this steward runs, but can't be written down: {_words(unsaved)}"
            )
        return {"ok": True, "until": alarms.stamp(silence.until)}

    def status(self) -> dict[str, Any]:
        """How everything is (docs/reference/json.md, steward)."""
        return telling.status(
            self.facts,
            {name: (keeper.duty.about, keeper.turns) for name, keeper in self.keepers.items()},
            self.book,
            self.box,
            self.began,
            self._world.now(),
            self._tells.get("lines", ()),
        )


def _follows(effect: Effect) -> tuple[str, ...]:
    """Duties that have something to do once it is done."""
    match effect:
        case Mend():
            return ("hours",)  # new sets are empty ones
        case DecideAgain():
            return ("conversations",)
    return ()


def _words(fault: Exception) -> str:
    if isinstance(fault, TimeoutError):
        return "it took too long"
    return f"{fault}" or type(fault).__name__
