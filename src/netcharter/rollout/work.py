"""The work of a roll-out on a host: enact, keep, undo, boot, and one look of the undo timer.

Everything that is written or changed goes through the host it is given; this file decides what,
in which order, and what becomes of it when something fails. Work under way is always either
finished, or undone, or left for the undo timer, which finds it by the state folder alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

from netcharter.diagnostics.escape import terminal
from netcharter.rollout import looks, phases, placing
from netcharter.rollout.host import Files, Work
from netcharter.rollout.looks import (
    Led,
    armed_now,
    as_it_is,
    look,
    made,
    timer_lives,
    trial_now,
    understood,
    versions,
)
from netcharter.rollout.phases import Making
from netcharter.rollout.shapes import FILTERING, HostState, Remove, Step
from netcharter.rollout.snapshot import restored
from netcharter.rollout.store import (
    STOCK,
    Event,
    Standing,
    TimerDoes,
    Trial,
    Version,
    What,
    back_to,
    boot_does,
    called,
    kept_by,
    link_to,
    may_be_judged_by,
    may_begin,
    may_keep,
    numbers,
    timer_does,
    timer_looks,
)
from netcharter.rollout.trouble import EffectFailed, RolloutRefused, StateBroken

TRIES = 3  # to make a host as it was before, each from what it is like then
TOLD = 3  # differences that a refusal names
Verify = Callable[[], tuple[str, ...]]


def nothing_more() -> None:
    """For what needs no preparation."""


def nothing_besides(version: int) -> tuple[str, ...]:
    """For what is in place as soon as all of it is as the kit says."""
    return ()


@dataclass(frozen=True, slots=True)
class Waiting:
    """It is in place, and waits to be kept until the trial's deadline. notes: what went wrong on
    the way; gone: what of others was taken away."""

    trial: Trial
    notes: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Undone:
    """A trial was undone. why: what made it so; left: in what the host still differs from before,
    nothing where it is proven equal; notes: what went wrong on the way.

    over: the trial has ended; what is left then can't be had on the host. gone: what of
    others was taken away; meanwhile: what others did in the time of the trial, and stays.
    """

    version: int
    why: str
    left: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    over: bool = True
    gone: tuple[str, ...] = ()
    meanwhile: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Kept:
    """A version is what boot brings up from now on; STOCK: nothing of ours is."""

    version: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Booted:
    """Boot has brought up this version; None where none is kept. left: what of it can't be
    had on this host; undone: the trial of this very boot that it undid first; notes: what went
    wrong on the way; gone: what of others was taken away."""

    version: int | None
    left: tuple[str, ...] = ()
    undone: Undone | None = None
    notes: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()


# --- doing --------------------------------------------------------------------------------------


def perform(work: Work, steps: Iterable[Step]) -> None:
    """Do all steps in order. Raises EffectFailed, naming the step, at the first that fails."""
    for step in steps:
        work.told(step)
        for effect in step.effects:
            try:
                work.host.perform(effect)
            except EffectFailed as problem:
                raise EffectFailed(step.name, str(problem)) from None


def insist(work: Work, steps: Iterable[Step]) -> tuple[str, ...]:
    """Do all effects that can be done, whatever fails; returns what failed."""
    failed = []
    for step in steps:
        work.told(step)
        for effect in step.effects:
            try:
                work.host.perform(effect)
            except EffectFailed as problem:
                failed.append(f"{step.name}: {problem}")
    return tuple(failed)


def enact(
    work: Work,
    making: Making,
    seconds: float,
    verify: Verify,
    judged: Standing | None = None,
    prepare: Callable[[], None] = nothing_more,
    led: Led = as_it_is,
) -> Waiting | Undone:
    """Put a kit in place on trial for so many seconds.

    verify: looks whether what the kernel has is the plan, and returns complaints. judged: how
    things stood when it was judged; prepare: is done under the lock before anything changes, may
    refuse, and what it leaves is swept in the end; led: gives the kit as it is to be in place on the
    host as it is. Raises RolloutRefused where nothing has been changed.
    """
    work.ways.settings_of(making.files)  # before anything is written: it must be a kit
    _ready(work)
    with work.host.locked(work.paths, "enact"):
        now = _begun(work, judged)
        notes: tuple[str, ...] = ()
        try:
            prepare()
            version = _staged(work, making, now.kept)
            attempt = _Attempt(
                version,
                version.number,
                now.kept,
                seconds,
                version.why,
                version.difference,
                fresh=True,
            )
            outcome = _tried(work, replace(attempt, led=led), verify)
        finally:
            notes = _swept(work)
        return replace(outcome, notes=(*outcome.notes, *notes))


def back(
    work: Work,
    number: int | None,
    seconds: float,
    verify: Verify,
    why: str = "",
    difference: str = "",
    judged: Standing | None = None,
    led: Led = as_it_is,
) -> Waiting | Undone:
    """Put an earlier version in place on trial, STOCK for the host without any of ours; None: what
    was kept just before.

    difference: what that changes, in a sentence; judged, led: as for `enact`. Raises RolloutRefused
    where nothing has been changed.
    """
    _ready(work)
    with work.host.locked(work.paths, "undo"):
        now = _begun(work, judged)
        known = versions(work)
        target = back_to(number, now.kept, known, looks.events(work))
        attempt = _Attempt(known.get(target), target, now.kept, seconds, why, difference, led=led)
        return _tried(work, attempt, verify)


def keep(
    work: Work, led: Led = as_it_is, besides: Callable[[int], tuple[str, ...]] = nothing_besides
) -> Kept:
    """Keep what is on trial, if it still is in place as it was proven to be. led: as in
    `looks.otherwise`; besides: what else is not as it was when a version was proven. Raises
    RolloutRefused where it stays as it was."""
    with work.host.locked(work.paths, "keep"):
        now = look(work)
        trial = may_keep(now)
        _swept(work)
        if now.situation == "decided":
            return Kept(trial.version, insist(work, _tidying(work, now)))
        _demand_in_place(work, trial, led, besides)
        event = _event(work, "kept", trial.version)
        history, notes = looks.history(work)
        stock = looks.stock_before(work, trial)
        decision, *after = phases.keeping(work.paths, trial, stock, history, event)
        try:
            perform(work, (decision,))
        except EffectFailed as problem:
            if work.host.link(work.paths.kept) != link_to(trial.version):
                raise RolloutRefused(f"it can't be kept: {problem}", "it stays on trial") from None
        return Kept(trial.version, notes + insist(work, after))


def undo(work: Work, why: str = "") -> Undone | None:
    """Undo what is on trial, now; None where nothing was open (what was left of it is tidied).

    Once its timer has given up, this ends it whatever differs from before, and tells that: or nobody
    could put anything in place here any more.
    """
    with work.host.locked(work.paths, "undo"):
        now = _tidied(work)
        if now.trial is None or now.situation != "open":
            return None
        return _undone(work, now.trial, why, last=not timer_lives(work))


def boot(work: Work, what: What = "restored at boot") -> Booted:
    """Bring up what is kept, from whatever the host is like. what: as the history calls it.

    Raises RolloutRefused while a trial of this very boot waits for its timer, and where what is
    kept can't be used; EffectFailed where it can't be brought up as a whole.
    """
    if not work.host.names(work.paths.root):
        return Booted(None)
    work.host.ready()
    with work.host.locked(work.paths, "boot"):
        now, notes = _by_link_alone(work)
        does = boot_does(now, timer_lives(work))
        if does == "wait":
            may_begin(now)
        _swept(work)
        undone = None
        if does == "undo, bring up" and now.trial is not None:
            undone = _undone(work, now.trial, "its undo timer had died")
        # Neither a disk that is full nor a history that can't be read keeps a kit from coming up.
        notes += _files_back(work, now) + insist(work, _tidying(work, now))
        if now.kept is None:
            return Booted(None, (), undone, notes)
        kept = made(work, now.kept)
        settings = work.ways.settings_of(kept.files)
        bare = work.host.observe(settings)
        wanted = work.ways.wanted(kept.files, bare, None, kept.version.set_aside)
        left = work.ways.left_out(bare, wanted)
        gone = work.ways.going(bare, wanted, kept.files)
        steps = work.ways.converge(bare, wanted, work.host.clock(), None, kept.files)
        brought_up(work, placing.later(steps))
        notes += work.ways.by_hand(kept.files, None, bare)
        event = _event(work, what, now.kept, difference="; ".join((*left, *_taken(gone))))
        return Booted(now.kept, left, undone, notes + _told(work, event), gone)


def brought_up(work: Work, steps: Sequence[Step]) -> None:
    """All steps. What fails before the packet filter stands keeps it from nothing: a machine whose
    addresses can't all be set is not to stand open. Raises EffectFailed in the end."""
    filters = [place for place, step in enumerate(steps) if step.name.startswith(FILTERING)]
    first = filters[0] if filters else 0
    failed = insist(work, steps[:first])
    perform(work, steps[first:])
    if failed:
        raise EffectFailed("bringing it up as a whole", "; ".join(failed))


