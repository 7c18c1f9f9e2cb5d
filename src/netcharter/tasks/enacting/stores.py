"""The stores in which dnsdist looks names of lists up are made on this machine (`render.cdb`)."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from netcharter.plan.names.entries import Entries
from netcharter.plan.names.shapes import ListPlan, NamesPlan
from netcharter.render import stores as places
from netcharter.render.cdb import STORES, laid_out
from netcharter.rollout import stores
from netcharter.rollout.host import Work
from netcharter.rollout.shapes import Remove
from netcharter.tasks.enacting.lists_here import kept


def make_stores(work: Work, names: NamesPlan, *besides: NamesPlan) -> tuple[str, ...]:
    """The stores of all lists that a plan uses are there and hold what the lists do: what the charter
    says, and of a list that is fetched what is kept of it here, whatever a version was made with.

    Only those are made that are not as they should be; the names of these lists are told. What a
    charter says itself goes where neither this plan nor one of `besides` uses it. A list that nobody
    has told yet, or that can't be used, leaves its stores as they were, empty ones where there are
    none. Takes some seconds for a million names. The lock of the state folder is held. Raises EffectFailed.
    """
    every = {places.place(one): one for plan in (*besides, names) for one in plan.lists.values()}
    used = [places.place(one) for one in names.lists.values()]
    made = tuple(every[where].name for where in used if _make(work, where, every[where]))
    _tidy(work, every)
    return made


def _make(work: Work, where: str, one: ListPlan) -> bool:
    """Whether it was made."""
    one = _as_kept(work, one)
    folder = work.paths.within(places.FOLDER, where)
    before = stores.known(work.host.read(f"{folder}/{stores.RECORD}"))
    mark = places.fingerprint(one, one.text or b"")
    whole = _whole(work, folder)
    entries = one.entries if not whole or before.mark != mark else None
    if entries is None and whole:
        return False
    if entries is None:
        entries, mark = Entries.of(()), ""
    now = work.host.utc().timestamp()
    for effect in stores.steps(folder, laid_out(entries), mark, before, now):
        work.host.perform(effect)
    return True


def _as_kept(work: Work, one: ListPlan) -> ListPlan:
    text = kept(work, one.name)[0] if one.said.source is not None else None
    return one if text is None else replace(one, text=text)


def _whole(work: Work, folder: str) -> bool:
    there = work.host.names(folder)
    return all(f"{store}.cdb" in there for store in STORES)


def _tidy(work: Work, used: Collection[str]) -> None:
    folder = work.paths.within(places.FOLDER, places.SAID)
    for name in work.host.names(folder):
        if f"{places.SAID}/{name}" not in used:
            work.host.perform(Remove(f"{folder}/{name}"))
