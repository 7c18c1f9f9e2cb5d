"""Suggestions: near in meaning, near in letters, never beyond what fits the place."""

from __future__ import annotations

import pytest

from netcharter.charter.publish import records
from netcharter.charter.services import builtin
from netcharter.charter.shapes import Choice, Record
from netcharter.charter.values import DAYS, RESERVED
from netcharter.charter.words import MEANINGS, by_letters, by_meaning, suggest


def our_words() -> set[str]:
    """Every key, every fixed word and every service there is."""
    words = {
        *RESERVED,
        *DAYS,
        *builtin(),
        "daily",
        "mon-fri",
        "sat-sun",
        "closed",
        "automatic",
        "lasting",
        "delegated",
        "none",
    }
    for record in records():
        words |= {key.name for key in record.keys}
        words |= {
            w for key in record.keys if isinstance(key.shape, Choice) for w in key.shape.options
        }
    return words | {"area", "device"}


def test_every_suggestion_is_a_word_of_the_charter() -> None:
    assert {ours for fits in MEANINGS.values() for ours in fits} <= our_words()


@pytest.mark.parametrize(
    ("record", "word", "ours"),
    [
        ("a charter", "wan", "lines"), ("a charter", "zones", "areas"), ("a charter", "LAN", "areas"),
        ("a charter", "hosts", "devices"), ("a charter", "schedules", "hours"),
        ("a charter", "nat", "offers"), ("a charter", "Aliases", "places"),
        ("a device", "mac", "hardware"), ("a device", "MAC_address", "hardware"),
        ("a device", "ip", "address"), ("a device", "owner", "contact"),
        ("a line", "gateway", "next-hop"), ("a line", "bandwidth", "rate"), ("a line", "interface", "device"),
        ("an area", "subnet", "prefix"), ("an area", "isolated", "apart"),
        ("a rule", "block", "refuse"), ("a rule", "drop", "refuse"), ("a rule", "deny", "refuse"),
        ("a rule", "permit", "let"), ("a rule", "from", "let"), ("a rule", "to", "reach"),
        ("a rule", "destination", "reach"), ("a rule", "port", "with"), ("a rule", "service", "with"),
        ("a rule", "expires", "until"), ("a rule", "schedule", "during"), ("a rule", "comment", "because"),
        ("a rule", "allwo", "let"), ("a rule", "becuase", "because"),
        ("an offer", "port", "at"), ("an offer", "target", "to"), ("an offer", "source", "from"),
        ("a promise", "forbid", "never"), ("a promise", "must", "always"), ("a promise", "unless", "except"),
    ],
)  # fmt: skip
def test_a_word_of_the_trade_leads_to_ours(record: str, word: str, ours: str) -> None:
    found = next(r for r in records() if r.what == record)
    assert isinstance(found, Record)
    free = {key.name for key in found.keys}
    assert suggest(word, free) == ours


def test_the_same_word_means_what_fits_its_place() -> None:
    assert by_meaning("any", {"anyone"}) == "anyone"
    assert by_meaning("any", {"anywhere"}) == "anywhere"
    assert by_meaning("any", {"anything"}) == "anything"
    assert by_meaning("gateway", {"device", "next-hop"}) == "next-hop"
    assert by_meaning("mac", {"let", "reach"}) is None


def test_letters_are_compared_without_case_and_underscores() -> None:
    assert by_letters("OFFICE", {"office", "barn"}) == "office"
    assert by_letters("next_hop", {"next-hop"}) == "next-hop"
    assert by_letters("Duty-Lpatop", {"duty-laptop"}) == "duty-laptop"
    assert by_letters("zebra", {"office", "barn"}) is None
    assert by_letters("x" * 100_000, {"x" * 60}) is None