def timer_look(work: Work, version: int) -> TimerDoes:
    """What the timer of a version has to do, as far as can be said without the lock."""
    host = work.host
    return timer_looks(trial_now(host, work.paths), version, host.boot_id(), host.clock())


def timer_work(work: Work, version: int, patience: float) -> TimerDoes | Undone:
    """What the timer does when its time seems to have come; what it did, or has to do still.

    Raises RolloutRefused if the lock can't be had within `patience`, in seconds.
    """
    with work.host.locked(work.paths, "undo timer", patience):
        now = look(work)
        does = timer_does(now, version, work.host.boot_id(), work.host.clock())
        if does == "tidy":
            insist(work, _tidying(work, now))
        if does != "undo" or now.trial is None:
            return does
        late = work.host.clock() >= now.trial.deadline_boot
        return _undone(work, now.trial, "it was not kept in time" if late else "it was cut short")


def timer_despairs(work: Work, trial: Trial, patience: float) -> Undone | None:
    """What the timer of a trial does when it can't read any more how things stand: undo, unless the
    link says that it was kept, or the trial is another's by now. Raises as `timer_work`."""
    with work.host.locked(work.paths, "undo timer", patience):
        armed = armed_now(work.host, work.paths)
        kept = kept_by(work.host.link(work.paths.kept)) or STOCK
        if kept == trial.version or armed is None or armed.version != trial.version:
            return None
        return _undone(work, trial, "how the trial stands could not be read")


