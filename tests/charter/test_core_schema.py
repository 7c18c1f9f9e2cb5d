"""Plain scalars mean what YAML 1.2.2, section 10.3 (core schema), says they mean."""

from __future__ import annotations

import math

import pytest

from netcharter.charter.core import resolve


@pytest.mark.parametrize(
    ("text", "value"),
    [  # YAML 1.2.2, example 10.9 "Core Tag Resolution", and the table of section 10.3.2
        ("null", None), ("Null", None), ("NULL", None), ("~", None), ("", None),
        ("true", True), ("True", True), ("TRUE", True),
        ("false", False), ("False", False), ("FALSE", False),
        ("0", 0), ("0o7", 7), ("0x3A", 58), ("-19", -19), ("+12", 12), ("007", 7),
        ("0.", 0.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
        (".inf", math.inf), ("-.Inf", -math.inf), ("+.INF", math.inf),
    ],
)  # fmt: skip
def test_the_core_schema_resolves(text: str, value: object) -> None:
    found = resolve(text)
    assert found == value and type(found) is type(value)


def test_not_a_number_resolves() -> None:
    for text in (".nan", ".NaN", ".NAN"):
        value = resolve(text)
        assert isinstance(value, float) and math.isnan(value)


@pytest.mark.parametrize(
    "text",
    [
        # YAML 1.1 (yaml.org/type/bool.html) read these as true and false; 1.2 does not
        "yes", "Yes", "no", "No", "NO", "on", "On", "off", "OFF", "y", "n",
        # YAML 1.1 (yaml.org/type/int.html, timestamp.html): base 60, binary, underscores, dates
        "08:00", "22:00-07:00", "190:20:30", "0b1010", "685_230", "2027-03-31", "0o8", "0x",
        # neither version
        "nUll", "tRUE", "+", "-", ".", "e3", "1e", ".Nan", "1 000", "-0x3A", "+0o7",
    ],
)  # fmt: skip
def test_everything_else_is_text(text: str) -> None:
    assert resolve(text) == text


def test_a_number_of_absurd_length_stays_text() -> None:
    assert resolve("9" * 5000) == "9" * 5000
