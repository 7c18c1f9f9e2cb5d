"""Label diagrams: what each point of a region gets from one or two rule lists, all points at once.

A diagram fixes the fields one after the other and tells atoms apart only as far as the boxes still
alive do. Boxes of all kinds share one numbering: those a point must be in (universe, query), and the
entries of the lists, where an entry that two compared lists have in common is one box. Equal parts
of a diagram are one node, so counts and projections are exact and cost one visit a node.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

from netcharter.space.bits import bits, lowest
from netcharter.space.cover import OverBudget
from netcharter.space.index import FieldIndex
from netcharter.space.model import Field, Point, RawBox
from netcharter.space.ranges import Ranges, full

Weight = Literal["size", "one", "exists"]
Path = tuple[tuple[int, ...], Hashable]
NOTHING = 0
T = TypeVar("T")
BUDGET = 50_000_000
"""Steps of work allowed for one diagram; about a minute."""


@dataclass(frozen=True, slots=True)
class Parts:
    """The boxes of a diagram. `boxes` in one numbering; `required` are the bits of boxes of which a
    point must be in at least one, group by group; `lists` the bits of each rule list, in order.
    Unless None, `differing` are bits without which no point can be of interest.
    """

    boxes: Sequence[RawBox]
    required: Sequence[int]
    lists: Sequence[int]
    differing: int | None = None


class Diagram:
    """`label` turns the first match of each list (a bit, or None for the default) into a label;
    points labelled None, and points outside what is required, are left out.

    `order` arranges the fields, `named` adds sets that atoms must respect, per field.
    Raises OverBudget when the work exceeds `budget`.
    """

    def __init__(
        self,
        fields: Sequence[Field],
        parts: Parts,
        label: Callable[[tuple[int | None, ...]], Hashable],
        *,
        order: Sequence[int],
        named: Sequence[Sequence[Ranges]] = (),
        budget: int = BUDGET,
    ) -> None:
        self.fields, self.parts, self.order = fields, parts, tuple(order)
        self._label, self._left = label, budget
        self.index = [
            FieldIndex(fields[f].size, [box[f] for box in parts.boxes], named[f] if named else ())
            for f in self.order
        ]
        self._levels(len(parts.boxes))
        self.nodes: list[tuple[int, tuple[tuple[int, int], ...]]] = [(len(self.order), ())]
        self.labels: dict[int, Hashable] = {NOTHING: None}
        self._leaves: dict[Hashable, int] = {None: NOTHING}
        self._unique: dict[tuple[int, tuple[tuple[int, int], ...]], int] = {}
        self._built: dict[tuple[int, int], int] = {}
        self._classes: dict[tuple[int, int], dict[int, int]] = {}
        self._labels_below: dict[int, frozenset[Hashable]] = {NOTHING: frozenset()}
        self._weights: list[dict[int, int]] = [{} for _ in self.order]
        self._raw: list[dict[int, Ranges]] = [{} for _ in self.order]
        self.root = self._build(0, self._every)

    def _levels(self, count: int) -> None:
        self._every = (1 << count) - 1
        possible = self._every
        self._wide: list[int] = []  # per level, boxes that take the whole field
        for index in self.index:
            whole = index.atoms.full
            wide = 0
            for values, held in index.ids.items():
                if index.masks[held] == whole:
                    wide |= index.inside[held]
                if not values:
                    for bit in bits(self._every):
                        if index.of_box[bit] == held:
                            possible &= ~(1 << bit)
            self._wide.append(wide)
        self._every = possible
        self._sure = [possible]  # per level, boxes that take everything from there on
        for wide in reversed(self._wide):
            self._sure.append(self._sure[-1] & wide)
        self._sure.reverse()

    # ---- building ----

    def _build(self, level: int, alive: int) -> int:
        trimmed = self._trimmed(level, alive)
        differing = self.parts.differing
        if trimmed is None or (differing is not None and not trimmed & differing):
            return NOTHING
        known = self._built.get((level, trimmed))
        if known is not None:
            return known
        node = self._leaf(level, trimmed)
        if node is None:
            branches: dict[int, int] = {}
            for lives, atoms in self._split(level, trimmed):
                child = self._build(level + 1, lives)
                branches[child] = branches.get(child, 0) | atoms
            node = self._intern(level, branches)
        self._built[level, trimmed] = node
        return node

    def _trimmed(self, level: int, alive: int) -> int | None:
        """Without boxes that can no longer matter; None if no point here is asked about."""
        sure = alive & self._sure[level]
        for group in self.parts.required:
            certain = sure & group
            if certain:
                alive = (alive & ~group) | (certain & -certain)
            elif not alive & group:
                return None
        reach = []
        for listed in self.parts.lists:
            certain = sure & listed
            reach.append((certain & -certain) * 2 - 1 if certain else -1)
        needed = alive if not reach else 0
        for listed, upto in zip(self.parts.lists, reach, strict=True):
            needed |= alive & listed & upto
        for group in self.parts.required:
            needed |= alive & group
        return needed

    def _leaf(self, level: int, alive: int) -> int | None:
        """The leaf, once every answer is certain."""
        sure = alive & self._sure[level]
        if any(not sure & group for group in self.parts.required):
            return None
        firsts: list[int | None] = []
        for listed in self.parts.lists:
            mine = alive & listed
            if mine and not mine & -mine & sure:
                return None
            firsts.append(lowest(mine) if mine else None)
        label = self._label(tuple(firsts))
        if label not in self._leaves:
            self._leaves[label] = len(self.nodes)
            self.labels[len(self.nodes)] = label
            self.nodes.append((len(self.order), ()))
        return self._leaves[label]

    def _split(self, level: int, alive: int) -> Iterator[tuple[int, int]]:
        """The boxes left alive, and the atoms that leave just these."""
        wide = alive & self._wide[level]
        narrow = alive & ~wide
        classes = self._classes.get((level, narrow))
        if classes is None:
            classes = self._classes[level, narrow] = self._partition(level, narrow)
        self._left -= len(classes) + 1
        if self._left < 0:
            raise OverBudget
        for signature, atoms in classes.items():
            yield wide | signature, atoms

    def _partition(self, level: int, narrow: int) -> dict[int, int]:
        index = self.index[level]
        found: dict[int, int] = {}
        if narrow.bit_count() ** 2 > 4 * len(index.atoms):
            self._left -= len(index.atoms)
            for atom, held in enumerate(index.holders):
                signature = held & narrow
                found[signature] = found.get(signature, 0) | 1 << atom
            return found
        sets: dict[int, int] = {}
        for bit in bits(narrow):
            mask = index.box_masks[bit]
            sets[mask] = sets.get(mask, 0) | 1 << bit
        found = {0: index.atoms.full}
        for mask, owners in sets.items():
            self._left -= len(found)
            finer: dict[int, int] = {}
            for signature, atoms in found.items():
                if atoms & mask:
                    finer[signature | owners] = atoms & mask
                if atoms & ~mask:
                    finer[signature] = atoms & ~mask
            found = finer
        return found

    def _intern(self, level: int, branches: dict[int, int]) -> int:
        if len(branches) == 1:
            return next(iter(branches))
        key = (level, tuple(sorted((atoms, child) for child, atoms in branches.items())))
        node = self._unique.get(key)
        if node is None:
            node = self._unique[key] = len(self.nodes)
            self.nodes.append(key)
        return node

    # ---- reading ----

    def below(self, node: int) -> frozenset[Hashable]:
        """All labels that occur in a node."""
        known = self._labels_below.get(node)
        if known is None:
            if node in self.labels:
                known = frozenset([self.labels[node]])
            else:
                known = frozenset().union(*(self.below(child) for _, child in self.nodes[node][1]))
            self._labels_below[node] = known
        return known

    def counts(
        self, weights: Sequence[Weight], group: Callable[[Hashable], Hashable]
    ) -> dict[Hashable, int]:
        """Points per group of labels. `weights` per field: "size" counts values, "one" counts each
        atom once, "exists" asks whether there is any value; those must come last in the order."""
        arranged = [weights[f] for f in self.order]
        last = next((at for at, one in enumerate(arranged) if one == "exists"), len(arranged))
        if any(one != "exists" for one in arranged[last:]):
            raise ValueError("fields counted as exists must come last")
        known: dict[int, dict[Hashable, int]] = {}

        def count(node: int) -> dict[Hashable, int]:
            if self.nodes[node][0] >= last:
                return {group(label): 1 for label in self.below(node)}
            found = known.get(node)
            if found is None:
                level, branches = self.nodes[node]
                found = known[node] = {}
                for atoms, child in branches:
                    factor = self._weigh(level, atoms, arranged[level])
                    factor *= skipped(level + 1, child)
                    for key, number in count(child).items():
                        found[key] = found.get(key, 0) + factor * number
            return found

        def skipped(level: int, node: int) -> int:
            product = 1
            for at in range(level, min(last, self.nodes[node][0])):
                product *= self._weigh(at, self.index[at].atoms.full, arranged[at])
            return product

        factor = skipped(0, self.root)
        return {key: factor * number for key, number in count(self.root).items()}

    def _weigh(self, level: int, atoms: int, weight: Weight) -> int:
        if weight == "one":
            return atoms.bit_count()
        known = self._weights[level].get(atoms)
        if known is None:
            known = self._weights[level][atoms] = self.index[level].atoms.weigh(atoms)
        return known

    def smallest(self, wanted: Callable[[Hashable], bool]) -> tuple[Point, Hashable]:
        """The first point, field by field, with a wanted label, and the label. There must be one."""
        values = [0] * len(self.order)
        node = self.root
        while node not in self.labels:
            level, branches = self.nodes[node]
            atoms = self.index[level].atoms
            good = [
                (atoms.smallest(mask), child)
                for mask, child in branches
                if any(wanted(label) for label in self.below(child))
            ]
            values[level], node = min(good)
        return self._in_field_order(values), self.labels[node]

    def paths(self, wanted: Callable[[Hashable], bool]) -> Iterator[Path]:
        """All points with wanted labels, as disjoint boxes of masks in the diagram's order."""
        whole = tuple(index.atoms.full for index in self.index)
        good: dict[int, bool] = {}

        def walk(node: int, masks: tuple[int, ...]) -> Iterator[Path]:
            if node not in good:
                good[node] = any(wanted(label) for label in self.below(node))
            if not good[node]:
                return
            if node in self.labels:
                yield masks, self.labels[node]
                return
            level, branches = self.nodes[node]
            for atoms, child in branches:
                yield from walk(child, (*masks[:level], atoms, *masks[level + 1 :]))

        yield from walk(self.root, whole)

    def raw(self, masks: Sequence[int]) -> RawBox:
        """A box of masks as raw ranges, in the order of the fields."""
        out: list[Ranges] = []
        for level, mask in enumerate(masks):
            known = self._raw[level].get(mask)
            if known is None:
                atoms = self.index[level].atoms
                known = full(atoms.size) if mask == atoms.full else atoms.ranges(mask)
                self._raw[level][mask] = known
            out.append(known)
        return self._in_field_order(out)

    def _in_field_order(self, values: Sequence[T]) -> tuple[T, ...]:
        place = {f: level for level, f in enumerate(self.order)}
        return tuple(values[place[f]] for f in range(len(self.order)))


def merged(paths: Sequence[Path]) -> list[Path]:
    """The same disjoint boxes with those joined that agree in their label and all fields but one."""
    current = list(paths)
    width = len(current[0][0]) if current else 0
    count = -1
    while len(current) != count:
        count = len(current)
        for level in range(width - 1, -1, -1):
            joined: dict[tuple[Hashable, tuple[int, ...], tuple[int, ...]], int] = {}
            for masks, label in current:
                key = (label, masks[:level], masks[level + 1 :])
                joined[key] = joined.get(key, 0) | masks[level]
            current = [
                ((*before, mask, *after), label) for (label, before, after), mask in joined.items()
            ]
    return current
