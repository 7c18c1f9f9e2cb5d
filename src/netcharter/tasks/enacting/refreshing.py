"""`refresh`: lists that others publish are fetched, kept where they are good, and put to use.

What is fetched lies beside the versions, in the state folder. A list of addresses that is another than
the kept version was made with makes a new version of it, as a delegated prefix does: planned, proven,
put in place, read back and kept, or all stays as it was. Nobody has to be asked, since the charter
says nothing else than before. A list of names makes no version, since no rule of the kernel depends
on it: the stores in which its names are looked up are made anew, and change places with the old ones.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Literal

from netcharter.charter.model import Charter, NamedList
from netcharter.charter.read import read as read_charter
from netcharter.charter.values import quoted
from netcharter.charter.words import suggest
from netcharter.plan.fetching import fetched as fetched_by
from netcharter.plan.hostile import used
from netcharter.plan.listed import Listed
from netcharter.proofs.naming import listed
from netcharter.rollout.host import Work
from netcharter.rollout.reading import instant_text
from netcharter.rollout.shapes import Folder, Write
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward import lists
from netcharter.steward.lists import Record
from netcharter.steward.loop.fetching import NotFetched, fetch, host_of
from netcharter.tasks.enacting import acts
from netcharter.tasks.enacting.counting import counted
from netcharter.tasks.enacting.lists_here import fetched_lists, kept
from netcharter.tasks.enacting.renumbering import taken_over
from netcharter.tasks.enacting.stores import make_stores
from netcharter.tasks.sources import Source, Unusable, put_aside, unusable, usable_plan

State = Literal["nothing kept", "as before", "refreshed", "refused", "undone"]
Fate = Literal["fetched", "the same", "not due", "kept as it was"]
SECONDS = 600.0  # for a version to be read back and kept: a list of 200 000 takes a minute and more
PATIENCE = 45.0  # seconds that others who change the machine are waited for
FETCHING = (
    300.0  # seconds after which no further list is asked for; `fetching.DEADLINE` is for each
)
TURN = timedelta(minutes=30)
EARLY = timedelta(minutes=5)  # before its time at which a list counts as due

Fetch = Callable[[str], bytes]
MOST_REASONS = 3  # why lines were refused, of one list, that are told to people


@dataclass(frozen=True, slots=True)
class Told:
    """What came of one list. why: it is kept as it was; old: for more than 48 hours nothing good came;
    entries, fetched: of what is kept, None where nothing is; refused: lines of it that hold no entry,
    by reason: how many, the first of them."""

    name: str
    fate: Fate
    why: str = ""
    entries: int | None = None
    fetched: datetime | None = None
    old: bool = False
    refused: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """In words."""
        held = "" if self.entries is None else f", {self.entries} entries"
        lines = sum(count for count, _ in self.refused.values())
        if lines:
            reasons = [
                f"{count} {why} (first: line {first})"
                for why, (count, first) in list(self.refused.items())[:MOST_REASONS]
            ]
            more = "; ..." if len(self.refused) > MOST_REASONS else ""
            held += f", {lines} lines hold none: {'; '.join(reasons)}{more}"
        why = f": {self.why}" if self.why else ""
        age = "; what is kept is older than 48 hours" if self.old else ""
        return f"{self.name}: {self.fate}{held}{why}{age}"


@dataclass(frozen=True, slots=True)
class Refreshed:
    """version: that is kept now, 0 for none; text: what came of the exchange, in words."""

    state: State
    text: str
    version: int
    lists: tuple[Told, ...] = ()

    @property
    def ok(self) -> bool:
        well = self.state not in ("refused", "undone")
        return well and not any(one.fate == "kept as it was" for one in self.lists)

    def as_json(self) -> dict[str, Any]:
        """`ok`, `state`, `text`, `version` (or null), `lists` [{`name`, `fate`, `why`, `entries`,
        `fetched`, `old`, `refused` [{`reason`, `count`, `first`}]}]."""
        return {
            "ok": self.ok,
            "state": self.state,
            "text": self.text,
            "version": self.version or None,
            "lists": [
                {
                    "name": one.name,
                    "fate": one.fate,
                    "why": one.why,
                    "entries": one.entries,
                    "fetched": None if one.fetched is None else instant_text(one.fetched),
                    "old": one.old,
                    "refused": [
                        {"reason": reason, "count": count, "first": first}
                        for reason, (count, first) in one.refused.items()
                    ],
                }
                for one in self.lists
            ],
        }

    def lines(self) -> Iterator[str]:
        """For people."""
        yield from (one.text for one in self.lists)
        yield f"{self.state}: {self.text}"


def refresh(
    work: Work,
    now: datetime,
    names: Collection[str] = (),
    accepted: Collection[str] = (),
    fetched: Fetch = fetch,
) -> Refreshed:
    """Fetch the lists of the kept charter that are due, or those named; put to use what is kept of
    them. accepted: those whose size may be any. Raises RolloutRefused, EffectFailed, and Unusable
    where no list of such a name is fetched."""
    stood = acts.standing(work)
    source = acts.kept_source(work)
    if source is None or stood.kept is None:
        return Refreshed("nothing kept", "nothing is kept here", 0)
    charter = read_charter(source.text, source.name, source.load).charter
    every = () if charter is None else fetched_by(charter)
    for name in sorted({*names, *accepted}):
        _demand(name, [one.name for one in every])
    wanted = [one for one in every if not names or one.name in names]
    end = work.host.clock() + FETCHING
    told = {
        one.name: _one(work, one, now, one.name in accepted, one.name in names, fetched)
        if work.host.clock() < end
        else _left(work, one.name, now)
        for one in _in_turn(wanted, now)
    }
    found = _together(_stored(work, source, charter), _taken_over(work, source, charter, now))
    return replace(found, lists=tuple(told[one.name] for one in wanted))


def _in_turn(wanted: list[NamedList], now: datetime) -> list[NamedList]:
    """Another one first every half hour, so that none waits for ever behind slow ones."""
    first = int(now.timestamp() // TURN.total_seconds()) % max(len(wanted), 1)
    return wanted[first:] + wanted[:first]


def _demand(name: str, every: list[str]) -> None:
    """Raises Unusable for a name that nothing is fetched for: a typing mistake would do nothing."""
    if name not in every:
        near = suggest(name, every)
        raise unusable("unknown-name", f"no list {quoted(name)} is fetched by the charter kept here",
                       "refresh", name, f"write {near}" if near else
                       f"say one of {listed(every)}" if every else "leave it out")  # fmt: skip


# --- one list -------------------------------------------------------------------------------------


def _one(
    work: Work, one: NamedList, now: datetime, accepted: bool, named: bool, fetched: Fetch
) -> Told:
    assert one.source is not None
    text, before = kept(work, one.name)
    of_it = before if before is not None and before.is_from(one.source) else None
    if not named and not accepted and of_it is not None:
        since = now - of_it.fetched
        if timedelta() <= since < timedelta(seconds=one.every) - EARLY:
            return _told(one.name, "not due", before, now)
    # Until something good comes from another address, what came from the one before stands in.
    other = "" if before is of_it else "; what is kept came from another address"
    try:
        came = fetched(one.source)
    except NotFetched as fault:
        why = f"{host_of(one.source)}: {fault}{other}"
        return _told(one.name, "kept as it was", before, now, why)
    found = counted(one, came)
    why = lists.wrong(found, None if accepted else of_it, one.change)
    if why:
        return _told(one.name, "kept as it was", before, now, why + other)
    after = lists.record(came, found, host_of(one.source), now, of_it, one.source)
    with work.host.locked(work.paths, "keeping a list", PATIENCE):
        folder = work.paths.within(lists.FOLDER)
        work.host.perform(Folder(folder))
        work.host.perform(Write(f"{folder}/{one.name}.json", lists.record_text(after, before)))
        if text != came:
            work.host.perform(Write(f"{folder}/{one.name}", came))
    return _told(one.name, "the same" if text == came else "fetched", after, now)


def _left(work: Work, name: str, now: datetime) -> Told:
    """Of a list for which no time is left: what has come already is to be put to use, too."""
    why = "others took too long; it is asked for the next time"
    return _told(name, "kept as it was", kept(work, name)[1], now, why)


def _told(name: str, fate: Fate, found: Record | None, now: datetime, why: str = "") -> Told:
    if found is None:
        return Told(name, fate, why)
    old = found.old(now)
    return Told(name, fate, why, found.entries, found.fetched, old, found.refused)


# --- all of them ----------------------------------------------------------------------------------


def _stored(work: Work, source: Source, charter: Charter | None) -> Refreshed:
    """The stores of lists of names hold what is kept of those. While something is on trial they stay
    as they are, since it may use others; it will be seen to the next time."""
    kept_here = acts.standing(work).kept or 0
    told = Refreshed("as before", "", kept_here)
    if charter is None or not charter.names:
        return told
    try:
        names = usable_plan(source).plan.names
        with work.host.locked(work.paths, "making stores of names", PATIENCE):
            quiet = acts.standing(work).situation == "quiet"
            made = make_stores(work, names) if quiet else ()
    except (EffectFailed, Unusable) as fault:
        why = f"stores of names could not be made, and stay as they were: {fault}"
        return replace(told, state="undone", text=why)
    if not made:
        return told
    lists = "the list" if len(made) == 1 else "the lists"
    return replace(
        told, state="refreshed", text=f"names are looked up in {lists} {listed(made)} anew"
    )


def _together(names: Refreshed, addresses: Refreshed) -> Refreshed:
    """What came of both, by the graver."""
    states: tuple[State, ...] = ("undone", "refused", "refreshed", "as before")
    state = min((names.state, addresses.state), key=states.index)
    quiet = addresses.state == "as before" and names.text
    texts = (names.text, "" if quiet else addresses.text)
    return replace(addresses, state=state, text="; ".join(filter(None, texts)))


def _taken_over(work: Work, source: Source, charter: Charter | None, now: datetime) -> Refreshed:
    """A version with what is kept of the lists, where that says something else than the one that is
    kept."""
    stood = acts.standing(work)
    told = Refreshed("as before", "what the lists say is in place", stood.kept or 0)
    of_addresses = {one.name for one in used(charter)} if charter is not None else set()
    after = {
        name: one for name, one in fetched_lists(work, charter).items() if name in of_addresses
    }
    changed = [name for name, one in after.items() if _changes(put_aside(source, name), one)]
    if not changed:
        return told
    why = f"the lists {', '.join(changed)} were refreshed"
    taken = taken_over(work, replace(source, lists=after), why, stood, now, SECONDS)
    if taken.version is None:
        return replace(told, state=taken.state, text=taken.text)
    return replace(told, state="refreshed", text=taken.text, version=taken.version)


def _changes(before: Listed | None, after: Listed) -> bool:
    """Whether it says something else: another remark, or another order, makes no version."""
    if before is None:
        return True
    return before.text != after.text and before.contents != after.contents
