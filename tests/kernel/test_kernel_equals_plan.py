"""What the kernel has loaded is the plan, as sets; and what is not, is found and shown.

Every ruleset goes into a real kernel, which lists what it has. The listing is read back and
compared with the plan. A witness that this finds is looked up by the concrete interpreter of
`packets.py`, which shares nothing with either; and where nothing is found although something was
planted, that interpreter has to find nothing either.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from ipaddress import IPv4Network, IPv6Network
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.lab.agreement import Unreadable, kernel_equals_plan, plan_host
from netcharter.lab.agreement import loaded as in_the_plans_terms
from netcharter.plan import coding, make_plan
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel import agreement
from netcharter.readback.listing import read_listing
from netcharter.readback.walk import decisions
from netcharter.render import render
from netcharter.space.ranges import has
from tests.kernel.equality import (
    NOW,
    Listing,
    bench,
    corpus,
    judged,
    loaded,
    remember,
    second_opinion,
)
from tests.kernel.planted import FAULTS, HARMLESS, Fault
from tests.kernel.sampling import attempts
from tests.kernel.test_agreement import differences
from tests.oracle.compared import both, pair
from tests.proofs.loaded_asked import Case, unheard
from tests.render.plans import small_charter, small_plan

LONG = os.environ.get("NETCHARTER_LONG") == "1"
CHARTERS = 300 if LONG else 60
TRIES = 30  # places at which a fault is planted until one matters
SAMPLES = 300


def kit(plan: Plan) -> str:
    return render(plan).files["nftables.nft"].decode("ascii")


def assert_same(plan: Plan, found: Listing, both_ways: bool = True) -> None:
    """Whether or not it is known which addresses automatic lines have got."""
    for known in {False, both_ways and any(line.automatic for line in plan.lines)}:
        told = judged(plan, found, known)
        assert told.same, "\n".join(one.sentence for one in told.differences)
        assert all(claim.holds for claim in told.claims)


@pytest.fixture(scope="module")
def demo(repository: Path) -> Plan:
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


# --- what agrees ---------------------------------------------------------------------------------


def test_the_kernel_holds_the_plan_of_the_demo_site(demo: Plan, tmp_path: Path) -> None:
    assert_same(demo, loaded(kit(demo), tmp_path))


def test_the_kernel_holds_the_plan_of_a_site_with_everything(tmp_path: Path) -> None:
    assert_same(small_plan(), loaded(kit(small_plan()), tmp_path))


def test_the_kernel_holds_a_plan_whose_lines_are_all_unknown(tmp_path: Path) -> None:
    charter = small_charter()
    unknown = replace(charter.lines["copper"], addresses=(), next_hops=(), automatic=True)
    plan = make_plan(replace(charter, lines={**charter.lines, "copper": unknown}))
    assert_same(plan, loaded(kit(plan), tmp_path))


def test_the_kernel_holds_a_plan_with_places_of_many_prefixes(tmp_path: Path) -> None:
    charter = small_charter()
    many = [IPv4Network((0xC0000000 + 512 * n + 3, 32)) for n in range(600)]
    many6 = [IPv6Network(f"2620:{n:x}::/48") for n in range(0, 1200, 2)]
    place = replace(charter.places["payments"], prefixes=(*many, *many6))
    plan = make_plan(replace(charter, places={"payments": place}))
    assert_same(plan, loaded(kit(plan), tmp_path))


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_kernel_holds_the_plan_of_a_random_charter(number: int, tmp_path: Path) -> None:
    drawn = pair(number)
    found = loaded(kit(drawn.plan), tmp_path)  # a world that fails says nothing of the charter
    try:
        assert_same(drawn.plan, found, LONG or number % 4 == 0)
    except Exception:
        remember(drawn.seed, drawn.text)
        raise


def test_it_does_so_for_all_charters_with_which_it_once_did_not(tmp_path: Path) -> None:
    for entry in corpus():
        found = both(entry["seed"], entry["charter"])
        assert found is not None, entry["seed"]
        assert_same(found.plan, loaded(kit(found.plan), tmp_path))


@pytest.mark.parametrize("change", HARMLESS, ids=lambda change: change.name)
def test_what_changes_the_text_only_agrees(change: Fault, tmp_path: Path) -> None:
    plan = small_plan()
    text = change.plant(kit(plan), Random(change.name))
    assert text is not None and text != kit(plan)
    assert_same(plan, loaded(text, tmp_path))


# --- what does not -------------------------------------------------------------------------------


def test_what_was_not_read_to_its_end_does_not_agree(tmp_path: Path) -> None:
    plan = small_plan()
    text = json.dumps(loaded(kit(plan), tmp_path))
    listing = read_listing(text, "nft").listing
    assert listing is not None
    found = decisions(listing, plan_host(plan), steps=2000)
    assert not found.complete and len(found.leaves) > 10
    told = agreement(plan, NOW, in_the_plans_terms(found, plan))
    assert not told.same
    assert "nothing decides it" in {one.kernel.outcome for one in told.differences}


@pytest.mark.parametrize("text", ["", "{", '{"nftables": 5}', "[]"])
def test_a_listing_that_is_none_is_told(text: str) -> None:
    with pytest.raises(Unreadable) as wrong:
        kernel_equals_plan(small_plan(), NOW, text, "found.json")
    assert wrong.value.problems
    assert all(problem.span.file == "found.json" for problem in wrong.value.problems)


def test_an_empty_ruleset_is_nothing_like_the_plan() -> None:
    told = kernel_equals_plan(small_plan(), NOW, '{"nftables": []}')
    assert not told.same
    assert any("let" in one.kernel.outcome for one in told.differences)


def planted(plan: Plan, fault: Fault, rng: Random, folder: Path) -> bool:
    """Plant a fault until it matters; whether it ever did. Each answer gets a second opinion."""
    text = kit(plan)
    for _ in range(TRIES):
        spoilt = fault.plant(text, rng)
        if spoilt is None:
            return False
        try:
            found = loaded(spoilt, folder)
        except AssertionError:
            continue  # the kernel takes no such ruleset
        told = judged(plan, found, known=True)
        if told.same:
            assert_truly_the_same(plan, found, rng)
            continue
        for one in told.differences:
            assert not second_opinion(plan, found, one), one.sentence
        return True
    return False


def assert_truly_the_same(plan: Plan, found: Listing, rng: Random) -> None:
    """On attempts at the corners of the plan's decisions, asked one at a time; but for those that
    the kernel refuses by itself, of which the interpreter does not know, and one family's ICMP in
    the other, which does not exist (model, section 2)."""
    rig = bench(plan, found)
    for attempt, environment in attempts(plan, rng, SAMPLES):
        foreign = attempt.service >> 16 == (58 if has(coding.ANY4, attempt.source) else 1)
        case = Case(attempt, environment, "", "any other", attempt.hardware)
        if foreign or unheard(plan, case):
            continue
        assert not differences(rig, attempt, environment), f"{attempt}\n{environment}"


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_planted_fault_is_found_on_a_site_with_everything(
    fault: Fault, seed: int, tmp_path: Path
) -> None:
    assert planted(small_plan(), fault, Random(f"{seed} {fault.name}"), tmp_path)


@pytest.mark.parametrize("number", range(len(FAULTS) if LONG else 10))
def test_a_planted_fault_is_found_on_a_random_charter(
    number: int, seed: int, tmp_path: Path
) -> None:
    """Not every charter has a place for every fault, and not in every place does one matter."""
    fault = Random(seed).sample(FAULTS, len(FAULTS))[number]
    planted(pair(number).plan, fault, Random(f"{seed} {fault.name} random"), tmp_path)


def test_faults_are_found_on_the_demo_site(demo: Plan, seed: int, tmp_path: Path) -> None:
    rng = Random(f"{seed} demo")
    chosen = FAULTS if LONG else rng.sample(FAULTS, 4)
    found = [fault.name for fault in chosen if planted(demo, fault, rng, tmp_path)]
    assert len(found) >= len(chosen) // 2