# --- parts of them ------------------------------------------------------------------------------


def _ready(work: Work) -> None:
    """The host can be worked on; the state folder is there, and is ours. Raises RolloutRefused."""
    work.host.ready()
    look(work)
    _written(work, phases.founding(work.paths))


def _begun(work: Work, judged: Standing | None) -> Standing:
    """How things stand where something begins; the lock is held. Raises RolloutRefused."""
    if work.host.read(work.paths.format) is None:
        _written(work, phases.settling(work.paths))
    now = _tidied(work)
    may_begin(now, timer_lives(work))
    may_be_judged_by(judged, now)
    return now


def _written(work: Work, steps: Iterable[Step]) -> None:
    try:
        perform(work, steps)
    except EffectFailed as problem:
        raise RolloutRefused(
            f"the state folder can't be written: {problem}", "nothing was changed"
        ) from None


def _swept(work: Work) -> tuple[str, ...]:
    """Sweep, and return what failed. What stays changes nothing, and the next takes it away: it
    stands in nobody's way."""
    try:
        work.host.swept()
    except EffectFailed as problem:
        return (f"what has the kernel see your session could not be taken away: {problem}",)
    return ()


def _by_link_alone(work: Work) -> tuple[Standing, tuple[str, ...]]:
    """How things stand, for boot, and notes: a trial that can't be read does not keep from coming
    up what is kept, and goes."""
    try:
        now = look(work)
        timer_lives(work)
        return now, ()
    except StateBroken as problem:
        understood(work)
        kept = kept_by(work.host.link(work.paths.kept))
        event = _event(work, "undone", STOCK, why=problem.reason)
        history, notes = looks.history(work)
        notes += _put_back(work)
        notes += insist(work, phases.over(work.paths, history, replace(event, version=None)))
        return Standing(kept, None, "quiet"), (f"{problem.reason}: the trial was put away", *notes)


