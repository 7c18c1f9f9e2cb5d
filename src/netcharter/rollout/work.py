"""The work of a roll-out on a host: enact, keep, undo, boot, and one look of the undo timer.

Everything that is written or changed goes through the host it is given; this file decides what,
in which order, and what becomes of it when something fails. Work under way is always either
finished, or undone, or left for the undo timer, which finds it by the state folder alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import timedelta

from netcharter.rollout import phases
from netcharter.rollout.host import Files, Host, Work
from netcharter.rollout.phases import Making
from netcharter.rollout.shapes import FILTERING, HostState, Remove, Step
from netcharter.rollout.snapshot import restored
from netcharter.rollout.store import (
    STOCK,
    Armed,
    Event,
    Paths,
    Standing,
    TimerDoes,
    Trial,
    Version,
    What,
    armed_of,
    back_to,
    boot_does,
    check_format,
    check_kit,
    kept_by,
    link_to,
    may_begin,
    may_keep,
    numbers,
    standing,
    timer_does,
    timer_looks,
    trial_of,
    version_of,
)
from netcharter.rollout.trouble import EffectFailed, RolloutRefused, StateBroken

TRIES = 3  # to make a host as it was before, each from what it is like then
Verify = Callable[[], tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Waiting:
    """It is in place, and waits to be kept until the trial's deadline."""

    trial: Trial


@dataclass(frozen=True, slots=True)
class Undone:
    """A trial was undone. why: what made it so; left: in what the host still differs from before,
    nothing where it is proven equal; notes: what went wrong on the way."""

    version: int
    why: str
    left: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Kept:
    """A version is what boot brings up from now on; STOCK: nothing of ours is."""

    version: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Booted:
    """Boot has brought up this version; None where none is kept. left: what of it can't be
    had on this host."""

    version: int | None
    left: tuple[str, ...] = ()


# --- looking ------------------------------------------------------------------------------------


def look(work: Work) -> Standing:
    """How things stand. Raises RolloutRefused (StateBroken) where the folder can't be used."""
    host, paths = work.host, work.paths
    check_format(host.read(paths.format), host.names(paths.root))
    trial, armed = trial_now(host, paths), armed_now(host, paths)
    mine = trial is not None and armed is not None and armed.version == trial.version
    return standing(kept_by(host.link(paths.kept)), trial, mine, host.boot_id())


def trial_now(host: Host, paths: Paths) -> Trial | None:
    """The trial that is told of, whatever became of it. Raises StateBroken."""
    data = host.read(paths.trial_file)
    return None if data is None else trial_of("trial/trial.json", data)


def armed_now(host: Host, paths: Paths) -> Armed | None:
    """The timer that was armed for it. Raises StateBroken."""
    data = host.read(paths.armed)
    return None if data is None else armed_of("trial/armed", data)


def timer_lives(work: Work) -> bool:
    """Whether the timer that was armed for the trial is there still. Raises StateBroken."""
    armed = armed_now(work.host, work.paths)
    return armed is not None and work.host.lives(armed.process)


def versions(work: Work) -> dict[int, Version]:
    """All versions that are complete, by number. Raises StateBroken."""
    found = {}
    for number in numbers(work.host.names(work.paths.versions)):
        data = work.host.read(work.paths.version(number, "version.json"))
        if data is not None:
            found[number] = version_of(f"versions/{number:04}/version.json", data)
    return found


@dataclass(frozen=True, slots=True)
class Made:
    """A version with its kit."""

    version: Version
    files: Files


def made(work: Work, number: int) -> Made:
    """A version and its kit. Raises StateBroken if its files are not those that were put in place
    then."""
    host, paths = work.host, work.paths
    data = host.read(paths.version(number, "version.json"))
    if data is None:
        raise StateBroken(f"versions/{number:04}", "it is not there as a whole")
    version = version_of(f"versions/{number:04}/version.json", data)
    files = host.files(paths.version(number, "kit"))
    check_kit(version, files)
    return Made(version, files)


def _kit(work: Work, number: int | None) -> Files | None:
    """The kit of a version, if it is one. Raises StateBroken."""
    return made(work, number).files if number else None


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


def enact(work: Work, making: Making, seconds: float, verify: Verify) -> Waiting | Undone:
    """Put a kit in place on trial for so many seconds.

    verify: looks whether what the kernel has is the plan, and returns complaints. Raises
    RolloutRefused where nothing has been changed.
    """
    work.ways.settings_of(making.files)  # before anything is written: it must be a kit
    _ready(work)
    with work.host.locked(work.paths, "enact"):
        now = _tidied(work)
        may_begin(now, timer_lives(work))
        version = _staged(work, making, now.kept)
        attempt = _Attempt(version, version.number, now.kept, seconds, version.why, fresh=True)
        return _tried(work, attempt, verify)


