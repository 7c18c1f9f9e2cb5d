"""What is looked at: the state folder, and what of the host the versions in it concern.

Nothing is changed here.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from netcharter.rollout import placing
from netcharter.rollout.host import Files, Host, Work
from netcharter.rollout.observe import OURS
from netcharter.rollout.shapes import HostState, Table
from netcharter.rollout.snapshot import restored
from netcharter.rollout.store import (
    STOCK,
    Armed,
    Event,
    Paths,
    Standing,
    Trial,
    Version,
    armed_of,
    back_to,
    check_format,
    check_kit,
    events_of,
    kept_by,
    may_begin,
    numbers,
    standing,
    trial_of,
    version_of,
)
from netcharter.rollout.trouble import EffectFailed, RolloutRefused, StateBroken

Led = Callable[[int, Files, HostState], Files]

# --- looking ------------------------------------------------------------------------------------


def look(work: Work) -> Standing:
    """How things stand. Raises RolloutRefused (StateBroken) where the folder can't be used."""
    host, paths = work.host, work.paths
    understood(work)
    trial, armed = trial_now(host, paths), armed_now(host, paths)
    mine = trial is not None and armed is not None and armed.version == trial.version
    return standing(kept_by(host.link(paths.kept)), trial, mine, host.boot_id())


def understood(work: Work) -> None:
    """Raises RolloutRefused for a folder that is laid out otherwise. Its names come first: who is
    making it meanwhile writes the format before all else."""
    names = work.host.names(work.paths.root)
    check_format(work.host.read(work.paths.format), names)


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


def free(work: Work) -> Standing:
    """How things stand where something may begin. Raises RolloutRefused while another trial is
    under way: whose it is, and until when."""
    now = look(work)
    may_begin(now, timer_lives(work))
    return now


def way_back(work: Work, number: int | None) -> tuple[Standing, int]:
    """How things stand, and to which version `back` leads then, STOCK for none of ours. Raises
    RolloutRefused where it leads nowhere."""
    work.host.ready()
    now = free(work)
    return now, back_to(number, now.kept, versions(work), events(work))


def events(work: Work) -> tuple[Event, ...]:
    """What happened, in order, as far as it can be read."""
    return events_of(history(work)[0] or b"")


# --- kits ---------------------------------------------------------------------------------------


def kit(work: Work, number: int | None) -> Files | None:
    """The kit of a version, if it is one. Raises StateBroken."""
    return made(work, number).files if number else None


def concerned(work: Work, new: int, old: int | None) -> tuple[Files, ...]:
    """The kits of which a change from one version to another takes something away or gives it.

    Without any of ours, what earlier versions took from devices that the last no longer names comes
    back too. Raises StateBroken if one of the two can't be read; of the earlier, what can.
    """
    found = {number: kit(work, number) for number in (new, old or STOCK)}
    if new == STOCK:
        for number in versions(work):
            with suppress(StateBroken):
                found.setdefault(number, kit(work, number))
    return tuple(kit for kit in found.values() if kit is not None)


# --- without any of ours ------------------------------------------------------------------------


def stock(work: Work, kept: int | None) -> HostState:
    """What the host was like without any of ours, as it was put aside. Raises RolloutRefused."""
    known = sorted(versions(work), reverse=True)
    for number in (kept or STOCK, *known):
        place = f"versions/{number:04}/before.json"
        data = work.host.read(work.paths.version(number, "before.json"))
        if data is not None:
            return restored(place, data)
    raise RolloutRefused(
        "what this machine was like before netcharter was not put aside", "name a version"
    )


def not_stock(work: Work, kept: int | None, found: HostState) -> tuple[str, ...]:
    """In what a host from which a version was taken differs from one without any of ours. Raises
    RolloutRefused."""
    wanted = work.ways.as_before(stock(work, kept), found, *concerned(work, STOCK, kept))
    return work.ways.unlike(wanted, found)


def stock_before(work: Work, trial: Trial) -> bytes | None:
    """The same for a version that is to be kept: what the host was like before it, or what was put
    aside with the version before."""
    if trial.previous is None:
        return work.host.read(work.paths.before)
    return work.host.read(work.paths.version(trial.previous, "before.json"))


# --- what is in place ---------------------------------------------------------------------------


def as_it_is(number: int, files: Files, now: HostState) -> Files:
    """For a kit from which nobody takes anything away while it is in place."""
    return files


def otherwise(work: Work, trial: Trial, led: Led) -> tuple[str, ...]:
    """In what the host differs from what was put in place. Of its packet filter, ours is to be what
    was proven then; without any of ours, it is to be away.

    led: gives the kit of a version as it may be in place on a host, which is asked where it is not
    there as a whole.
    """
    host, ways = work.host, work.ways
    data = host.read(work.paths.placed)
    if data is None:
        return ("what was proven to be in place was not put aside",)
    placed = restored("trial/placed.json", data).tables
    if trial.version == STOCK:
        then = stock(work, trial.previous)
        kits = concerned(work, STOCK, trial.previous)
        now = host.observe((*placing.asked(then), *ways.settings_of(*kits)))
        wanted = ways.as_before(then, now, *kits)
        return ways.unlike(replace(wanted, tables=_with_ours(wanted, placed)), now)
    kept = made(work, trial.version)
    now = host.observe(ways.settings_of(kept.files))
    found: tuple[str, ...] = ()
    for way in (as_it_is, led):
        files = way(trial.version, kept.files, now)
        wanted = ways.wanted(files, now, None, kept.version.set_aside)
        found = ways.unlike(replace(wanted, tables=_with_ours(wanted, placed)), now)
        if not found:
            break
    return found


def _with_ours(state: HostState, ours: tuple[Table, ...]) -> tuple[Table, ...]:
    others = (table for table in state.tables if (table.family, table.name) != OURS)
    return tuple(sorted((*others, *ours), key=lambda table: (table.family, table.name)))


# --- what happened ------------------------------------------------------------------------------


def history(work: Work) -> tuple[bytes | None, tuple[str, ...]]:
    """The history, and notes; None where it can't be read, which keeps nothing else from being
    done."""
    try:
        return work.host.read(work.paths.history) or b"", ()
    except EffectFailed as problem:
        return None, (f"what happened can't be told in the history: {problem}",)