def _tidied(work: Work) -> Standing:
    """How things stand once what is left of an earlier trial has been put away."""
    now = look(work)
    _swept(work)
    if now.situation == "open":
        return now
    if failed := _files_back(work, now):
        raise RolloutRefused("; ".join(failed), "try again; nothing else was changed")
    try:
        perform(work, _tidying(work, now))
    except EffectFailed as problem:
        raise RolloutRefused(f"{problem}", "nothing was changed") from None
    return replace(now, trial=None, situation="quiet")


def _files_back(work: Work, now: Standing) -> tuple[str, ...]:
    """Files that a trial put on the host lie there after a start of the machine as well, which took
    all else of it away: put them back as they were, before it is forgotten. Returns what failed."""
    if now.trial is None or now.situation != "overtaken":
        return ()
    return _put_back(work)


def _put_back(work: Work) -> tuple[str, ...]:
    """The files as they were before the trial, as far as that was put aside."""
    host, ways = work.host, work.ways
    try:
        data = host.read(work.paths.before)
        if data is None:
            return ()
        before = restored("trial/before.json", data)
        there = host.observe((*before.files, *before.services))
        wanted = placing.put_back(before, there)
        return insist(work, placing.later(ways.converge(there, wanted, host.clock(), None, None)))
    except (EffectFailed, RolloutRefused) as problem:
        return (f"files could not be put back as before the trial: {problem}",)


def _tidying(work: Work, now: Standing) -> tuple[Step, ...]:
    return phases.tidying(work.paths, now, looks.history(work)[0], work.who, work.host.utc())


def _staged(work: Work, making: Making, kept: int | None) -> Version:
    known = versions(work)
    present = numbers(work.host.names(work.paths.versions))
    number = max(known, default=STOCK) + 1
    version = phases.version_made(number, making, kept, work.host.utc())
    try:
        perform(work, phases.pruning(work.paths, present, known))
        perform(work, phases.staging(work.paths, version, making))
    except EffectFailed as problem:
        insist(work, (Step("it goes again", (Remove(work.paths.version(number)),)),))
        raise RolloutRefused(
            f"the new version can't be put aside: {problem}", "nothing was changed"
        ) from None
    return version


@dataclass(frozen=True, slots=True)
class _Attempt:
    """What is to be tried. version: None for the host without any of ours, number: then STOCK."""

    version: Version | None
    number: int
    kept: int | None
    seconds: float
    why: str
    difference: str = ""
    led: Led = as_it_is
    fresh: bool = False  # put aside for this attempt: nothing may lead to it if it can't be begun


def _tried(work: Work, attempt: _Attempt, verify: Verify) -> Waiting | Undone:
    """The trial itself, from the snapshot to the wait; the lock is held."""
    try:
        before, steps, gone, notes = _aims(work, attempt)
    except RolloutRefused:
        if attempt.fresh:
            insist(work, (Step("it goes again", (Remove(work.paths.version(attempt.number)),)),))
        raise
    said = "; ".join(filter(None, (attempt.difference, *_taken(gone))))
    trial = _opened(work, replace(attempt, difference=said), before)
    try:
        perform(work, steps)
        # Looked at before it is proven, so that what somebody changes later is not taken for it.
        found = work.host.observe(placing.asked(before))
        complaints = looks.not_stock(work, attempt.kept, found) if attempt.version is None else ()
        complaints += verify()
        if not complaints:
            waiting = _until(work, replace(trial, phase="waiting"), attempt.seconds)
            waits = phases.phase(work.paths, waiting, "waiting")
            perform(work, (phases.placed(work.paths, found), waits))
            return Waiting(waiting, notes, gone)
        failed = "it is not what was planned: " + "; ".join(complaints)
    except EffectFailed as problem:
        failed = str(problem)
    except RolloutRefused as problem:  # by what looks whether it is as planned: too late to refuse
        failed = problem.reason
    except BaseException:
        _undone(work, trial, "it was interrupted")
        raise
    return _undone(work, trial, failed)


