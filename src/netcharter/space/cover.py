"""Is a box covered by a union of boxes? Exact, with the covering boxes or a gap as the answer.

Boxes are lists of masks over atoms, one per field (`netcharter.space.atoms`); the covering boxes
are known by their bit. Two methods, the second when the first has spent its share of the budget:

* **Box cover.** Subtract the box that takes the largest share, recurse into what is left, field by
  field. Three observations keep the tree small. A field in which every covering box is narrower
  than the target, and in which together they miss an atom, gives a gap at once. Covering boxes that
  fall into groups with no constrained field in common are independent: the target is covered
  exactly if one group alone covers it. And if the proof for one remainder used only boxes that do
  not care about the field that was cut, it holds for the uncut box too.
* **Diagram.** Fix the fields one after the other, telling atoms apart only as far as the covering
  boxes still alive do, and remember what was proven for each set of boxes alive.

Hostile families, published here because a method that only meets friendly lists proves little
(`tests/space/space_lists.py` generates them):

* *Slabs and slices*: ten fat slabs in each of four fields, a thousand thin slices closing the
  fifth. Hopeless for intervals (each slab leaves two pieces, so remainders multiply), easy for
  sets, since the complement of a set is one piece.
* *Ring of slabs*: in a ring of five fields each of ten slabs is a product over two neighbouring
  fields, {field f = i} x {field f+1 in three values from 3i on}, so that no complement is one piece
  and no field independent of its neighbours; a thousand thin slices of a sixth field, each cut in
  two along the ring's first field, close it. Without the third observation remainders multiply
  around the ring.
* *Pigeons*: eight fields, seven values each, one box for every two fields having the same value.
  Covered, since eight pigeons do not fit seven holes; tree-like proofs grow with the factorial.
* *Combed pigeons*: seven fields of six values, and each box cut in two combs of thin slices of an
  eighth field, combs of five kinds. Hard for sets of any shape: the tree has tens of thousands of
  nodes, the diagram needs more than a million steps.

None of them is ever undecided within the engine's default budget.
"""

from __future__ import annotations

from collections.abc import Sequence

from netcharter.space.bits import bits, lowest

Masks = list[int]
Answer = int | Masks
"""An int: covered, by the boxes with these bits. A list of masks: a box that nothing covers."""


class OverBudget(Exception):
    """The work allowed for one question is spent."""


