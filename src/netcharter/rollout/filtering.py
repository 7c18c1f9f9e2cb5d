"""The exchange of nftables tables, with the elements that have time left."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

from netcharter.rollout import exchanging
from netcharter.rollout.escape import Unsayable, element, set_name, table_name
from netcharter.rollout.listing import Block, Set, Unlisted, block, plain
from netcharter.rollout.shapes import Element, HostState, Table

LEAST = 1.0  # seconds; what has less is let go: nft takes no time of 0, and would keep it for ever
LATE = 5.0  # seconds that the later of five transactions may take to come (two were measured)
AT_ONCE = 200  # elements in one line

CLASS_MAPS = frozenset({"nc_class4", "nc_class6"})  # lead to a mark with the identity class in it
# Of lines that failed, by their numbers: another version may number them otherwise, and a boot has
# new conversations take them again. Who knows better tells the kernel anew.
GONE_SETS = frozenset({"nc_gone4", "nc_gone6"})
CLASS_SHIFT, CLASS_MASK = 4, 0xFF0  # bits 4 to 11 of the mark (docs/explanation/kit.md)

Classes = Mapping[int, int]


@dataclass(frozen=True, slots=True)
class Exchange:
    """How tables are exchanged. alone: all of it in one transaction, as text for `nft -f -`, "" if
    nothing is to be exchanged; stages: the transactions in which it is to be done, in order; words:
    what it does."""

    alone: str
    stages: tuple[str, ...]
    words: tuple[str, ...]


def exchange(
    now: HostState, wanted: HostState, at: float, classes: Classes | None = None
) -> Exchange:
    """What is to be loaded to get from the tables of one state to those of another.

    A base chain hangs in the path of packets before the rules that come with it count, and after
    those that go with it have ceased to: for some thousandths of a second nothing but its policy
    decides (seen on Linux 6.18). So the base chains of a table that is exchanged stay where they
    are while all else in it is another, in five transactions where that can be (`exchanging`). All
    that concerns other tables happens in the second, from which on the new filter counts.

    at: the clock that counts from boot when it is loaded; classes: how identity classes are to be
    renumbered. Raises Unsayable, Unlisted.
    """
    there = {(t.family, t.name): t for t in now.tables}
    asked = {(t.family, t.name): t for t in wanted.tables}
    alone: list[str] = []
    besides: list[str] = []
    staged: list[tuple[str, ...]] = []
    words: list[str] = []
    for name, table in there.items():
        if name not in asked and table.text:
            besides.append(f"delete table {table_name(*name)}\n")
            words.append(f"the table {table_name(*name)} goes")
    alone += besides
    for name, table in asked.items():
        old = there.get(name)
        if not table.text or (
            old is not None and (not old.text or plain(old.text) == plain(table.text))
        ):
            continue
        living = carried(old, table, at - now.at, at - wanted.at, classes)
        whole = "".join([*_replaced(old, table), *_elements(table, living)])
        alone.append(whole)
        stages = _stages(old, table, living)
        if stages:
            staged.append(stages)
        else:
            besides.append(whole)
        words.append(f"the table {table_name(*name)} is {'exchanged' if old else 'put in'}")
    return Exchange("".join(alone), _in_turn(staged, besides, "".join(alone)), tuple(words))


def _in_turn(
    staged: Collection[tuple[str, ...]], besides: Collection[str], alone: str
) -> tuple[str, ...]:
    if not staged:
        return (alone,) if alone else ()
    found = ["".join(texts) for texts in zip(*staged, strict=True)]
    found[1] = "".join([*besides, found[1]])
    return tuple(found)


def _stages(old: Table | None, new: Table, living: Collection[Element]) -> tuple[str, ...]:
    """Whatever lives is put in twice, the second time with less time: it comes later."""
    if old is None:
        return ()
    first = [replace(each, set=exchanging.meanwhile(each.set)) for each in living]
    later = [replace(e, seconds=e.seconds - LATE) for e in living if e.seconds - LATE >= LEAST]
    return exchanging.stages(
        table_name(new.family, new.name),
        old.text,
        new.text,
        _elements(new, first),
        _elements(new, later),
    )


def _replaced(old: Table | None, table: Table) -> Iterator[str]:
    name = table_name(table.family, table.name)
    found = block(table.text)
    if (found.family, found.name) != (table.family, table.name):
        raise Unlisted(f"the text of {name} is that of another table")
    emptied = _emptied(name, block(old.text), found) if old is not None else []
    yield from emptied or [f"table {name}\ndelete table {name}\n"]
    yield table.text.rstrip() + "\n"


def _emptied(name: str, old: Block, new: Block) -> list[str]:
    """All that is in a table goes but for its base chains; nothing where that can't be, since
    they are others."""
    there = old.hooks
    if not there or there != new.hooks:
        return []
    by_kind: dict[str, list[str]] = {kind: [] for kind in exchanging.GOING}
    for kind, called in old.things:
        if kind not in by_kind:
            return []
        if called not in there:
            by_kind[kind].append(called)
    try:
        gone = [
            f"delete {kind} {name} {set_name(called)}\n"
            for kind in exchanging.GOING
            for called in by_kind[kind]
        ]
    except Unsayable:
        return []
    return [f"flush table {name}\n", *gone]


def carried(
    old: Table | None, new: Table, passed: float, since: float, classes: Classes | None = None
) -> tuple[Element, ...]:
    """The elements with time left that a new table begins with.

    A set of the same name and type in the old table tells them, as they are now: passed seconds ago.
    Where the old table has none, those that belong to the new one count, noted since seconds ago;
    a negative time is that of another boot, and nobody knows how long ago that was. Which lines
    failed is not carried: there presence refuses.
    """
    sets = {name: one for name, one in block(new.text).sets.items() if name not in GONE_SETS}
    known = block(old.text).sets if old is not None and old.text else {}
    lasting = {n for n in sets if n in known and _alike(sets[n], known[n])}
    found = [
        *_left(old.living if old is not None else (), lasting, passed, classes),
        *_left(new.living, {n for n in sets if sets[n].living} - lasting, since, None),
    ]
    return tuple(found)


def _alike(one: Set, other: Set) -> bool:
    return one.living and other.living and one.type == other.type


def _left(
    elements: Collection[Element], names: Collection[str], seconds: float, classes: Classes | None
) -> Iterator[Element]:
    if seconds < 0:
        return
    for each in elements:
        if each.set not in names or each.seconds - seconds < LEAST:
            continue
        value = _renumbered(each, classes)
        if value is not None:
            yield replace(each, seconds=each.seconds - seconds, value=value)


def _renumbered(each: Element, classes: Classes | None) -> str | None:
    """What an element leads to; None for a class of somebody who is in no charter any more."""
    if classes is None or each.set not in CLASS_MAPS:
        return each.value
    if not re.fullmatch(r"0x[0-9a-f]{1,8}", each.value):
        return None
    mark = int(each.value, 16)
    number = classes.get((mark & CLASS_MASK) >> CLASS_SHIFT)
    return None if number is None else f"0x{mark & ~CLASS_MASK | number << CLASS_SHIFT:08x}"


def _elements(table: Table, living: Collection[Element]) -> Iterator[str]:
    name = table_name(table.family, table.name)
    by_set: dict[str, list[str]] = {}
    for each in living:
        try:
            by_set.setdefault(set_name(each.set), []).append(_written(each))
        except Unsayable:
            continue  # nobody but this table had put it there; presence opens, absence closes
    for owner, texts in by_set.items():
        for place in range(0, len(texts), AT_ONCE):
            chosen = ", ".join(texts[place : place + AT_ONCE])
            yield f"add element {name} {owner} {{ {chosen} }}\n"


def _written(each: Element) -> str:
    value = f" : {element(each.value)}" if each.value else ""
    return f"{element(each.text)} timeout {int(each.seconds * 1000)}ms{value}"