def back(
    work: Work, number: int | None, seconds: float, verify: Verify, why: str = ""
) -> Waiting | Undone:
    """Put an earlier version in place on trial; None: what was kept before the one kept now, which
    may be the host without any of ours. Raises RolloutRefused where nothing has been changed."""
    _ready(work)
    with work.host.locked(work.paths, "undo"):
        now = _tidied(work)
        may_begin(now, timer_lives(work))
        known = versions(work)
        target = back_to(number, now.kept, known)
        version = None if target is None else known[target]
        return _tried(work, _Attempt(version, target or STOCK, now.kept, seconds, why), verify)


def keep(work: Work) -> Kept:
    """Keep what is on trial. Raises RolloutRefused where it stays as it was."""
    with work.host.locked(work.paths, "keep"):
        now = look(work)
        trial = may_keep(now)
        if now.situation == "decided":
            return Kept(trial.version, insist(work, _tidying(work, now)))
        event = _event(work, "kept", trial.version)
        before = work.host.read(work.paths.before)
        decision, *after = phases.keeping(work.paths, trial, before, _history(work), event)
        try:
            perform(work, (decision,))
        except EffectFailed as problem:
            if work.host.link(work.paths.kept) != link_to(trial.version):
                raise RolloutRefused(f"it can't be kept: {problem}", "it stays on trial") from None
        return Kept(trial.version, insist(work, after))


def undo(work: Work, why: str = "") -> Undone | None:
    """Undo what is on trial, now; None where nothing was open (what was left of it is tidied)."""
    with work.host.locked(work.paths, "undo"):
        now = _tidied(work)
        if now.trial is None or now.situation != "open":
            return None
        return _undone(work, now.trial, why)


def boot(work: Work, what: What = "restored at boot") -> Booted:
    """Bring up what is kept, from whatever the host is like. what: as the history calls it.

    Raises RolloutRefused while a trial of this very boot waits for its timer, and where what is
    kept can't be used; EffectFailed where it can't be brought up as a whole.
    """
    if not work.host.names(work.paths.root):
        return Booted(None)
    work.host.ready()
    with work.host.locked(work.paths, "boot"):
        now = _by_link_alone(work)
        does = boot_does(now, timer_lives(work))
        if does == "wait":
            may_begin(now)
        if does == "undo, bring up" and now.trial is not None:
            _undone(work, now.trial, "its undo timer had died")
        # Neither a disk that is full nor a history that can't be read keeps a kit from coming up.
        with suppress(EffectFailed):
            insist(work, _tidying(work, now))
        if now.kept is None:
            return Booted(None)
        kept = made(work, now.kept)
        settings = work.ways.settings_of(kept.files)
        bare = work.host.observe(settings)
        wanted = work.ways.wanted(kept.files, bare, None, kept.version.set_aside)
        left = work.ways.left_out(bare, wanted)
        brought_up(work, work.ways.converge(bare, wanted, work.host.clock(), None, kept.files))
        event = _event(work, what, now.kept, difference="; ".join(left))
        with suppress(EffectFailed):
            insist(work, phases.telling(work.paths, _history(work), event))
        return Booted(now.kept, left)


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
    try:
        perform(work, phases.settling(work.paths))
    except EffectFailed as problem:
        raise RolloutRefused(
            f"the state folder can't be written: {problem}", "nothing was changed"
        ) from None


def _by_link_alone(work: Work) -> Standing:
    """How things stand, for boot: a trial that can't be read does not keep from coming up what is
    kept, and goes."""
    try:
        now = look(work)
        timer_lives(work)
        return now
    except StateBroken as problem:
        check_format(work.host.read(work.paths.format), work.host.names(work.paths.root))
        kept = kept_by(work.host.link(work.paths.kept))
        event = _event(work, "undone", STOCK, why=str(problem))
        unnamed = replace(event, version=None)
        insist(work, phases.over(work.paths, _history(work), unnamed))
        return Standing(kept, None, "quiet")


def _tidied(work: Work) -> Standing:
    """How things stand once what is left of an earlier trial has been put away."""
    now = look(work)
    if now.situation == "open":
        return now
    try:
        perform(work, _tidying(work, now))
    except EffectFailed as problem:
        raise RolloutRefused(f"{problem}", "nothing was changed") from None
    return replace(now, trial=None, situation="quiet")


def _tidying(work: Work, now: Standing) -> tuple[Step, ...]:
    return phases.tidying(work.paths, now, _history(work), work.who, work.host.utc())


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
    fresh: bool = False  # put aside for this attempt: nothing may lead to it if it can't be begun


