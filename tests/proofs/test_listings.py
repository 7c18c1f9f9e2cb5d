"""What a comparison or an answer lists is all there is: a lie about the rest is a ProofFault."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import ClassVar, Never

import pytest

from netcharter.proofs import compare as compare_room
from netcharter.proofs.ask import Inquiry, ask
from netcharter.proofs.certify import ProofFault, Prover
from netcharter.proofs.compare import Change, compare
from netcharter.proofs.universe import DESTINATION, SERVICE
from netcharter.space import certified as certified_room
from netcharter.space.checker import Unproven
from netcharter.space.model import RawBox, RuleList
from netcharter.space.partition import Difference, Part, Piece, Row, Survey, survey
from tests.proofs.sites import NOW, charter, planned

TEXT = charter(
    rules="""
  - {let: home, reach: bank, with: tcp/1-100}
  - {refuse: yard, reach: internet, with: ssh}
  - {let: yard, reach: internet, with: http}
"""
)
OLD = planned(TEXT)
NEW = planned(TEXT.replace("with: http}", "with: smtp}").replace("tcp/1-100", "tcp/1-90"))
ALIKE = planned(TEXT.replace("  - {refuse: yard, reach: internet, with: ssh}\n", ""))


def too_much(*_: object, **__: object) -> Never:
    raise Unproven


def test_the_honest_comparison_is_believed() -> None:
    found = compare(OLD, NEW, NOW)
    assert (found.same, found.complete) == (False, True)
    assert found.totals["opened"] and found.totals["closed"] and not found.totals["altered"]
    assert compare(OLD, ALIKE, NOW).same
    assert compare(OLD, OLD, NOW).same


def test_that_nothing_changes_cannot_be_lied(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compare_room, "compare_lists", lambda *_, **__: Silent())
    assert compare(OLD, ALIKE, NOW).same
    with pytest.raises(ProofFault, match="not listed"):
        compare(OLD, NEW, NOW)


class Silent:
    """A difference that says that there is none."""

    parts: ClassVar[dict[object, object]] = {}

    def counts(self, _: object) -> dict[object, int]:
        return {}


def test_that_nothing_changes_is_not_said_where_it_cannot_be_checked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(compare_room, "check_same", too_much)
    with pytest.raises(ProofFault, match="too much work"):
        compare(OLD, ALIKE, NOW)


@pytest.mark.parametrize("check", ["check_same", "check_disjoint", "measure"])
def test_a_listing_that_cannot_be_checked_is_not_called_complete(
    check: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = compare(OLD, NEW, NOW)
    monkeypatch.setattr(compare_room, check, too_much)
    found = compare(OLD, NEW, NOW)
    assert found == replace(honest, complete=False)


def test_a_listing_that_was_cut_is_checked_as_far_as_it_goes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = compare(OLD, NEW, NOW, limit=1)
    assert (found.same, found.complete) == (False, False)
    assert found.totals == compare(OLD, NEW, NOW).totals
    monkeypatch.setattr(Difference, "counts", lambda *_: {"opened": 5, "closed": 5})
    with pytest.raises(ProofFault, match="total"):
        compare(OLD, NEW, NOW, limit=1)


def _halved(row: Row) -> Row:
    low, high = row.box[DESTINATION][0]
    box = (*row.box[:DESTINATION], ((low, (low + high) // 2),), *row.box[DESTINATION + 1 :])
    return replace(row, box=box)


LIES_ABOUT_ROWS: tuple[tuple[str, Callable[[list[Row]], list[Row]]], ...] = (
    ("a row is missing", lambda rows: rows[:-1]),
    ("all rows are missing", lambda rows: []),
    ("a row is smaller than it is", lambda rows: [_halved(rows[0]), *rows[1:]]),
    ("a row comes twice", lambda rows: [*rows, rows[0]]),
    ("a row comes once more in part", lambda rows: [*rows, _halved(rows[0])]),
    ("another rule decides", lambda rows: [replace(rows[0], rule_a=0), *rows[1:]]),
)


@pytest.mark.parametrize(
    "lie", [x[1] for x in LIES_ABOUT_ROWS], ids=[x[0] for x in LIES_ABOUT_ROWS]
)
def test_a_lie_about_a_listing_is_found(
    lie: Callable[[list[Row]], list[Row]], monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = Part.rows
    monkeypatch.setattr(Part, "rows", lambda self, limit: lie(honest(self, limit)))
    with pytest.raises(ProofFault):
        compare(OLD, NEW, NOW)


@pytest.mark.parametrize("change", ["opened", "closed", "altered"])
@pytest.mark.parametrize("by", [1, -1])
def test_a_wrong_total_is_found(change: Change, by: int, monkeypatch: pytest.MonkeyPatch) -> None:
    honest = Difference.counts

    def counts(self: Difference, group: Callable[[object], object]) -> dict[object, int]:
        found: dict[object, int] = {**honest(self, group)}
        found[change] = found.get(change, 0) + by
        return found

    monkeypatch.setattr(Difference, "counts", counts)
    with pytest.raises(ProofFault, match="total"):
        compare(OLD, NEW, NOW)


def test_a_missing_row_is_found_even_if_the_total_misses_it_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    honest = Part.rows
    monkeypatch.setattr(Part, "rows", lambda self, limit: honest(self, limit)[:-1])
    monkeypatch.setattr(compare_room, "measure", lambda _: 0)
    monkeypatch.setattr(Difference, "counts", lambda *_: {})
    with pytest.raises(ProofFault, match="not listed"):
        compare(OLD, NEW, NOW)


# ---- answers ----

ASKED = Inquiry(who=("yard",))


def _wider(piece: Piece) -> Piece:
    (low, high), *others = piece.box[SERVICE]
    wide = ((low, high + 1), *others)
    return replace(piece, box=(*piece.box[:SERVICE], wide, *piece.box[SERVICE + 1 :]))


def _each_let(pieces: Sequence[Piece], lie: Callable[[Piece], Piece]) -> list[Piece]:
    return [lie(p) if p.outcome == ("let",) else p for p in pieces]


LIES_ABOUT_PIECES: tuple[tuple[str, Callable[[Sequence[Piece]], Sequence[Piece]]], ...] = (
    ("what is let is missing", lambda found: [p for p in found if p.outcome != ("let",)]),
    ("one piece is missing", lambda found: found[1:]),
    ("the last piece is missing", lambda found: found[:-1]),
    ("nothing is told", lambda found: []),
    ("a piece is wider", lambda found: _each_let(found, _wider)),
    ("another rule decides", lambda found: _each_let(found, lambda p: replace(p, rule=0))),
    ("the refused is let", lambda found: [replace(p, outcome=("let",)) for p in found]),
)


def lie_about_pieces(
    monkeypatch: pytest.MonkeyPatch, lie: Callable[[Sequence[Piece]], Sequence[Piece]]
) -> None:
    def told(rules: RuleList, boxes: Sequence[RawBox], *, limit: int) -> Survey:
        found = survey(rules, boxes, limit=limit)
        return replace(found, pieces=tuple(lie(found.pieces)))

    monkeypatch.setattr(certified_room, "survey", told)


def test_the_honest_answer_is_believed() -> None:
    found = ask(Prover(OLD, NOW), ASKED)
    assert found.complete
    assert any(row.service == "http" for row in found.rows)


@pytest.mark.parametrize(
    "lie", [x[1] for x in LIES_ABOUT_PIECES], ids=[x[0] for x in LIES_ABOUT_PIECES]
)
def test_a_lie_about_an_answer_is_found(
    lie: Callable[[Sequence[Piece]], Sequence[Piece]], monkeypatch: pytest.MonkeyPatch
) -> None:
    lie_about_pieces(monkeypatch, lie)
    with pytest.raises(ProofFault):
        ask(Prover(OLD, NOW), ASKED)


def test_an_answer_to_another_question_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    prover = Prover(OLD, NOW)
    others = [*prover.survey(prover.universe.boxes, 5000).pieces]
    lie_about_pieces(monkeypatch, lambda found: [*found, *others])
    with pytest.raises(ProofFault, match="piece"):
        ask(prover, ASKED)


def test_an_answer_that_cannot_be_checked_is_not_called_complete(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    honest = ask(Prover(OLD, NOW), ASKED)
    monkeypatch.setattr(certified_room, "check_nothing_else", too_much)
    assert ask(Prover(OLD, NOW), ASKED) == replace(honest, complete=False)
