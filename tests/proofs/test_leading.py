"""Places that are made of names: what is proven of them holds wherever their names lead."""

from __future__ import annotations

import pytest

from netcharter.plan.shapes import Plan
from netcharter.proofs import Proof
from netcharter.proofs.ask import ask, parse_question
from netcharter.proofs.certify import NoAnswer, Prover
from netcharter.proofs.compare import compare
from netcharter.proofs.promises import PromiseResult, ground_of
from netcharter.proofs.universe import DESTINATION, LED
from netcharter.proofs.why import why
from netcharter.space.ranges import subset
from tests.proofs.sites import NOW, charter, concrete, judged, planned

PLACES = """
  bank: {prefixes: [198.51.100.64/28]}
  pay: {domains: [pay.example, cards.example.net]}
  school: {domains: lessons.example}
"""
RULES = """
  - {let: yard, reach: pay, with: https, because: cards}
  - {refuse: home, reach: school, with: https, because: not here}
  - {let: home, reach: internet, with: [http, https], because: daily work}
"""


def site(**sections: str) -> str:
    return charter(**{"places": PLACES, "rules": RULES, **sections})


def promised(text: str) -> tuple[Proof, PromiseResult]:
    proof = judged(site(promises=f"\n  - {{{text}}}\n"))
    return proof, proof.promises[0]


@pytest.mark.parametrize(
    "text",
    [
        "only: yard, reach: pay",
        "only: yard, reach: [pay, school], with: https",
        "never: yard, reach: gateway",
        "never: home, reach: school, with: https",
        "always: yard, reach: pay, with: https",
    ],
)
def test_a_promise_holds_wherever_names_lead(text: str) -> None:
    _, found = promised(text)
    assert found.holds, found


@pytest.mark.parametrize(
    ("text", "places", "words"),
    [
        # An address of the bank may be one to which pay.example leads.
        ("never: yard, reach: bank", {"pay"}, "if pay.example leads there"),
        ("only: home, reach: pay", set(), ""),
        ("never: home, reach: school", {"school"}, "if lessons.example leads there"),
        # Both names may share an address; what is refused by one is let by no later rule.
        (
            "always: home, reach: pay, with: https",
            {"pay", "school"},
            "and lessons.example lead there",
        ),
    ],
)
def test_a_promise_that_some_address_breaks_shows_by_which_name(
    text: str, places: set[str], words: str
) -> None:
    proof, found = promised(text)
    assert not found.holds and found.point is not None
    assert concrete(proof.prover.universe, found.point).environment.led == places
    told = proof.witness(found)
    assert told is not None and words in told.sentence
    assert set(told.as_json()["led_by"]) == places  # type: ignore[call-overload]


def fares(plan: Plan, starter: str, target: str) -> tuple[str, list[str]]:
    story = next(one for one in why(plan, starter, target, "https", NOW) if one.families == (4,))
    return story.headline, [step.text for step in story.steps]


def test_why_tells_what_names_change() -> None:
    plan = planned(site())
    headline, steps = fares(plan, "yard", "pay")
    assert headline.endswith(": let by rule 1.")
    assert "no longer led there by pay.example or cards.example.net, it is refused" in "\n".join(
        steps
    )
    headline, _ = fares(plan, "yard", "www.cards.example.net")
    assert headline.endswith(": let by rule 1.")
    headline, steps = fares(plan, "yard", "other.example")
    assert headline.endswith("by the default.")
    assert any(text.startswith("led there by pay.example or") for text in steps)
    headline, _ = fares(plan, "home", "lessons.example")
    assert headline.endswith("by rule 2.")


def test_an_answer_names_the_places() -> None:
    prover = Prover(planned(site()), NOW)
    ground = ground_of(prover.plan)
    found = ask(prover, parse_question("what can yard reach", ground))
    assert [(row.to, row.decided_by) for row in found.rows if not row.housekeeping] == [
        ("pay (IPv4)", "rule 1")  # the line carries no IPv6
    ]
    found = ask(prover, parse_question("what can home reach with https", ground))
    assert [row.to for row in found.rows if not row.housekeeping] == [
        "internet (IPv4) but for where school leads"
    ]


def test_what_a_place_takes_in_is_no_difference_that_can_be() -> None:
    """All that leads to the narrower place leads to the wider one, so nothing opens."""
    wide = planned(site())
    narrow = planned(
        site(places=PLACES.replace("[pay.example, cards.example.net]", "www.pay.example"))
    )
    found = compare(wide, narrow, NOW)
    assert not found.opened and found.totals["closed"] > 0
    assert [(one.what, one.after) for one in found.moved] == [("pay: names", "www.pay.example")]
    assert compare(wide, wide, NOW).same


def test_names_lead_to_the_internet_alone() -> None:
    """No place that is made of names holds an address of the site, whatever is answered."""
    prover = judged(site()).prover
    for box in prover.universe.boxes:
        if box[LED] != ((0, 0),):
            assert subset(box[DESTINATION], prover.plan.internet)


def many(prefix: str, called: str = "p") -> Plan:
    places = "".join(f"\n  {called}{n}: {{domains: {prefix}{n}.example}}" for n in range(8))
    rules = "".join(
        f"\n  - {{let: yard, reach: {called}{n}, with: https, because: cards}}" for n in range(8)
    )
    return planned(charter(places=places + "\n", rules=rules + "\n"))


def test_too_many_places_are_told_apart_by_what_they_are_called_or_not_at_all() -> None:
    found = compare(many("a"), many("b"), NOW)
    assert found.same and len(found.moved) == 8
    with pytest.raises(NoAnswer, match="16 places"):
        compare(many("a"), many("b", "q"), NOW)


@pytest.mark.parametrize(
    ("more", "ways"),
    [
        ("", "who learns them elsewhere or who keeps them longer gets there"),
        (
            ", translator: '64:ff9b::/96'",
            "who keeps them longer or who asks 64:ff9b::/96 for what is told in IPv4 gets there",
        ),
    ],
)
def test_a_refusal_by_name_tells_how_it_is_got_round(more: str, ways: str) -> None:
    """RFC 6052 section 2.2: a translator's address holds an IPv4 address that nobody told it."""
    lines = (
        '\n  dsl: {device: eth0, address: [203.0.113.10/29, "2001:db8:1::2/64"],'
        f' next-hop: [203.0.113.9, "2001:db8:1::1"], prefix: "2001:db8:77::/48"{more}}}\n'
    )
    found = judged(site(lines=lines)).findings
    (told,) = (one for one in found if one.id == "place-refused-by-name")
    assert ways in told.message
