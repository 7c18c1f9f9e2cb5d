"""The real world of the loop: its clock, its facts, its kernel, its disk."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import inf
from pathlib import Path
from threading import Lock

from netcharter.diagnostics.escape import terminal
from netcharter.rollout.run import files, programs
from netcharter.rollout.shapes import Run, Write
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward import nft
from netcharter.steward.alarms import Message
from netcharter.steward.duties import names
from netcharter.steward.loop import facts as reading
from netcharter.steward.loop import leading, requests
from netcharter.steward.loop.delivery import NotDelivered, deliver
from netcharter.steward.loop.lines import lines
from netcharter.steward.loop.outward import Outgoing, Outward
from netcharter.steward.loop.segments import heard
from netcharter.steward.outbox import Letter
from netcharter.steward.segments import Heard
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import (
    Agreement,
    Conversations,
    Counted,
    CutFlows,
    CutLine,
    CutRefused,
    DecideAgain,
    Delegated,
    Effect,
    Facts,
    Fade,
    Fill,
    Hold,
    Lead,
    Machine,
    Mend,
    Need,
    Published,
    Refresh,
    Refreshing,
    Renew,
    Renewal,
    Renumber,
    Renumbering,
    Reset,
    Restart,
    Schedule,
    Stands,
    Stay,
    TellNames,
)
from netcharter.steward.ways import Seen, Ways

SLICE = 10.0  # seconds after which the clock is looked at again, whatever is waited for
DELIVERY = 90.0  # seconds for one message by one channel, in all
OTHERS = 120.0  # seconds for which rules are left to somebody else without a word
APART = 30.0  # seconds after which leaving them to him once more is another matter
ROOT, PROC, SYS = Path("/"), Path("/proc"), Path("/sys")


@dataclass(frozen=True, slots=True)
class Handed:
    """What others do for the steward. All may take their time, and raise an exception in words.

    schedule: of the kit that is in place, None for none; stamp: cheap, and other whenever another
    kit is in place; holds: whether the kernel does what the plan says, None while it is not to be
    asked; decide_again: cuts the open conversations that are refused now, told whether the clock can
    be believed; mend: the plan is put in place again; stands: which version stands, and by which
    open conversations were decided; changing: whether somebody leads the machine from one version to
    another just now; alone: within it nobody begins to, or it says False, since somebody has; delegated:
    the mark of what providers delegate (`shapes.Delegated`); renumber: that is taken over; published:
    the mark of the lists that are fetched (`shapes.Published`); refresh: those that are due are.
    """

    schedule: Callable[[], Schedule | None]
    stamp: Callable[[], str]
    holds: Callable[[], Agreement | None] | None = None
    decide_again: Callable[[bool], Counted] | None = None
    mend: Callable[[str], None] | None = None
    stands: Callable[[], Stands] | None = None
    changing: Callable[[], bool] = lambda: False
    alone: Callable[[], AbstractContextManager[bool]] = lambda: nullcontext(True)
    delegated: Callable[[], str] = lambda: ""
    renumber: Callable[[], Renumbering] | None = None
    published: Callable[[], str] = lambda: ""
    refresh: Callable[[], Refreshing] | None = None


class RealWorld:
    """folder: the steward's own, within the state folder `state`. hours: the file from which whoever
    answers names learns which hours hold; None: nobody does."""

    def __init__(
        self, state: Path, settings: Settings, handed: Handed, hours: str | None = None
    ) -> None:
        self._state, self._hours = state, hours
        self.folder = state / "steward"
        self._settings = settings
        self._handed = handed
        self._boot = reading.boot_id()
        self._host = reading.host_name(PROC)
        self._schedule: Schedule | None = None
        self._stamp: str | None = None
        self._led: Schedule | None = None  # by which lines are judged
        self._led_stamp: str | None = None  # None: what is in place is not whole
        self._left = (0.0, 0.0)  # when rules were left to others, first and last
        self._turn = Lock()
        self._outward = Outward(self.say)
        self._saving = asyncio.Lock()
        self._renumbered: Renumbering | None = None
        self._refreshed: Refreshing | None = None
        self._round = 0  # in which areas are asked who holds their addresses
        self._cutting: asyncio.Future[None] | None = None
        self._posting: dict[str, tuple[Message, asyncio.Future[None]]] = {}

    def now(self) -> datetime:
        return datetime.now(UTC)

    def lead(self) -> float:
        """How far the clock is ahead of the one that counts from boot: it jumps when that is set."""
        return time.time() - time.clock_gettime(time.CLOCK_BOOTTIME)

    def stamp(self) -> str:
        """Other whenever another kit is in place."""
        return self._handed.stamp()

    async def wait(self, until: datetime | None, woken: asyncio.Event) -> None:
        """Until an instant of the clock, wherever that is set meanwhile, or until woken; never
        longer than it was to be at first."""
        longest = inf if until is None else (until - self.now()).total_seconds()
        began = time.clock_gettime(time.CLOCK_BOOTTIME)
        while not woken.is_set():
            left = SLICE if until is None else (until - self.now()).total_seconds()
            left = min(left, longest - (time.clock_gettime(time.CLOCK_BOOTTIME) - began))
            if left <= 0:
                return
            try:
                async with asyncio.timeout(min(left, SLICE)):
                    await woken.wait()
            except TimeoutError:
                pass

    async def facts(self, needs: frozenset[Need]) -> Facts:
        worker = self._outward.worker if "lines" in needs else None
        return await asyncio.get_running_loop().run_in_executor(worker, self._facts, needs)

    def _facts(self, needs: frozenset[Need]) -> Facts:
        judged = "lines" in needs
        schedule = self._leading() if judged else self._current() if "schedule" in needs else None
        asked = self._handed.holds if "holds" in needs else None
        asks = "addresses" in needs
        return Facts(
            clock=reading.clock(),
            boot_id=self._boot,
            boot_seconds=time.clock_gettime(time.CLOCK_BOOTTIME),
            schedule=schedule,
            machine=self._machine() if "machine" in needs else Machine(),
            holds=asked() if asked is not None else None,
            updates=reading.restart(ROOT, self._state) if "updates" in needs else Restart(False),
            conversations=self._conversations() if "conversations" in needs else Conversations(),
            lines=self._seen(schedule) if judged else None,
            prefixes=self._prefixes() if "prefixes" in needs else Delegated(),
            addresses=self._heard(schedule) if asks else None,
            lists=self._lists() if "lists" in needs else Published(),
            leads=leading.leads(schedule.led) if schedule and "leads" in needs else None,
        )

    def _heard(self, schedule: Schedule | None) -> tuple[Heard, ...] | None:
        self._round += 1
        return None if schedule is None else heard(schedule.segments, number=self._round)

    def _lists(self) -> Published:
        return Published(self._handed.published(), self._refreshed)

    def _prefixes(self) -> Delegated:
        return Delegated(self._handed.delegated(), self._renumbered)

    def _conversations(self) -> Conversations:
        found, asked = requests.read(self.folder), self._handed.stands
        return found if asked is None else replace(found, stands=asked())

    def _current(self) -> Schedule | None:
        """The schedule of the kit that is in place; worked out anew where that is another."""
        with self._turn:
            stamp = self._handed.stamp()
            if stamp != self._stamp:
                self._schedule = self._handed.schedule()
                self._stamp = stamp
            return self._schedule

    def _machine(self) -> Machine:
        """Without lines where nobody knows them: that is for those to tell who need the schedule."""
        try:
            schedule = self._current()
        except Exception:  # noqa: BLE001 - the rest of the machine is looked at all the same
            schedule = None
        return Machine(
            disks=reading.disks(("/", "/var", "/var/log", str(self._state))),
            memory=reading.memory(PROC),
            heat=reading.heat(SYS),
            certificates=tuple(map(reading.certificate, self._settings.certificates)),
            lines=() if schedule is None else lines(schedule, SYS),
        )

    def _seen(self, schedule: Schedule | None) -> Seen:
        found = self._outward.seen(Ways() if schedule is None else schedule.ways)
        return replace(found, changing=self._led_stamp is None)

    def _leading(self) -> Schedule | None:
        """By which lines are judged. Who leads the machine to another version brings that one's rules;
        till he is done, what was led before stands."""
        stamp, schedule = self._handed.stamp(), self._current()
        if self._handed.changing():
            self._led_stamp = None
            return self._led or schedule
        self._led, self._led_stamp = schedule, stamp
        return schedule

    async def perform(self, effect: Effect) -> None:
        if isinstance(effect, CutRefused):
            await self._one_at_a_time(effect)
        elif isinstance(effect, Lead | Fade | CutLine | CutFlows | Stay | Reset):
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(self._outward.worker, self._told_outward, effect)
        else:
            await asyncio.to_thread(self._perform, effect)

    def _told_outward(self, effect: Outgoing) -> None:
        """Rules and addresses are left to whoever changes the machine, and are not told by a version
        that does not stand any more: he would find ours in his way. What is amiss then is seen in the
        next round. Raises EffectFailed, also where he takes too long."""
        if not isinstance(effect, Lead | Fade):
            self._outward.perform(effect)
            return
        with self._handed.alone() as alone:
            if alone and self._handed.stamp() == self._led_stamp:
                self._outward.perform(effect)
                return
        now = time.clock_gettime(time.CLOCK_BOOTTIME)
        first, last = self._left
        self._left = (first if now - last < APART else now), now
        if now - self._left[0] > OTHERS:
            raise EffectFailed(
                "leading new conversations",
                "somebody changes the machine all the time, or the state folder can't be locked",
            )

    async def _one_at_a_time(self, effect: CutRefused) -> None:
        """A duty that is begun anew leaves its work going on: it is waited for."""
        while self._cutting is not None and not self._cutting.done():
            await asyncio.wait({self._cutting})
        self._cutting = asyncio.ensure_future(asyncio.to_thread(self._perform, effect))
        await asyncio.shield(self._cutting)

    def _perform(self, effect: Effect) -> None:
        match effect:
            case Hold():
                self._hold(effect)
            case TellNames() if self._hours is not None:
                files.write(Write(self._hours, names.text(effect), 0o644))
            case DecideAgain():
                requests.ask(self.folder, effect, self.now())
            case CutRefused():
                self._cut(effect)
            case Mend(why=why):
                self._mend(why)
            case Renumber(mark=mark):
                self._renumber(mark)
            case Refresh():
                self._refresh()
            case Renew(renewals=renewals):
                self._renew(renewals)

    def _hold(self, effect: Hold) -> None:
        """All sets at once; where the kernel has not all of them, each for itself. That it lacks some
        is no fault while another version comes: once that is there they are filled anew."""
        try:
            self._load(nft.filled(effect.fills, self.now()))
        except EffectFailed:
            faults = [fault for fill in effect.fills if (fault := self._alone(fill))]
            if faults and not self._handed.changing():
                raise faults[0] from None

    def _alone(self, fill: Fill) -> EffectFailed | None:
        try:
            self._load(nft.filled((fill,), self.now()))
        except EffectFailed as fault:
            return fault
        return None

    def _cut(self, effect: CutRefused) -> None:
        if self._handed.decide_again is None:
            return
        counted = self._handed.decide_again(effect.asked.hours)
        requests.finished(self.folder, effect.asked, counted, self.now())
        self.say(
            f"open conversations were decided again ({effect.asked.why}): {counted.cut} cut, "
            f"{counted.doubtful} left since it can't be told, {counted.kept} go on"
        )

    def _mend(self, why: str) -> None:
        """That it fails is seen by asking again, so it is only logged here."""
        self.say(f"the plan is put in place again: {why}")
        try:
            if self._handed.mend is not None:
                self._handed.mend(why)
        except Exception as fault:  # noqa: BLE001 - whatever it was, the rest goes on
            self.say(f"the plan could not be put in place again: {fault}")

    def _renumber(self, mark: str) -> None:
        """What came of it is a fact from now on, for this steward."""
        if self._handed.renumber is None:
            return
        found = self._handed.renumber()
        self._renumbered = replace(found, mark=mark, at=self.now())
        if found.state != "as before":
            self.say(f"delegated prefixes: {found.state}: {found.text}")

    def _renew(self, renewals: Sequence[Renewal]) -> None:
        """That the kernel lacks sets is no fault while another version comes."""
        try:
            leading.renew(renewals)
        except EffectFailed:
            if not self._handed.changing():
                raise

    def _refresh(self) -> None:
        """The same. What is kept is another thereafter, where lists made a version of it."""
        if self._handed.refresh is None:
            return
        found = self._handed.refresh()
        self._refreshed = replace(found, mark=self._handed.published(), at=self.now())
        if found.state != "as before" or found.faults:
            self.say(f"lists: {'; '.join([f'{found.state}: {found.text}', *found.faults])}")

    def _load(self, text: str) -> None:
        programs.run(Run(("nft", "-f", "-"), text.encode("ascii"), seconds=20))

    async def deliver(self, letter: Letter) -> None:
        """A server that takes its time keeps a thread; it is not given another one. What came of
        that after all counts for its message, so that nobody gets it again."""
        if letter.channel in self._posting:
            message, before = self._posting[letter.channel]
            if not before.done():
                raise NotDelivered("the last try still goes on")
            del self._posting[letter.channel]
            if message == letter.message:
                return before.result()
        site = "" if self._schedule is None else self._schedule.site
        work = asyncio.to_thread(
            deliver, self._settings, letter.channel, site, self._host, letter.message, letter.taken
        )
        trying = asyncio.ensure_future(work)
        self._posting[letter.channel] = letter.message, trying
        trying.add_done_callback(_looked_at)
        async with asyncio.timeout(DELIVERY):
            await asyncio.wait({trying})
        del self._posting[letter.channel]
        trying.result()

    async def load(self, name: str) -> bytes | None:
        return await asyncio.to_thread(files.read, str(self.folder / name))

    async def save(self, name: str, data: bytes) -> None:
        """One file after the other: of two with one name the later one stays."""
        async with self._saving:
            await asyncio.to_thread(files.write, Write(str(self.folder / name), data))

    def say(self, text: str) -> None:
        """A line of the log, which the service manager takes from standard error."""
        for line in text.rstrip("\n").split("\n"):
            print(terminal(line), file=sys.stderr, flush=True)


def _looked_at(trying: asyncio.Future[None]) -> None:
    """Its fault counts as seen, also where nobody waits for it any more."""
    if not trying.cancelled():
        trying.exception()