def cover(
    box: Sequence[int],
    blockers: Sequence[int],
    masks: Sequence[Sequence[int]],
    holders: Sequence[Sequence[int]],
    budget: int,
) -> Answer:
    """Whether `box` lies within the union of the boxes with the bits `blockers`.

    `masks[f][bit]` is the set of box `bit` in field f, `holders[f][atom]` the mask of boxes that
    hold an atom. `box` must not be empty. Raises OverBudget after `budget` steps of work.
    """
    every = (1 << len(box)) - 1
    try:
        search = _BoxCover(masks, max(1, budget // 50))
        return search.solve(list(box), [(bit, every) for bit in blockers])
    except OverBudget:
        return _Diagram(list(box), blockers, masks, holders, budget).solve()


_POSITIONS: dict[int, tuple[int, ...]] = {}


def _fields(mask: int) -> tuple[int, ...]:
    known = _POSITIONS.get(mask)
    if known is None:
        known = _POSITIONS[mask] = tuple(bits(mask))
    return known


class _BoxCover:
    def __init__(self, masks: Sequence[Sequence[int]], budget: int) -> None:
        self.masks = masks
        self.left = budget

    def solve(self, box: Masks, candidates: list[tuple[int, int]]) -> Answer:
        """`candidates`: (bit, fields in which the box may be narrower than the target)."""
        self.left -= 1
        if self.left < 0:
            raise OverBudget
        live: list[tuple[int, int]] = []
        common, pivot, best = -1, (0, 0), -1.0
        masks = self.masks
        for bit, todo in candidates:
            share, narrow = 1.0, 0
            for f in _fields(todo):
                target = box[f]
                part = masks[f][bit] & target
                if part == target:
                    continue
                if not part:
                    break
                narrow |= 1 << f
                share *= part.bit_count() / target.bit_count()
            else:
                if not narrow:
                    return 1 << bit
                live.append((bit, narrow))
                common &= narrow
                if share > best:
                    best, pivot = share, (bit, narrow)
        if not live:
            return box
        if common:
            answer = self._missed_atom(box, live, common)
            if answer is not None:
                return answer
        groups = _independent(live)
        if len(groups) > 1:
            return self._any_group(box, groups)
        return self._subtract(box, live, pivot)

    def _missed_atom(self, box: Masks, live: list[tuple[int, int]], common: int) -> Answer | None:
        for f in _fields(common):
            column = self.masks[f]
            missed = box[f]
            for bit, _ in live:
                missed &= ~column[bit]
            if missed:
                return [*box[:f], missed, *box[f + 1 :]]
        if common.bit_count() == 1 and all(narrow == common for _, narrow in live):
            return self._one_field(box, live, _fields(common)[0])
        return None

    def _one_field(self, box: Masks, live: list[tuple[int, int]], f: int) -> int:
        column, rest, used = self.masks[f], box[f], 0
        for bit, _ in sorted(live, key=lambda one: -(column[one[0]] & rest).bit_count()):
            if rest & column[bit]:
                used |= 1 << bit
                rest &= ~column[bit]
        return used

    def _any_group(self, box: Masks, groups: list[tuple[int, list[tuple[int, int]]]]) -> Answer:
        gap = list(box)
        for fields, members in sorted(groups, key=lambda group: len(group[1])):
            answer = self.solve(list(box), members)
            if isinstance(answer, int):
                return answer
            for f in _fields(fields):
                gap[f] = answer[f]
        return gap

    def _subtract(self, box: Masks, live: list[tuple[int, int]], pivot: tuple[int, int]) -> Answer:
        bit, narrow = pivot
        others = [one for one in live if one[0] != bit]
        rest, used = list(box), 0
        order = sorted(
            _fields(narrow), key=lambda f: (box[f] & ~self.masks[f][bit]).bit_count(), reverse=True
        )
        for f in order:
            column = self.masks[f]
            piece = list(rest)
            piece[f] = box[f] & ~column[bit]
            answer = self.solve(piece, others)
            if not isinstance(answer, int):
                return answer
            used |= answer
            if all(box[f] & ~column[other] == 0 for other in bits(answer)):
                return used  # this proof holds without the cut, so the pivot is not needed
            rest[f] = box[f] & column[bit]
        return used | 1 << bit


def _independent(live: list[tuple[int, int]]) -> list[tuple[int, list[tuple[int, int]]]]:
    """Groups of boxes that share no constrained field: (fields, members)."""
    fields: list[int] = []
    for narrow in {narrow for _, narrow in live}:
        merged, apart = narrow, []
        for other in fields:
            if other & merged:
                merged |= other
            else:
                apart.append(other)
        fields = [*apart, merged]
    if len(fields) == 1:
        return [(fields[0], live)]
    return [(group, [one for one in live if one[1] & group]) for group in fields]


class _Diagram:
    """Fields one after the other; a node is (field, boxes still alive), solved once."""

    def __init__(
        self,
        box: Masks,
        blockers: Sequence[int],
        masks: Sequence[Sequence[int]],
        holders: Sequence[Sequence[int]],
        budget: int,
    ) -> None:
        self.box = box
        self.left = budget
        self.alive = 0
        for bit in blockers:
            if all(masks[f][bit] & target for f, target in enumerate(box)):
                self.alive |= 1 << bit
        classes = [self._classes(target, holders[f]) for f, target in enumerate(box)]
        self.order = sorted(range(len(box)), key=lambda f: len(classes[f]))
        self.classes = [classes[f] for f in self.order]
        self.sure = [self.alive] * (len(box) + 1)  # boxes that hold all of the fields from here on
        for level in range(len(box) - 1, -1, -1):
            self.sure[level] = self.sure[level + 1]
            for signature in self.classes[level]:
                self.sure[level] &= signature
        self.known: dict[tuple[int, int], int] = {}

    def _classes(self, target: int, holders: Sequence[int]) -> dict[int, int]:
        found: dict[int, int] = {}
        for atom in bits(target):
            signature = holders[atom] & self.alive
            found[signature] = found.get(signature, 0) | 1 << atom
        return found

    def solve(self) -> Answer:
        gap = list(self.box)
        used = self._covered(0, self.alive, gap)
        return gap if used is None else used

    def _covered(self, level: int, alive: int, gap: Masks) -> int | None:
        """The boxes used, or None with the gap written into `gap`."""
        sure = alive & self.sure[level]
        if sure:
            return 1 << lowest(sure)
        if not alive:
            return None
        known = self.known.get((level, alive))
        if known is not None:
            return known
        f, used = self.order[level], 0
        children: dict[int, int] = {}
        for signature, atoms in self.classes[level].items():
            children[signature & alive] = children.get(signature & alive, 0) | atoms
        self.left -= len(self.classes[level])
        if self.left < 0:
            raise OverBudget
        for child in sorted(children, key=int.bit_count):
            answer = self._covered(level + 1, child, gap)
            if answer is None:
                gap[f] = children[child]
                return None
            used |= answer
        self.known[level, alive] = used
        return used