def _taken(gone: Sequence[str]) -> tuple[str, ...]:
    """What of others was taken away, for the history."""
    return (f"taken away of others: {', '.join(gone)}",) if gone else ()


def _aims(
    work: Work, attempt: _Attempt
) -> tuple[HostState, tuple[Step, ...], tuple[str, ...], tuple[str, ...]]:
    """What the host is like, with all settings that may change, the steps from there, what of
    others they take away, and what is to be done by hand; what of the steps can be tried without
    effect has been tried. Raises RolloutRefused."""
    host, ways = work.host, work.ways
    try:
        new, old = looks.kit(work, attempt.number), looks.kit(work, attempt.kept)
        both = looks.concerned(work, attempt.number, attempt.kept)
        now = host.observe(ways.settings_of(*both))
        if attempt.version is None or new is None:
            wanted = ways.as_before(looks.stock(work, attempt.kept), now, *both)
        else:
            led = attempt.led(attempt.number, new, now)
            wanted = ways.wanted(led, now, old, attempt.version.set_aside)
        _demand_own(now, wanted)
        steps = ways.converge(now, wanted, host.clock(), old, new)
        for run in ways.rehearsal(steps):
            host.perform(run)
        return now, steps, ways.going(now, wanted, *both), ways.by_hand(new, old, now)
    except EffectFailed as problem:
        raise RolloutRefused(f"{problem}", "nothing was changed") from None


def _demand_own(now: HostState, wanted: HostState) -> None:
    """Raises RolloutRefused where files of others lie where ours are to lie."""
    if theirs := placing.foreign(now, wanted):
        raise RolloutRefused(
            f"{terminal(', '.join(theirs))} {'is' if len(theirs) == 1 else 'are'} there, and not"
            " netcharter's",
            "look at it, and move it away if nobody needs it; nothing was changed",
        )


def _opened(work: Work, attempt: _Attempt, before: HostState) -> Trial:
    """The trial, told, with its timer armed. Raises RolloutRefused."""
    host, paths, number = work.host, work.paths, attempt.number
    unset = Trial(number, attempt.kept, "changing", work.who, host.utc(), 0.0, host.boot_id())
    trial = _until(work, unset, attempt.seconds)
    digest = attempt.version.digest if attempt.version else ""
    event = _event(work, "enacted", number, digest, attempt.why, attempt.difference)
    try:
        history = host.read(paths.history) or b""
        perform(work, phases.opening(paths, trial, before, history, event))
        host.arm(paths, number)
    except EffectFailed as problem:
        gone = _event(work, "undone", number, digest, "ended before anything was changed")
        insist(work, phases.over(paths, looks.history(work)[0], gone))
        raise RolloutRefused(f"{problem}", "nothing was changed") from None
    return trial


def _until(work: Work, trial: Trial, seconds: float) -> Trial:
    host = work.host
    end = host.utc() + timedelta(seconds=seconds)
    return replace(trial, deadline=end, deadline_boot=host.clock() + seconds)


