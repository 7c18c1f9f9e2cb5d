"""Look-ups in words: who asks, for which names, when; from boxes of `names_space`.

The words are exact. What is left out for its length is said to be left out.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from netcharter.plan.shapes import When
from netcharter.proofs.names_space import AREA, ASKER, LISTS, NAME, OTHER, TIME, NamesSpace, Node
from netcharter.proofs.naming import Naming, listed
from netcharter.space.model import RawBox
from netcharter.space.ranges import Ranges, full, has, intersect, subset, subtract, union

MOST_NAMES = 6  # names of one row that are told one by one
MOST_BUT = 4  # names that are told as not being among others
EVERYONE, ALWAYS, ANY_NAME = "anyone", "always", "any name"
OTHERS = "any name that no other decision is about"


@dataclass(frozen=True, slots=True)
class Row:
    """Look-ups that fare alike. sample: one of their boxes; key: by what they were put together."""

    key: Hashable
    who: str
    name: str
    when: str
    sample: RawBox


class Words:
    """Of the plans of a space. untold: lists of which nothing needs to be said."""

    def __init__(self, space: NamesSpace, untold: Collection[str] = ()) -> None:
        self.space, self.untold = space, untold

    def rows(self, boxes: Iterable[tuple[RawBox, Hashable]]) -> list[Row]:
        """Disjoint boxes as few rows; those with the same key are put together."""
        found = [(key, box) for box, key in boxes]
        for _ in range(2):  # what one pass joins may let the next join more
            for place in (NAME, TIME, ASKER, AREA):
                found = _joined(found, place)
        told: dict[tuple[Hashable, str, str], list[RawBox]] = {}
        for key, box in found:
            told.setdefault((key, self.names(box), self.when(box[TIME])), []).append(box)
        return [
            Row(key, self._who(boxes), name, when, boxes[0])
            for (key, name, when), boxes in told.items()
        ]

    def _who(self, boxes: Sequence[RawBox]) -> str:
        """All who ask in these."""
        areas = range(len(self.space.areas))
        askers = [union(*(b[ASKER] for b in boxes if has(b[AREA], place))) for place in areas]
        who = [one for place in areas for one in self.who(place, askers[place])]
        return EVERYONE if set(self.space.areas) <= set(who) else listed(who)

    def who(self, place: int, askers: Ranges) -> Iterator[str]:
        """Those of one area; a device by its name, with its area where it may ask in several."""
        area = self.space.areas[place]
        there = self.space.there[area]
        mine = [asker for asker in there if has(askers, asker)]
        if len(mine) == len(there):
            yield area
        elif OTHER in mine:
            yield f"{area} but for {listed(self.space.askers[a] for a in there if a not in mine)}"
        else:
            yield from (self._device(self.space.askers[asker], area) for asker in mine)

    def _device(self, name: str, area: str) -> str:
        number = self.space.askers.index(name)
        several = sum(number in there for there in self.space.there.values()) > 1
        return f"{name} (in {area})" if several else name

    def when(self, found: Ranges) -> str:
        """`always`, a condition of the charter, or instants for instance."""
        everything = full(len(self.space.times))
        if subset(everything, found):
            return ALWAYS
        conditions = dict(self._conditions(everything))
        for name, classes in conditions.items():
            if classes == found:
                return name
        for (a, first), (b, second) in combinations(conditions.items(), 2):
            if intersect(first, second) == found:
                return f"{a} and {b}"
            if union(first, second) == found:
                return f"{a}, or {b}"
        naming = Naming(self.space.plans[-1])
        early = [t.earliest for t in self.space.times if has(found, t.number)][:3]
        return "at times like " + listed(naming.instant_text(moment) for moment in early)

    def _conditions(self, everything: Ranges) -> Iterator[tuple[str, Ranges]]:
        """Of all plans, the last first; hours that were others before are told as such."""
        told: dict[str, Ranges] = {}
        for number, plan in reversed(list(enumerate(self.space.plans))):
            for when in dict.fromkeys(When(row.during, row.until) for row in plan.names.rows):
                for name, one in ((when.during, When(when.during)), ("", When(until=when.until))):
                    found = self.space.time_set(number, one)
                    if not found or found == everything:
                        continue
                    inside, outside = ("during", "outside") if name else ("until", "after")
                    said = name or f"{when.until:%d %B %Y}"
                    said += " as it was" if told.setdefault(said, found) != found else ""
                    yield f"{inside} {said}", found
                    yield f"{outside} {said}", subtract(everything, found)

    def names(self, box: RawBox) -> str:
        """The names of a box, with what lists must say of them."""
        root = self.space.tree.root
        told = [OTHERS] if _is_rest(root, box[NAME]) else list(_told(root, box[NAME]))
        more = f" and {len(told) - MOST_NAMES} names more" if len(told) > MOST_NAMES + 1 else ""
        text = ", ".join(told[:MOST_NAMES]) + more if more else listed(told)
        lists = [
            f"the list {name} {'names' if bit == ((1, 1),) else 'does not name'}"
            for name, bit in zip(self.space.opaque, box[LISTS:], strict=True)
            if bit != full(2) and name not in self.untold
        ]
        if not lists:
            return text
        return (
            f"what {listed(lists)}"
            if text in (ANY_NAME, OTHERS)
            else f"{text}, if {listed(lists)} it"
        )


def _joined(found: Sequence[tuple[Hashable, RawBox]], place: int) -> list[tuple[Hashable, RawBox]]:
    """Boxes that differ in one thing alone as one."""
    together: dict[tuple[Hashable, RawBox], list[Ranges]] = {}
    for key, box in found:
        rest = (*box[:place], (), *box[place + 1 :])
        together.setdefault((key, rest), []).append(box[place])
    return [
        (key, (*rest[:place], union(*parts), *rest[place + 1 :]))
        for (key, rest), parts in together.items()
    ]


def _is_rest(root: Node, found: Ranges) -> bool:
    """Whether these are all names but for many that stand apart."""
    apart = subtract(((root.low, root.high),), found)
    return has(found, root.high) and len(apart) > MOST_BUT


def _told(node: Node, found: Ranges) -> Iterator[str]:
    """The names of a part of the tree, the widest first."""
    mine = intersect(found, ((node.low, node.high),))
    if not mine:
        return
    own, others = has(mine, node.low), has(mine, node.high)
    if others:
        yield _wide(node, mine, own)
    elif own:
        yield node.name or "the root of all names"
    for below in node.below.values():
        if not (others and subset(((below.low, below.high),), mine)):
            yield from _told(below, found)


def _wide(node: Node, mine: Ranges, own: bool) -> str:
    """A name with what is below it, but for what is not."""
    without = [b for b in node.below.values() if not subset(((b.low, b.high),), mine)]
    if not node.name:
        base, rest = ANY_NAME, OTHERS
    elif own:
        base, rest = f"{node.name} with all below it", f"{node.name} with all else below it"
    else:
        base, rest = f"all below {node.name}", f"all else below {node.name}"
    if not without:
        return base
    if len(without) > MOST_BUT:
        return rest
    return f"{base} but for {listed(one.name for one in without)}"
