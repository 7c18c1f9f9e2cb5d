"""Versions that the machine made itself go in time, and with them what they alone had fetched.

A list that changes every day makes a version every day, of a charter that stays the same. Nobody goes
back far in those, and each holds its lists. What somebody has put in place never goes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress

from netcharter.rollout import looks
from netcharter.rollout.host import Work
from netcharter.rollout.reading import fields
from netcharter.rollout.shapes import Remove
from netcharter.rollout.store import MANIFEST, STOCK, Event, Standing, Version, back_to
from netcharter.rollout.trouble import EffectFailed, RolloutRefused

MOST = 10  # versions that the machine made itself that stay, the newest of them
PATIENCE = 45.0  # seconds that others who change the machine are waited for
FETCHED = ("lists", "names/fetched")  # where texts lie in the state folder, and stores made of them


def needless(
    versions: Mapping[int, Version], events: Sequence[Event], now: Standing
) -> tuple[int, ...]:
    """Versions that may go. What is kept stays, what undo leads to, and the last number, which is not
    given away again; while something is on trial all stay."""
    if now.trial is not None:
        return ()
    kept = versions.get(now.kept or STOCK)
    stays = {now.kept, kept and kept.previous, max(versions, default=None)}
    with suppress(RolloutRefused):
        stays.add(back_to(None, now.kept, versions, events))
    made = sorted(number for number, one in versions.items() if one.unasked)
    return tuple(number for number in made[:-MOST] if number not in stays)


def pruned(work: Work) -> tuple[int, ...]:
    """The versions that have gone. What can't be done now is left for the next time: nothing depends
    on it."""
    try:
        with work.host.locked(work.paths, "removing old versions", PATIENCE):
            known = looks.versions(work)
            gone = needless(known, looks.events(work), looks.look(work))
            for number in gone:
                work.host.perform(Remove(work.paths.version(number)))
            for path in _fetched_for_none(work, [one for one in known if one not in gone]):
                work.host.perform(Remove(path))
            return gone
    except (EffectFailed, RolloutRefused):
        return ()


def _fetched_for_none(work: Work, versions: Sequence[int]) -> Iterator[str]:
    """What lies among the lists and belongs to no list that any version fetches. Raises StateBroken
    where one can't be read."""
    there = {folder: work.host.names(work.paths.within(folder)) for folder in FETCHED}
    known: set[str] = set()
    for number in versions if any(there.values()) else ():
        data = work.host.read(work.paths.version(number, "kit", MANIFEST))
        found = fields(f"version {number}", data or b"")
        known.update(found.maybe("fetched", found.keys) or ())
    for folder, names in there.items():
        for name in names:
            # Stores are called by the form, too (`render.stores`).
            if not known & {name, name.removesuffix(".json"), name.partition(":")[0]}:
                yield work.paths.within(folder, name)
