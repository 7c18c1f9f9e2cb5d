"""Nothing lies about that does not belong: workplace words, big files, ragged change notes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.house.litter import (
    fragment_breaches,
    kept_files,
    size_breaches,
    word_breaches,
)


def _texts(root: Path) -> dict[str, str]:
    texts = {}
    for path in kept_files(root):
        texts[str(path.relative_to(root))] = path.read_bytes().decode("utf-8", "replace")
    return texts


def test_no_file_tells_where_the_house_was_built(root: Path) -> None:
    texts = _texts(root)
    assert len(texts) > 20
    assert word_breaches(texts) == []
    assert word_breaches({name: name for name in texts}) == []


def test_no_file_is_over_a_megabyte(root: Path) -> None:
    sizes = {str(path.relative_to(root)): path.stat().st_size for path in kept_files(root)}
    assert size_breaches(sizes) == []


def test_change_notes_are_well_formed(root: Path) -> None:
    folder = root / "changes"
    notes = {p.name: p.read_text("utf-8") for p in folder.iterdir() if p.name != "README.md"}
    assert notes
    assert fragment_breaches(notes) == []


@pytest.mark.parametrize(
    "line",
    [
        "see /wo" + "rk/main",
        "scratch in /tmp/" + "nc/x",
        "home is /ro" + "ot/x",
        "ask far" + "m-something",
        "as in DESI" + "GN.md",
        "for iss" + "ue 2",
        "Iss" + "ue #12",
        "https://pypi" + ".org/simple",
    ],
)
def test_a_planted_workplace_word_is_found(line: str) -> None:
    assert len(word_breaches({"a.md": f"first\n{line}\n"})) == 1


def test_common_words_are_let() -> None:
    text = "workable roots in a farm; an issue of the day; tmp/ncx; /root; search for duplicates"
    assert word_breaches({"a.md": text}) == []


def test_a_planted_big_file_is_found() -> None:
    assert size_breaches({"a": 1_000_001, "b": 1_000_000}) == ["a: 1000001 bytes"]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("notes.md", "A note."),
        ("Upper.added.md", "A note."),
        ("two-words.novel.md", "A note."),
        ("a.added.txt", "A note."),
        ("a.added.md", ""),
        ("a.added.md", "no capital."),
        ("a.added.md", "No full stop"),
        ("a.added.md", "One.\n\nTwo."),
        ("a.added.md", "# Heading."),
        ("a.added.md", "Long. " * 120),
    ],
)
def test_a_planted_ragged_change_note_is_found(name: str, text: str) -> None:
    assert len(fragment_breaches({name: text})) == 1


def test_a_good_change_note_is_let() -> None:
    assert fragment_breaches({"whole-day-until.fixed.md": "`until` keeps\nits day.\n"}) == []
