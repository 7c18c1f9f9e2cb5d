"""Every id of reading is found where it should be, alone, and stands in the catalogue."""

from __future__ import annotations

import pytest

from netcharter.diagnostics.of_reading import READING
from tests.charter.cases import CASES, ELSEWHERE
from tests.charter.kit import Case, charter, reading, unmarked


@pytest.mark.parametrize("case", CASES, ids=[f"{i}-{c.id}" for i, c in enumerate(CASES)])
def test_the_diagnostic_is_the_only_one_and_at_its_place(case: Case) -> None:
    text, place = unmarked(case.text)
    files = {}
    for name, content in case.files.items():
        files[name], inner = unmarked(content)
        place = inner or place
    found = reading(text, files)
    assert [d.id for d in found.diagnostics] == [case.id], found.diagnostics
    told = found.diagnostics[0]
    assert told.severity == case.severity
    assert case.said in f"{told.message} | {told.help}"
    assert told.span.file == case.file
    if place is not None:
        span = told.span
        assert (span.line, span.column, span.end_line, span.end_column) == place
    assert (found.charter is None) == (case.severity == "error")


def test_every_id_of_the_catalogue_is_tried() -> None:
    assert {case.id for case in CASES} | ELSEWHERE == READING.keys()


def test_the_small_charter_itself_is_right() -> None:
    assert reading(charter()).diagnostics == ()


def test_related_places_show_the_other_half_of_a_clash() -> None:
    (told,) = reading(charter(groups="groups: [office]")).diagnostics
    ((span, words),) = told.related
    assert (span.line, span.column, span.end_column) == (4, 9, 15)
    assert words == "here first"


def test_the_position_of_a_byte_that_is_not_utf_8_counts_characters() -> None:
    (told,) = reading("# é\nsite: ".encode() + b"\xff").diagnostics
    assert (told.id, told.span.line, told.span.column) == ("not-utf-8", 2, 7)


def test_a_misspelt_key_is_read_as_the_one_it_means() -> None:
    found = reading(charter(rules="rules:\n  - {alow: offce, reach: internet, with: ssh}"))
    assert [d.id for d in found.diagnostics] == ["unknown-key", "unknown-name"]


def test_a_wrong_word_hides_the_missing_one() -> None:
    found = reading(
        "charter: 1\nsite: {name: a, tz: UTC}\nwan: {l: {device: e0}}\nlan: {a: {if: e1, size: 4}}\n"
    )
    assert [(d.id, d.span.line) for d in found.diagnostics] == [
        ("foreign-word", 2), ("foreign-word", 3), ("foreign-word", 4), ("foreign-word", 4),
        ("foreign-word", 4),
    ]  # fmt: skip