def _undone(work: Work, trial: Trial, why: str, last: bool = False) -> Undone:
    """Make the host as it was before, prove it, and end the trial; the lock is held.

    What can't be written is noted and keeps nothing from being undone. A host that does not become
    equal leaves the trial in its phase `undoing`, to be tried again, unless all that is left can't
    be had on it any more, as where a device is gone: then the trial ends, and that is told. last:
    nobody is to try again.
    """
    paths, version = work.paths, trial.version
    notes = insist(work, (phases.phase(paths, trial, "undoing"),))
    found = _as_before(work, Undone(version, why), trial, last)
    _swept(work)
    notes += found.notes
    what: What = "undone" if found.over else "not undone"
    said = "; ".join((*found.left, *_taken(found.gone), *found.meanwhile))
    event = _event(work, what, version, why=why, difference=said)
    if not found.over:
        return replace(found, notes=notes + _told(work, event))
    history, unread = looks.history(work)
    ends = insist(work, phases.over(paths, history, event))
    return replace(found, notes=notes + unread + ends)


def _as_before(work: Work, undone: Undone, trial: Trial, last: bool) -> Undone:
    """Make the host as it was before; what came of that. notes: what failed in the last try."""
    host, ways = work.host, work.ways
    for _ in range(TRIES):
        try:
            before = restored("trial/before.json", host.read(work.paths.before) or b"")
            new, old, both = _kits(work, trial)
            now = host.observe(placing.asked(before))
            wanted = ways.as_before(before, now, *both) if both else before
            gone = ways.going(now, wanted, *both) if both else ()
            undone = replace(undone, gone=tuple(dict.fromkeys((*undone.gone, *gone))))
            failed = insist(work, ways.converge(now, wanted, host.clock(), new, old))
            failed += ways.by_hand(old, new, now)
            after = host.observe(placing.asked(before))
            asked = ways.as_before(before, after, *both) if both else before
            undone = replace(undone, notes=failed, **_compared(work, before, asked, after, last))
        except (EffectFailed, RolloutRefused) as problem:
            undone = replace(undone, left=(str(problem),), over=False)
        if not undone.left:
            break
    return undone


def _compared(
    work: Work, before: HostState, asked: HostState, after: HostState, last: bool
) -> dict[str, Any]:
    """`left`, `over` and `meanwhile` of an undo. asked: as before, but for what others did since."""
    ways = work.ways
    left = ways.unlike(asked, after)
    over = last or not left or not ways.unlike(ways.possible(after, asked), after)
    meanwhile = tuple(one for one in ways.unlike(before, after) if one not in left)
    if left and over:
        left = ways.left_out(after, asked) or left
    return {"left": left, "over": over, "meanwhile": meanwhile}


def _kits(work: Work, trial: Trial) -> tuple[Files | None, Files | None, tuple[Files, ...]]:
    """The kits of a trial, new and old, and all that it concerns. None if they can't be read: the
    host is then made as it was in all respects, whoever changed it."""
    try:
        both = looks.concerned(work, trial.version, trial.previous)
        return looks.kit(work, trial.version), looks.kit(work, trial.previous), both
    except StateBroken:
        return None, None, ()


def _demand_in_place(
    work: Work, trial: Trial, led: Led, besides: Callable[[int], tuple[str, ...]]
) -> None:
    """Raises RolloutRefused where the host is not what was proven to be as planned: somebody
    changed it meanwhile."""
    try:
        otherwise = (*looks.otherwise(work, trial, led), *besides(trial.version))
    except EffectFailed as problem:
        raise RolloutRefused(
            f"whether it is in place as planned can't be told: {problem}", "it stays on trial"
        ) from None
    if otherwise:
        more = f", and {len(otherwise) - TOLD} more" if len(otherwise) > TOLD else ""
        raise RolloutRefused(
            f"{called(trial.version)} is no longer in place as planned, since somebody changed it:"
            f" {'; '.join(otherwise[:TOLD])}{more}",
            "undo it, or let it be undone, and put it in place again; it stays on trial",
        )


def _told(work: Work, event: Event) -> tuple[str, ...]:
    """One more line of history; returns what went wrong."""
    history, notes = looks.history(work)
    return notes + insist(work, phases.telling(work.paths, history, event))


def _event(
    work: Work, what: What, version: int, digest: str = "", why: str = "", difference: str = ""
) -> Event:
    return Event(work.host.utc(), work.who, what, version, digest, why, difference)
