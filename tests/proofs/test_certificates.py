"""No answer leaves without its certificate: a lie of the engine, of any kind, is a ProofFault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest

from netcharter.proofs import compare as compare_room
from netcharter.proofs import prove
from netcharter.proofs.ask import Inquiry, ask
from netcharter.proofs.certify import ProofFault, Prover
from netcharter.proofs.compare import compare
from netcharter.proofs.universe import DESTINATION, SERVICE
from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Point, Undecided, Verdict, Witness
from netcharter.space.partition import Difference, Part, Row, Survey, survey
from netcharter.space.partition import compare as compare_lists
from tests.proofs.sites import NOW, charter, planned

TEXT = charter(
    rules="""
  - {let: home, reach: bank, with: tcp/1-100}
  - {let: home, reach: bank, with: tcp/101-200}
  - {let: home, reach: bank, with: tcp/50-150}
  - {refuse: home, reach: bank, with: tcp/160}
  - {refuse: yard, reach: internet, with: ssh}
  - {let: yard, reach: internet, with: http}
""",
    promises="""
  - {never: yard, reach: home}
  - {never: yard, reach: internet}
""",
)
RULES = {row.charter_index: row.index for row in planned(TEXT).rows if row.kind == "rule"}


@pytest.fixture
def prover() -> Prover:
    return Prover(planned(TEXT), NOW)


def moved(point: Point, field: int, by: int = 1) -> Point:
    return (*point[:field], point[field] + by, *point[field + 1 :])


def lie_about(
    monkeypatch: pytest.MonkeyPatch, question: str, rule: int, lie: Callable[[Verdict], Verdict]
) -> None:
    """Let the engine answer `question` (dead, redundant) falsely about one rule."""
    honest = getattr(Engine, question)

    def answer(self: Engine) -> Mapping[int, Verdict]:
        found = dict(honest(self))
        found[rule] = lie(found[rule])
        return found

    monkeypatch.setattr(Engine, question, answer)


def test_the_honest_engine_is_believed(prover: Prover) -> None:
    assert prover.dead[RULES[2]] == Covered((RULES[0], RULES[1]))
    assert prover.dead[RULES[3]] == Covered((RULES[1],))
    assert isinstance(prover.dead[RULES[0]], Witness)
    assert isinstance(prover.redundant[RULES[4]], Covered)
    assert isinstance(prover.redundant[RULES[5]], Witness)


LIES_ABOUT_THE_DEAD: tuple[tuple[str, int, Callable[[Verdict], Verdict]], ...] = (
    ("a core with a gap", 2, lambda _: Covered((RULES[0],))),
    ("an empty core", 2, lambda _: Covered(())),
    ("a core that is not minimal", 3, lambda _: Covered((RULES[0], RULES[1]))),
    ("a core of later rules", 2, lambda _: Covered((RULES[1], RULES[5]))),
    ("a core for a live rule", 5, lambda _: Covered((RULES[4],))),
    ("no answer", 2, lambda _: Undecided("out of breath")),
    ("a witness for a dead rule", 2, lambda _: Witness((0,) * 8, RULES[2], ("let",))),
)


@pytest.mark.parametrize(
    ("rule", "lie"), [x[1:] for x in LIES_ABOUT_THE_DEAD], ids=[x[0] for x in LIES_ABOUT_THE_DEAD]
)
def test_a_lie_about_what_never_decides_is_found(
    rule: int,
    lie: Callable[[Verdict], Verdict],
    prover: Prover,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lie_about(monkeypatch, "dead", RULES[rule], lie)
    with pytest.raises(ProofFault):
        _ = prover.dead


@pytest.mark.parametrize(
    ("rule", "outcome"), [(5, ("refused", "answered")), (4, ("let",))], ids=["let", "refused"]
)
def test_a_witness_with_another_outcome_is_found(
    rule: int, outcome: tuple[str, ...], prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lie(verdict: Verdict) -> Verdict:
        assert isinstance(verdict, Witness)
        return replace(verdict, outcome=outcome)

    lie_about(monkeypatch, "dead", RULES[rule], lie)
    with pytest.raises(ProofFault):
        _ = prover.dead


def test_a_witness_that_does_not_exist_is_found(
    prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lie(verdict: Verdict) -> Verdict:
        assert isinstance(verdict, Witness)
        return replace(verdict, point=moved(verdict.point, DESTINATION, 1 << 40))

    lie_about(monkeypatch, "dead", RULES[5], lie)
    with pytest.raises(ProofFault):
        _ = prover.dead


LIES_ABOUT_THE_REDUNDANT: tuple[tuple[str, int, Callable[[Verdict], Verdict]], ...] = (
    ("a needed rule called superfluous", 5, lambda _: Covered(())),
    ("with a core all the same", 5, lambda _: Covered((RULES[4],))),
    ("a superfluous rule called needed", 4, lambda _: Witness((0,) * 8, RULES[4], ("let",))),
    ("no answer", 4, lambda _: Undecided("out of breath")),
)


@pytest.mark.parametrize(
    ("rule", "lie"),
    [x[1:] for x in LIES_ABOUT_THE_REDUNDANT],
    ids=[x[0] for x in LIES_ABOUT_THE_REDUNDANT],
)
def test_a_lie_about_what_could_be_left_out_is_found(
    rule: int,
    lie: Callable[[Verdict], Verdict],
    prover: Prover,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lie_about(monkeypatch, "redundant", RULES[rule], lie)
    with pytest.raises(ProofFault):
        _ = prover.redundant


def test_a_witness_whose_removal_changes_nothing_is_found(
    prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = prover.dead[RULES[4]]  # decides there, but the default would do the same
    assert isinstance(honest, Witness)
    lie = replace(honest, instead=("let",))
    lie_about(monkeypatch, "redundant", RULES[4], lambda _: lie)
    with pytest.raises(ProofFault):
        _ = prover.redundant


@pytest.mark.parametrize(
    "lie", [Covered(()), Covered((RULES[5],)), Undecided("out of breath")], ids=str
)
def test_a_promise_that_is_broken_cannot_be_lied_into_holding(
    lie: Verdict, prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    boxes = prover.boxes_of_row(RULES[5])
    assert prover.decided(boxes, frozenset({RULES[5]})) is not None
    monkeypatch.setattr(Engine, "reached", lambda *_: lie)
    with pytest.raises(ProofFault):
        prover.decided(boxes, frozenset({RULES[5]}))
    with pytest.raises(ProofFault):
        prove(planned(TEXT), NOW)


def test_a_promise_that_holds_cannot_be_lied_into_being_broken(
    prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    boxes = prover.boxes_of_row(RULES[2])
    rows = frozenset({RULES[2]})
    assert prover.decided(boxes, rows) is None
    elsewhere = prover.dead[RULES[5]]
    inside = prover.dead[RULES[0]]
    for lie in (elsewhere, inside):  # outside the boxes; inside, but decided by another rule
        monkeypatch.setattr(Engine, "reached", lambda *_, lie=lie: lie)
        with pytest.raises(ProofFault):
            prover.decided(boxes, rows)


@pytest.mark.parametrize(
    ("core", "why"),
    [
        ((0,), "a gap"),
        ((), "nothing"),
        ((0, 1, 3), "not minimal"),
        ((0, 1, 5), "not allowed"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_a_lie_about_what_covers_is_found(
    core: tuple[int, ...], why: str, prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    boxes = prover.boxes_of_row(RULES[2])
    allowed = [RULES[n] for n in (0, 1, 3)]
    honest = prover.covered(boxes, allowed)
    assert honest is not None and honest.core == (RULES[0], RULES[1])
    lie = Covered(tuple(RULES[n] for n in core))
    monkeypatch.setattr(Engine, "covered", lambda *_: lie)
    with pytest.raises(ProofFault):
        prover.covered(boxes, allowed)


def _shrunk(row: Row) -> Row:
    """The row with one more service in its box than really changes."""
    box = row.box
    wider = ((0, box[SERVICE][-1][1] + 1),)
    return replace(row, box=(*box[:SERVICE], wider, *box[SERVICE + 1 :]))


def _renamed(row: Row) -> Row:
    return replace(row, rule_a=row.rule_b, rule_b=row.rule_a)


@pytest.mark.parametrize("lie", [_shrunk, _renamed])
def test_a_lie_about_what_changes_is_found(
    lie: Callable[[Row], Row], monkeypatch: pytest.MonkeyPatch
) -> None:
    other = planned(TEXT.replace("with: http}", "with: smtp}"))
    assert compare(planned(TEXT), other, NOW).opened
    honest = Part.rows
    monkeypatch.setattr(Part, "rows", lambda self, limit: [lie(row) for row in honest(self, limit)])
    with pytest.raises(ProofFault):
        compare(planned(TEXT), other, NOW)


def test_a_witness_of_a_change_that_others_decide_is_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    other = planned(TEXT.replace("with: http}", "with: smtp}"))
    monkeypatch.setattr(
        compare_room, "polish", lambda universe, rules, point, *_: moved(point, SERVICE)
    )
    with pytest.raises(ProofFault):
        compare(planned(TEXT), other, NOW)


def test_changes_that_are_kept_back_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    other = planned(TEXT.replace("with: http}", "with: smtp}"))
    honest = Part.rows
    monkeypatch.setattr(Part, "rows", lambda self, limit: honest(self, limit)[1:])
    with pytest.raises(ProofFault):
        compare(planned(TEXT), other, NOW)


def test_that_nothing_changes_cannot_be_lied(monkeypatch: pytest.MonkeyPatch) -> None:
    other = planned(TEXT.replace("with: http}", "with: smtp}"))
    monkeypatch.setattr(Difference, "counts", lambda *_: {})
    monkeypatch.setattr(
        "netcharter.proofs.compare.compare_lists",
        lambda *lists, **more: replace(compare_lists(*lists, **more), parts={}),
    )
    with pytest.raises(ProofFault):
        compare(planned(TEXT), other, NOW)


@pytest.mark.parametrize("by", [-1, 1])
def test_a_total_that_is_off_by_one_is_found(by: int, monkeypatch: pytest.MonkeyPatch) -> None:
    other = planned(TEXT.replace("with: http}", "with: smtp}"))
    honest = Difference.counts
    monkeypatch.setattr(
        Difference,
        "counts",
        lambda self, group: {k: n + by for k, n in honest(self, group).items()},
    )
    with pytest.raises(ProofFault):
        compare(planned(TEXT), other, NOW)


def _without_one(found: Survey) -> Survey:
    return replace(found, pieces=found.pieces[1:])


def _by_another(found: Survey) -> Survey:
    first, *rest = found.pieces
    return replace(found, pieces=(replace(first, rule=(first.rule or 0) + 1), *rest))


def _wider(found: Survey) -> Survey:
    first, *rest = found.pieces
    everywhere = ((0, 1 << 40),)
    box = (*first.box[:DESTINATION], everywhere, *first.box[DESTINATION + 1 :])
    return replace(found, pieces=(replace(first, box=box), *rest))


@pytest.mark.parametrize("lie", [_without_one, _by_another, _wider])
def test_a_lie_about_what_is_asked_is_found(
    lie: Callable[[Survey], Survey], prover: Prover, monkeypatch: pytest.MonkeyPatch
) -> None:
    asking = Inquiry(("yard",), ("internet",))
    assert ask(prover, asking).complete
    monkeypatch.setattr(
        "netcharter.space.certified.survey", lambda *a, **more: lie(survey(*a, **more))
    )
    with pytest.raises(ProofFault):
        ask(prover, asking)
