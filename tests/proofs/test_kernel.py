"""Whether kernel and plan agree as sets, on lists that are written by hand and then spoilt.

Both the list and the one who judges it (`loaded_asked`) share nothing with the proof.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan import coding, make_plan
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel import agreement
from netcharter.proofs.kernel_space import Space
from netcharter.proofs.kernel_told import Disagreement
from netcharter.proofs.loaded import Loaded
from netcharter.proofs.universe import Universe
from netcharter.space.checker import check_disjoint, measure
from netcharter.space.ranges import Ranges, intersect, ranges
from tests.oracle.compared import pair
from tests.proofs.loaded_asked import (
    NOW,
    Case,
    asked,
    corners,
    decider,
    kept,
    limiting,
    met,
    planned,
    same,
)
from tests.proofs.loaded_lists import Written
from tests.render.plans import small_plan

LONG = os.environ.get("NETCHARTER_LONG") == "1"
CHARTERS, SPOILT, CASES = 40 if LONG else 3, 10, 300
MOST_SPOILT = 30 * SPOILT
DOUBTS = ("a limit that is not the plan's", "a limit per source that the plan does not know")


@pytest.fixture(scope="module")
def demo(repository: Path) -> Plan:
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


def case(found: Disagreement) -> Case:
    assert found.attempt is not None
    return Case(found.attempt, found.environment, found.device, found.exit, found.hardware)


def assert_shown(plan: Plan, loaded: Sequence[Loaded], found: Disagreement) -> None:
    """A disagreement is one, by the plainest reading of both sides."""
    told = case(found)
    if any(doubt in found.kernel.outcome for doubt in DOUBTS):
        assert limited_otherwise(plan, loaded, told), found.sentence
        return
    kernel, wanted = asked(plan, loaded, told), planned(plan, told)
    assert not same(plan, loaded, told), found.sentence
    for side, (let, manner, _, hidden, counters) in ((found.kernel, kernel), (found.plan, wanted)):
        if side.fate is not None:
            assert (side.fate.let, side.fate.hidden, side.fate.counters) == (let, hidden, counters)
            assert side.fate.manner in (manner, "answered"), found.sentence


def limited_otherwise(plan: Plan, loaded: Sequence[Loaded], told: Case) -> bool:
    """Whether what lets a case, or a limit per source before it, is not as it was written. A proof
    doubts all that a decision lets, so this case itself may well be limited as it should be."""
    if met(plan, loaded, told) != kept(plan, told):
        return True
    place, written = decider(plan, loaded, told), Written(plan).all()
    leaf = loaded[place]
    there = [bounds(one) for one in written]
    if bounds(leaf) not in there:
        return leaf.let
    before = loaded[:place], written[: there.index(bounds(leaf))]
    found, wanted = ([x for x in part if limiting(x, leaf.counters[-1:])] for part in before)
    return leaf.let and found != wanted


def bounds(leaf: Loaded) -> tuple[object, ...]:
    """What a leaf is about, and who counts it; not what becomes of it."""
    fields = leaf.hardware, leaf.source, leaf.destination, leaf.service, leaf.port
    return leaf.entrances, leaf.exits, *fields, leaf.held, leaf.given, leaf.counters


# --- what agrees ---------------------------------------------------------------------------------


def test_a_list_that_says_what_the_plan_says_agrees(demo: Plan) -> None:
    found = agreement(demo, NOW, Written(demo).all())
    assert (found.same, found.differences) == (True, ())
    assert all(claim.holds for claim in found.claims)
    names = [claim.name for claim in found.claims]
    assert names == [
        *("decided", "unknown", "conversation", "own-errors", "untracked", "deaf"),
        *("sources", "this-network", "link-local", "line-anycast", "no-line", "elsewhere"),
    ]


@pytest.mark.parametrize("number", range(CHARTERS))
def test_so_does_one_for_a_random_charter_however_it_is_cut(number: int) -> None:
    plan = pair(number).plan
    whole = Written(plan).all()
    assert agreement(plan, NOW, whole).same
    cut = [replace(leaf, destination=(one,)) for leaf in whole for one in leaf.destination]
    assert len(cut) > len(whole)
    assert agreement(plan, NOW, cut).same


def test_what_is_assumed_is_told(demo: Plan) -> None:
    listed = Written(demo).all()
    limited = [
        replace(listed[0], given=(("limit", "over 200/second in nc_refuse", True),), let=True),
        *listed,
    ]
    found = agreement(demo, NOW, limited)
    assert found.same
    assert "this limit is not exceeded: over 200/second in nc_refuse" in found.assumed
    sets = [said for said in found.assumed if said.startswith("the set ")]
    assert any("nc_open_evening holds every device while 'evening' is in force" in s for s in sets)
    assert any("nc_signed6 holds where anybody is signed in" in said for said in sets)


def test_the_json_shape_is_plain_and_counts_are_exact(demo: Plan) -> None:
    found = agreement(demo, NOW, Written(demo).all()[1:])
    said = json.loads(json.dumps(found.as_json()))
    assert said["same"] is False
    assert {"claim", "sentence", "exit", "depends", "plan", "kernel"} == set(said["differences"][0])
    assert all(claim["attempts"] is None or int(claim["attempts"]) > 0 for claim in said["claims"])


def test_every_attempt_belongs_to_one_claim() -> None:
    plan = small_plan()
    listed = Written(plan).all()
    slices = Space(Universe((plan,), NOW), listed).slices
    assert all(check_disjoint(where.universe) for where in slices)
    every = sum(measure(where.universe) for where in slices)
    claims = agreement(plan, NOW, listed).claims
    assert sum(claim.attempts or 0 for claim in claims) == every
    assert [claim.name for claim in claims if claim.attempts is None] == ["no-line"]


# --- what does not -------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(CHARTERS))
def test_a_spoilt_list_is_found_out_and_shown(number: int) -> None:
    plan = pair(number).plan
    listed = Written(plan).all()
    rng = Random(f"{pair(number).seed} spoilt")
    different = 0
    for tried in range(MOST_SPOILT):  # many a fault changes nothing, since others say the same
        if tried >= SPOILT and different > SPOILT // 4:
            break
        place = rng.randrange(len(listed))
        other = [*listed]
        other[place : place + 1] = spoilt(listed, place, rng)
        found = agreement(plan, NOW, other)
        different += not found.same
        for one in found.differences:
            if one.attempt is not None:
                assert_shown(plan, other, one)
        if found.same:
            for leaf in (listed[place], *other[place : place + 1]):
                for told in corners(plan, leaf, rng, CASES):
                    assert same(plan, other, told), told
    assert different > SPOILT // 4


def spoilt(listed: Sequence[Loaded], place: int, rng: Random) -> list[Loaded]:
    """A leaf with one thing wrong."""
    leaf = listed[place]
    return rng.choice(FAULTS)(leaf, listed, rng)


def _gone(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    return []


def _turned(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    if leaf.let:
        return [replace(leaf, let=False, manner="silent", delivered=None, hidden=False)]
    return [replace(leaf, let=True, manner=None)]


def _manner(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    manners: tuple[Any, ...] = ("reset", "prohibited", "silent", "unreachable")
    return [leaf if leaf.let else replace(leaf, manner=rng.choice(manners))]


def _counted(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    return [replace(leaf, counters=rng.choice(listed).counters)]


SIZES = {
    "hardware": coding.HARDWARE_SIZE,
    "source": coding.ADDRESS_SIZE,
    "destination": coding.ADDRESS_SIZE,
    "service": coding.SERVICE_SIZE,
}


def _edge(field: str) -> Callable[[Loaded, Sequence[Loaded], Random], list[Loaded]]:
    """One end of one interval of a field is off by one."""

    def change(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
        found: Ranges = getattr(leaf, field)
        at = rng.randrange(len(found))
        low, high = found[at]
        low, high = rng.choice(((low + 1, high), (low, high - 1), (low, high + 1), (low - 1, high)))
        rest = (*found[:at], *found[at + 1 :])
        changed = ranges(*rest, *([(low, high)] if 0 <= low <= high else []))
        said: dict[str, Any] = {field: intersect(changed, ((0, SIZES[field] - 1),))}
        return [replace(leaf, **said)] if changed else []

    return change


def _unasked(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    return [replace(leaf, held=leaf.held[1:])]


def _contrary(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    return [replace(leaf, held=tuple((name, key, not true) for name, key, true in leaf.held))]


def _shown(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    return [replace(leaf, hidden=not leaf.hidden)]


def _elsewhere(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    if leaf.delivered is None:
        return [leaf]
    address, port = leaf.delivered
    assert address is not None
    return [replace(leaf, delivered=(address + 1, port)), leaf]


def _later(leaf: Loaded, listed: Sequence[Loaded], rng: Random) -> list[Loaded]:
    return [rng.choice(listed), leaf]


FAULTS = (
    *(_gone, _turned, _manner, _counted, _unasked, _contrary, _shown, _elsewhere, _later),
    *(_edge(field) for field in ("source", "destination", "service", "hardware")),
)


def test_older_kernels_may_drop_what_they_do_not_route(demo: Plan) -> None:
    """Linux before 5.3 routed nothing from or to 0.0.0.0/8; RFC 791 section 3.2."""
    blank, first = Written(demo).blank, ((1, 0x00FFFFFF),)
    outside = replace(blank, entrances=frozenset({*blank.entrances, "*"}))
    to, by = replace(outside, destination=first), replace(outside, source=first)
    listed = Written(demo).all()
    assert agreement(demo, NOW, [to, by, *listed]).same
    counted = replace(to, counters=("nc_row_default",))
    found = agreement(demo, NOW, [counted, *listed])
    assert not found.same
    assert {one.claim for one in found.differences} <= {"this-network", "sources"}


# --- what cannot be judged -----------------------------------------------------------------------


def spoil_first(plan: Plan, label: str, **said: Any) -> list[Loaded]:
    """The list with every leaf of a decision changed."""
    return [replace(leaf, **said) if leaf.where == label else leaf for leaf in Written(plan).all()]


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"held": (("nc_open_supper", "iifname", True),)}, "nobody says what the set"),
        ({"held": (("nc_signed4", "ip saddr", True),)}, "is asked by ip saddr"),
        ({"held": (("nc_who4_rowan", "iifname . ip saddr", True),)}, "nobody says what the set"),
        ({"held": (("nc_line4_mast", "ip saddr", True),)}, "is asked by ip saddr"),
        ({"given": (("unread", "meta cpu 3", True),)}, "meta cpu 3"),
        ({"given": (("unread", "meta cpu 3", False),)}, "meta cpu 3"),
        ({"given": (("quota", "over 5 mbytes", True),)}, "over 5 mbytes"),
    ],
)
def test_what_nobody_knows_is_no_agreement(demo: Plan, said: dict[str, Any], why: str) -> None:
    found = agreement(demo, NOW, spoil_first(demo, "rule 1", **said))
    assert not found.same
    assert all(why in " ".join(one.depends) for one in found.differences)
    assert all("depends on what nobody knows" in one.sentence for one in found.differences)


def test_a_set_of_devices_is_not_asked_where_no_device_is_known() -> None:
    """What the gateway itself sends came in by no device: `iifname` finds nothing there."""
    plan = small_plan()
    leaf = replace(
        Written(plan).blank,
        entrances=frozenset({""}),
        held=(("nc_open_2027-03-31", "iifname", True),),
    )
    found = agreement(plan, NOW, [leaf, *Written(plan).all()])
    assert not found.same
    assert "is asked by iifname" in found.differences[0].depends[0]


def test_what_no_leaf_holds_is_no_agreement(demo: Plan) -> None:
    listed = [leaf for leaf in Written(demo).all() if leaf.where != "default"]
    found = agreement(demo, NOW, listed)
    assert not found.same
    assert {one.kernel.outcome for one in found.differences} == {"nothing decides it"}


def test_what_is_let_from_a_device_nobody_knows_is_found(demo: Plan) -> None:
    blank = Written(demo).blank
    stranger = replace(blank, entrances=frozenset({"eth7"}), let=True, manner=None)
    found = agreement(demo, NOW, [stranger, *Written(demo).all()])
    assert not found.same
    claims = {"elsewhere", "deaf", "sources", "this-network"}
    assert {one.claim for one in found.differences} == claims
    assert all("comes in by the device eth7" in one.sentence for one in found.differences)
    broken = {claim.name for claim in found.claims if not claim.holds}
    assert broken == {*claims, "no-line"}


def test_a_source_port_that_matters_is_found(demo: Plan) -> None:
    first = Written(demo).blank
    some = replace(first, port=((5000, 5001),), let=True, manner=None, source=((0, 2**32 - 1),))
    found = agreement(demo, NOW, [some, *Written(demo).all()])
    assert not found.same
    assert {one.port for one in found.differences} <= {5000, 5001}


def test_hardware_at_a_line_must_not_matter(demo: Plan) -> None:
    line = demo.lines[0].device
    some = replace(
        Written(demo).blank,
        entrances=frozenset({line}),
        hardware=((0x020000AA0001, 0x020000AA0001),),
        counters=("nc_row_barred",),
    )
    found = agreement(demo, NOW, [some, *Written(demo).all()])
    assert not found.same
    assert {one.hardware for one in found.differences} == {0x020000AA0001}