def _tried(work: Work, attempt: _Attempt, verify: Verify) -> Waiting | Undone:
    """The trial itself, from the snapshot to the wait; the lock is held."""
    try:
        before, steps = _aims(work, attempt)
    except RolloutRefused:
        if attempt.fresh:
            insist(work, (Step("it goes again", (Remove(work.paths.version(attempt.number)),)),))
        raise
    trial = _opened(work, attempt, before)
    try:
        perform(work, steps)
        complaints = verify()
        if not complaints:
            waiting = _until(work, replace(trial, phase="waiting"), attempt.seconds)
            perform(work, (phases.phase(work.paths, waiting, "waiting"),))
            return Waiting(waiting)
        failed = "it is not what was planned: " + "; ".join(complaints)
    except EffectFailed as problem:
        failed = str(problem)
    except BaseException:
        _undone(work, trial, "it was interrupted")
        raise
    return _undone(work, trial, failed)


def _aims(work: Work, attempt: _Attempt) -> tuple[HostState, tuple[Step, ...]]:
    """What the host is like, with all settings that may change, and the steps from there; what of
    them can be tried without effect has been tried. Raises RolloutRefused."""
    host, ways = work.host, work.ways
    try:
        new, old = _kit(work, attempt.number), _kit(work, attempt.kept)
        both = [kit for kit in (new, old) if kit is not None]
        now = host.observe(ways.settings_of(*both))
        if attempt.version is None or new is None:
            place = work.paths.version(attempt.kept or STOCK, "before.json")
            stock = restored("before.json of what is kept", host.read(place) or b"")
            wanted = ways.as_before(stock, now, *both)
        else:
            wanted = ways.wanted(new, now, old, attempt.version.set_aside)
        steps = ways.converge(now, wanted, host.clock(), old, new)
        for run in ways.rehearsal(steps):
            host.perform(run)
        return now, steps
    except EffectFailed as problem:
        raise RolloutRefused(f"{problem}", "nothing was changed") from None


def _opened(work: Work, attempt: _Attempt, before: HostState) -> Trial:
    """The trial, told, with its timer armed. Raises RolloutRefused."""
    host, paths, number = work.host, work.paths, attempt.number
    unset = Trial(number, attempt.kept, "changing", work.who, host.utc(), 0.0, host.boot_id())
    trial = _until(work, unset, attempt.seconds)
    version = attempt.version
    digest, difference = (version.digest, version.difference) if version else ("", "")
    event = _event(work, "enacted", number, digest, attempt.why, difference)
    try:
        perform(work, phases.opening(paths, trial, before, _history(work), event))
        host.arm(paths, number)
    except EffectFailed as problem:
        gone = _event(work, "undone", number, digest, "ended before anything was changed")
        insist(work, phases.over(paths, _history(work), gone))
        raise RolloutRefused(f"{problem}", "nothing was changed") from None
    return trial


def _until(work: Work, trial: Trial, seconds: float) -> Trial:
    host = work.host
    end = host.utc() + timedelta(seconds=seconds)
    return replace(trial, deadline=end, deadline_boot=host.clock() + seconds)


def _undone(work: Work, trial: Trial, why: str) -> Undone:
    """Make the host as it was before, prove it, and end the trial; the lock is held.

    What can't be written is noted and keeps nothing from being undone. A host that does not become
    equal leaves the trial in its phase `undoing`, to be tried again.
    """
    paths, version = work.paths, trial.version
    notes = insist(work, (phases.phase(paths, trial, "undoing"),))
    left, failed = _as_before(work, trial)
    notes += failed
    if left:
        event = _event(work, "not undone", version, why=why, difference="; ".join(left))
        notes += insist(work, phases.telling(paths, _history(work), event))
        return Undone(version, why, left, notes)
    event = _event(work, "undone", version, why=why)
    return Undone(version, why, (), notes + insist(work, phases.over(paths, _history(work), event)))


def _as_before(work: Work, trial: Trial) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """In what the host still differs from before, and what failed on the way."""
    left: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    host, ways = work.host, work.ways
    for _ in range(TRIES):
        try:
            before = restored("trial/before.json", host.read(work.paths.before) or b"")
            new, old = _kits(work, trial)
            both = [kit for kit in (new, old) if kit is not None]
            now = host.observe(before.settings)
            wanted = ways.as_before(before, now, *both) if both else before
            failed = insist(work, ways.converge(now, wanted, host.clock(), new, old))
            after = host.observe(before.settings)
            left = ways.unlike(ways.as_before(before, after, *both) if both else before, after)
        except (EffectFailed, RolloutRefused) as problem:
            left = (str(problem),)
        if not left:
            break
    return left, failed


def _kits(work: Work, trial: Trial) -> tuple[Files | None, Files | None]:
    """The kits of a trial, new and old. None if they can't be read: the host is then made as it was
    in all respects, whoever changed it."""
    try:
        return _kit(work, trial.version), _kit(work, trial.previous)
    except StateBroken:
        return None, None


def _history(work: Work) -> bytes:
    return work.host.read(work.paths.history) or b""


def _event(
    work: Work, what: What, version: int, digest: str = "", why: str = "", difference: str = ""
) -> Event:
    return Event(work.host.utc(), work.who, what, version, digest, why, difference)
