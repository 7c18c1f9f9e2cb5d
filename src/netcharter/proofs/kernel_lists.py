"""What a kernel has loaded, as an ordered list over one slice of the attempts."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Generic, TypeVar

from netcharter.proofs.kernel_expected import with_field
from netcharter.proofs.kernel_fates import Fate, Manner, Nothing, Unsure, by_manner, by_port
from netcharter.proofs.kernel_limits import Limits
from netcharter.proofs.kernel_sets import Meanings
from netcharter.proofs.kernel_space import EXIT, FIELDS, SERVICE, Slice, Space
from netcharter.proofs.kernel_ways import own, ways_to
from netcharter.proofs.loaded import Loaded
from netcharter.space.model import Entry, RawBox, RuleList
from netcharter.space.ranges import Ranges, disjoint, full, has, intersect, subset, subtract, union

OVER = "over "  # how the words of a limit or quota begin that is true once it is exceeded
MOST_UNKNOWN = 24  # conditions of one slice that are told apart
T = TypeVar("T")


@dataclass(slots=True)
class Used:
    """What a list rests on: the sets that were asked with their meanings, and the limits."""

    sets: dict[str, str] = field(default_factory=dict)
    limits: dict[str, None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Held:
    """A leaf in a slice: its box narrowed by the sets whose meaning is known, and the conditions
    that nobody knows, with what they must be."""

    number: int
    leaf: Loaded
    box: RawBox
    unknown: tuple[tuple[str, bool], ...]
    lacking: str = ""  # how its limits are not the plan's


class _Remembered(Generic[T]):
    """A function of a set, asked once for each of many leaves that share one and the same set."""

    def __init__(self, function: Callable[[Ranges], T]) -> None:
        self._function = function
        self._known: dict[int, tuple[Ranges, T]] = {}  # the set stays, and so does its identity

    def of(self, found: Ranges) -> T:
        known = self._known.get(id(found))
        if known is None:
            known = self._known[id(found)] = (found, self._function(found))
        return known[1]


class Kernel:
    """The decisions of a kernel as lists; the number of an entry is its place in `loaded`."""

    def __init__(self, space: Space, loaded: Sequence[Loaded]) -> None:
        self.space = space
        self.loaded = loaded
        self.meanings = Meanings(space.universe)
        self.used = Used()
        self._limits = Limits(space.plan, loaded)
        self._own = own(space.plan)
        self._exits: dict[frozenset[str], Ranges] = {}
        self._families: dict[int, _Remembered[Ranges]] = {}
        self._manners: dict[Manner, _Remembered[list[tuple[Ranges, Manner]]]] = {}
        self._ports: dict[int | None, _Remembered[list[tuple[Ranges, int | None]]]] = {}

    def rules(self, where: Slice) -> tuple[Slice, RuleList]:
        """The kernel's side of a slice, and the slice with a field for each unknown condition."""
        held = list(self._held(where))
        unknown = list(dict.fromkeys(words for one in held for words, _ in one.unknown))
        wide = where.knowing(unknown[:MOST_UNKNOWN])
        entries: dict[tuple[Hashable, ...], Entry] = {}  # without what stands there twice
        for one in held:
            for part, label in self._labelled(one, wide):
                if all(part):
                    key = (*map(id, part), label)
                    entries.setdefault(key, Entry(part, one.number, label))
        listed = tuple(entries.values())
        return wide, RuleList(wide.fields, listed, Nothing(), wide.universe)

    def _held(self, where: Slice) -> Iterator[Held]:
        addresses = self._families.setdefault(
            where.family, _Remembered(partial(intersect, where.addresses))
        )
        for number, leaf in enumerate(self.loaded):
            if where.way.device not in leaf.entrances or not self._within(leaf):
                continue
            box = where.box(
                hardware=leaf.hardware,
                source=addresses.of(leaf.source),
                destination=addresses.of(leaf.destination),
                service=leaf.service,
                exit=self._exit_set(leaf.exits),
                port=leaf.port if self.space.ports else full(1),
            )
            if box is None:
                continue
            box, unknown = self._narrowed(leaf, self._led(leaf, box), where)
            if all(box) and (not unknown or any(_meets(box, one) for one in where.universe)):
                lacking = self._limits.lacking(number, leaf, where.way.device)
                yield Held(number, leaf, box, tuple(unknown), lacking)

    def _exit_set(self, names: frozenset[str]) -> Ranges:
        if names not in self._exits:
            self._exits[names] = self.space.exit_set(names)
        return self._exits[names]

    def _narrowed(
        self, leaf: Loaded, box: RawBox, where: Slice
    ) -> tuple[RawBox, list[tuple[str, bool]]]:
        """The box narrowed by the living sets, and the conditions that have no meaning."""
        unknown = [(words, true) for kind, words, true in leaf.given if kind != "limit"]
        for name, key, member in leaf.held:
            meaning = self.meanings.of(name, key, where)
            if isinstance(meaning, str):
                unknown.append((meaning, member))
                continue
            self.used.sets[name] = meaning.told
            rest = subtract(box[meaning.field], meaning.found)
            box = with_field(box, meaning.field, meaning.found if member else rest)
        return box, unknown

    def _led(self, leaf: Loaded, box: RawBox) -> RawBox:
        """A leaf that delivers elsewhere: its exit follows from there, and the exit of what was
        sent says nothing. Where several ways lead there, the leaf's own are kept."""
        address = leaf.delivered[0] if leaf.delivered is not None else None
        if address is None:
            return box
        whole = full(len(self.space.exits))
        possible = self.space.exit_set(ways_to(self.space.plan, address))
        mine = box[EXIT]
        if not subset(possible, mine):
            whole = () if disjoint(possible, mine) else union(mine, subtract(whole, possible))
        return (*box[:EXIT], whole, *box[EXIT + 1 :])

    def _within(self, leaf: Loaded) -> bool:
        """Whether a leaf can decide while no limit is exceeded."""
        limits = {words: true for kind, words, true in leaf.given if kind == "limit"}
        self.used.limits.update(dict.fromkeys(limits))
        return all(true != words.startswith(OVER) for words, true in limits.items())

    def _labelled(self, one: Held, wide: Slice) -> Iterator[tuple[RawBox, Fate | Unsure]]:
        """A leaf's box in the wide slice with its fate, parted where the fate shows differently."""
        if one.lacking:
            yield (*one.box, *((full(2),) * len(wide.unknown))), Unsure(one.lacking)
            return
        if not wide.unknown:
            yield from self._fates(one.leaf, one.box)
            return
        places = {words: place for place, words in enumerate(wide.unknown, len(FIELDS))}
        box = (*one.box, *((full(2),) * len(wide.unknown)))
        beyond = [words for words, _ in one.unknown if words not in places]
        for words, true in one.unknown:
            if words in places:
                box = with_field(box, places[words], ((int(true), int(true)),))
        if beyond:
            yield box, Unsure("; ".join(beyond))
        else:
            yield from self._fates(one.leaf, box)

    def _fates(self, leaf: Loaded, box: RawBox) -> Iterator[tuple[RawBox, Fate]]:
        if not leaf.let:
            said = leaf.manner or "silent"
            for service, manner in self._by_manner(said).of(box[SERVICE]):
                yield _served(box, service), Fate(False, manner, leaf.counters)
            return
        address, port = leaf.delivered or (None, None)
        shown = self._shown(leaf)
        for service, moved in self._by_port(port).of(box[SERVICE]):
            delivered = None if address is None and moved is None else (address, moved)
            fate = Fate(True, None, leaf.counters, delivered, leaf.hidden, shown)
            yield _served(box, service), fate

    def _by_manner(self, said: Manner) -> _Remembered[list[tuple[Ranges, Manner]]]:
        if said not in self._manners:
            self._manners[said] = _Remembered(lambda service: list(by_manner(said, service)))
        return self._manners[said]

    def _by_port(self, port: int | None) -> _Remembered[list[tuple[Ranges, int | None]]]:
        if port not in self._ports:
            self._ports[port] = _Remembered(lambda service: list(by_port(port, service)))
        return self._ports[port]

    def _shown(self, leaf: Loaded) -> int | None:
        """The address that a leaf says is shown; None where that is the one of the device by which
        it leaves, which is what hiding means."""
        address = leaf.delivered[0] if leaf.delivered is not None else None
        names = leaf.exits if address is None else leaf.exits & {*ways_to(self.space.plan, address)}
        if leaf.shown is None or not names:
            return leaf.shown
        mine = all(has(self._own.get(name, ()), leaf.shown) for name in names)
        return None if mine else leaf.shown


def _served(box: RawBox, service: Ranges) -> RawBox:
    """A part of a box, by its services."""
    return (*box[:SERVICE], service, *box[SERVICE + 1 :])


def _meets(box: RawBox, other: RawBox) -> bool:
    return not any(a != b and disjoint(a, b) for a, b in zip(box, other, strict=True))
