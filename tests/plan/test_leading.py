"""Places that are made of names: whose they are, and what can't be one."""

from __future__ import annotations

import pytest

from netcharter.plan.leading import alone, held_in, leads, leads_nowhere, number, place_of
from tests.proofs.sites import charter, planned

NAMED = ["a", "b", "c"]


def test_sets_of_places_are_numbers() -> None:
    assert number(NAMED, {"a", "c"}) == 5
    assert held_in(NAMED, 5) == ("a", "c")
    assert leads(NAMED, ["b"]) == {2, 3, 6, 7}
    assert leads(NAMED, ["a", "b"]) | leads_nowhere(NAMED, ["a", "b"]) == set(range(8))
    assert [alone(NAMED, leads(NAMED, [name])) for name in NAMED] == NAMED
    assert alone(NAMED, leads(NAMED, ["a", "b"])) is None


def test_a_name_is_of_the_place_that_has_it_or_one_above() -> None:
    plan = planned(charter(places="\n  pay: {domains: [Pay.Example., büch.example]}\n", rules=""))
    (place,) = plan.by_names
    assert place.domains == ("pay.example", "xn--bch-hoa.example")  # RFC 5891, RFC 3492
    for name, there in (("pay.example", place), ("www.pay.example", place),
                        ("xpay.example", None), ("example", None)):  # fmt: skip
        assert place_of(plan.by_names, name) == there
    assert "pay" not in plan.places


@pytest.mark.parametrize(
    ("places", "words"),
    [
        ("pay: {domains: [pay.example, www.pay.example]}", "are one below the other"),
        ("pay: {domains: pay.example}\n  cards: {domains: pay.example}", "leads to pay, too"),
        ("pay: {domains: www.pay.example}\n  cards: {domains: pay.example}",
         "www.pay.example leads to pay"),
        ("pay: {domains: ☃.example}", "can't be asked for"),
    ],
)  # fmt: skip
def test_a_name_leads_to_one_place(places: str, words: str) -> None:
    notes = planned(charter(places=f"\n  {places}\n", rules="")).notes
    found = [note for note in notes if note.id in ("name-leads-twice", "no-such-name")]
    assert len(found) == 1 and found[0].severity == "error"
    assert words in found[0].message
