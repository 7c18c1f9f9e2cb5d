"""Ranges, atoms and masks against Python's own sets; properties by hypothesis."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.space.atoms import Atoms, lift
from netcharter.space.bits import bits, lowest, mask_of, runs
from netcharter.space.index import FieldIndex
from netcharter.space.model import Field
from netcharter.space.outside import outside
from netcharter.space.ranges import (
    Ranges,
    complement,
    disjoint,
    full,
    has,
    intersect,
    ranges,
    size,
    subset,
    subtract,
    union,
)

SIZE = 40
VALUES = st.frozensets(st.integers(0, SIZE - 1))
PAIRS = st.tuples(st.integers(0, SIZE - 1), st.integers(0, SIZE - 1)).map(
    lambda pair: (min(pair), max(pair))
)
SETS = st.lists(PAIRS, max_size=5).map(lambda pairs: ranges(*pairs))
HUGE = st.integers(0, (1 << 130) - 1)


def values(a: Ranges) -> set[int]:
    return {v for low, high in a for v in range(low, high + 1)}


def normal(a: Ranges) -> bool:
    ordered = all(low <= high for low, high in a)
    return ordered and all(x[1] + 1 < y[0] for x, y in itertools.pairwise(a))


@given(st.lists(PAIRS, max_size=8))
def test_ranges_normalise_any_order_and_overlap(pairs: list[tuple[int, int]]) -> None:
    made = ranges(*pairs)
    assert normal(made)
    assert values(made) == {v for low, high in pairs for v in range(low, high + 1)}
    assert ranges(*made) == made


@given(SETS, SETS, SETS)
def test_set_algebra_equals_that_of_python_sets(a: Ranges, b: Ranges, c: Ranges) -> None:
    x, y = values(a), values(b)
    for made, expected in (
        (union(a, b, c), x | y | values(c)),
        (intersect(a, b), x & y),
        (subtract(a, b), x - y),
        (complement(a, SIZE), set(range(SIZE)) - x),
    ):
        assert normal(made)
        assert values(made) == expected
    assert size(a) == len(x)
    assert subset(a, b) == (x <= y)
    assert disjoint(a, b) == x.isdisjoint(y)
    assert all(has(a, v) == (v in x) for v in range(-1, SIZE + 1))


@given(HUGE, HUGE, HUGE, HUGE)
def test_huge_values_do_not_overflow(p: int, q: int, r: int, s: int) -> None:
    a, b = ranges((min(p, q), max(p, q))), ranges((min(r, s), max(r, s)))
    both = intersect(a, b)
    assert size(union(a, b)) == size(a) + size(b) - size(both)
    assert size(subtract(a, b)) == size(a) - size(both)
    assert complement(complement(a, 1 << 130), 1 << 130) == a


def test_backward_and_negative_intervals_are_refused() -> None:
    for pair in ((3, 2), (-1, 4)):
        with pytest.raises(ValueError, match="not an interval"):
            ranges(pair)
    assert full(0) == ()


@given(st.frozensets(st.integers(0, 300)))
def test_bits_and_masks_are_inverse(places: frozenset[int]) -> None:
    mask = mask_of(places)
    assert bits(mask) == sorted(places)
    assert {at for first, last in runs(mask) for at in range(first, last)} == places
    assert all(at - 1 not in places for at, _ in runs(mask))
    if places:
        assert lowest(mask) == min(places)


def check_atoms(atoms: Atoms, sets: list[Ranges]) -> None:
    """The atoms are the classes of equal membership, with the right weights and smallest values."""
    classes: dict[tuple[bool, ...], list[int]] = {}
    for value in range(SIZE):
        classes.setdefault(tuple(has(one, value) for one in sets), []).append(value)
    found = [sorted(values(atoms.ranges(1 << bit))) for bit in range(len(atoms))]
    assert sorted(found) == sorted(classes.values())
    assert list(atoms.weights) == [len(members) for members in found]
    assert list(atoms.representatives) == [members[0] for members in found]
    assert atoms.weigh(atoms.full) == SIZE


@given(st.lists(SETS, max_size=5))
def test_atoms_are_the_classes_of_equal_membership(sets: list[Ranges]) -> None:
    atoms = Atoms.of(SIZE, sets)
    check_atoms(atoms, sets)
    assert list(atoms.representatives) == sorted(atoms.representatives)
    for one in sets:
        mask = atoms.mask(one)
        assert mask is not None
        assert atoms.ranges(mask) == one
        assert atoms.weigh(mask) == size(one)
        if one:
            assert atoms.smallest(mask) == one[0][0]


@given(st.lists(SETS, max_size=4), st.lists(SETS, max_size=3), st.lists(SETS, max_size=3))
def test_refining_appends_and_lifting_keeps_the_meaning(
    first: list[Ranges], second: list[Ranges], third: list[Ranges]
) -> None:
    old = Atoms.of(SIZE, first)
    middle, splits = old.refine(second)
    new, more = middle.refine(third)
    check_atoms(middle, [*first, *second])
    check_atoms(new, [*first, *second, *third])
    assert [bit for _, bit in splits] == list(range(len(old), len(middle)))
    assert [bit for _, bit in more] == list(range(len(middle), len(new)))
    assert new.representatives[: len(old)] == old.representatives
    for one in first:
        mask = old.mask(one)
        assert mask is not None
        assert lift(mask, splits) == middle.mask(one)
        assert lift(lift(mask, splits), more) == lift(mask, [*splits, *more]) == new.mask(one)
    assert lift(old.full, splits) == middle.full


@given(st.lists(SETS, max_size=3), SETS)
def test_a_set_that_cuts_an_atom_has_no_mask(sets: list[Ranges], other: Ranges) -> None:
    atoms = Atoms.of(SIZE, sets)
    pieces = [values(atoms.ranges(1 << bit)) for bit in range(len(atoms))]
    cuts = any(piece & values(other) and not piece <= values(other) for piece in pieces)
    assert (atoms.mask(other) is None) == cuts


def test_values_beyond_the_field_are_refused() -> None:
    with pytest.raises(ValueError, match="beyond"):
        Atoms.of(SIZE, [ranges((0, SIZE))])


@given(st.lists(SETS, min_size=1, max_size=6), SETS)
def test_the_index_knows_who_overlaps_and_who_contains(sets: list[Ranges], late: Ranges) -> None:
    index = FieldIndex(SIZE, sets, [])
    for one in [*sets, late]:
        held = index.resolve(one)
        inside = mask_of(i for i, other in enumerate(sets) if subset(one, other))
        over = mask_of(i for i, other in enumerate(sets) if not disjoint(one, other))
        assert (index.inside[held], index.over[held]) == (inside, over)
        assert index.atoms.ranges(index.masks[held]) == one
    for atom, holders in enumerate(index.holders):
        value = index.atoms.representatives[atom]
        assert holders == mask_of(i for i, other in enumerate(sets) if has(other, value))


@given(st.integers(1, 400), st.data())
def test_the_index_folds_over_many_atoms(width: int, data: st.DataObject) -> None:
    """More atoms than a block, so that the folds take all their ways."""
    sets = [ranges((at, at)) for at in range(width)]
    low = data.draw(st.integers(0, width - 1))
    high = data.draw(st.integers(low, width - 1))
    index = FieldIndex(width + 1, [*sets, ranges((low, high)), full(width + 1)], [])
    held = index.ids[ranges((low, high))]
    assert index.over[held] == mask_of([*range(low, high + 1), width, width + 1])
    single = width == 1 or low == high
    assert index.inside[held] == mask_of([*([low] if single else []), width, width + 1])


@given(st.lists(st.tuples(SETS, SETS), max_size=4))
def test_what_lies_outside_is_the_complement(boxes: list[tuple[Ranges, Ranges]]) -> None:
    fields = (Field("a", SIZE), Field("b", SIZE))
    beyond = outside(fields, boxes)
    for x in range(SIZE):
        for y in range(0, SIZE, 3):
            exists = any(has(a, x) and has(b, y) for a, b in boxes)
            assert exists != any(has(a, x) and has(b, y) for a, b in beyond)
