"""Every connection that a judgement tells of is decided, by the plan itself, as it is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest

from netcharter.plan.fate import fate
from netcharter.plan.shapes import Row
from netcharter.proofs import prove
from netcharter.proofs.naming import Naming
from netcharter.proofs.story import Connection, Teller
from netcharter.proofs.universe import Universe
from netcharter.space.model import Point
from tests.proofs.sites import NOW, charter, concrete, marked, planned
from tests.proofs.test_findings import CASES, IDS

DEMO = Path(__file__).parents[2] / "examples" / "tarn-hollow"


@dataclass(frozen=True)
class Told:
    """What a teller was asked to tell, and what it told."""

    universe: Universe
    point: Point
    row: Row
    connection: Connection


@pytest.fixture
def telling(monkeypatch: pytest.MonkeyPatch) -> list[Told]:
    """Every connection that is told from now on."""
    told: list[Told] = []
    whole = Teller.connection

    def listen(self: Teller, point: Point, row: Row) -> Connection:
        found = whole(self, point, row)
        told.append(Told(self.universe, point, row, found))
        return found

    monkeypatch.setattr(Teller, "connection", listen)
    return told


def check_told(told: Told) -> None:
    plan = told.universe.plans[0]
    seen = concrete(told.universe, told.point)
    outcome = fate(plan, seen.attempt, seen.environment)
    assert outcome.row is told.row
    connection, naming = told.connection, Naming(plan)
    assert (outcome.let, outcome.manner) == (told.row.let, connection.manner)
    assert connection.entrance == seen.attempt.entrance
    assert connection.instant == seen.environment.instant >= NOW
    assert set(connection.lines_up) == seen.environment.lines
    delivered = outcome.delivered
    assert (connection.delivered is None) == (delivered is None)
    if delivered is not None and connection.delivered is not None:
        assert f"({delivered[0]}) port {delivered[1]}" in connection.delivered
    for part in (
        naming.instant_text(seen.environment.instant),
        naming.address_text(seen.attempt.source),
        naming.address_text(seen.attempt.destination),
        naming.service_full(seen.attempt.service),
    ):
        assert part in connection.sentence
    down = [line.name for line in plan.lines if line.name not in seen.environment.lines]
    assert all(name in connection.sentence for name in down)


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_the_witness_of_a_finding_is_decided_as_told(case: object, telling: list[Told]) -> None:
    text, _ = marked(charter(**{**case.other, **case.shows}))  # type: ignore[attr-defined]
    proof = prove(planned(text), NOW)
    sentences = {d.witness for d in proof.findings if d.witness}
    assert sentences <= {told.connection.sentence for told in telling}
    for told in telling:
        check_told(told)


@pytest.mark.parametrize("name", ["charter.yaml", "first-draft.yaml"])
def test_the_witnesses_of_the_demo_are_decided_as_told(name: str, telling: list[Told]) -> None:
    proof = prove(planned((DEMO / name).read_text("utf-8")), NOW)
    assert {d.witness for d in proof.findings if d.witness} <= {
        told.connection.sentence for told in telling
    }
    shown = [proof.witness(result) for result in proof.promises if not result.holds]
    assert (len(shown) > 0) == (name == "first-draft.yaml")
    assert telling
    for told in telling:
        check_told(told)


def test_a_machine_that_the_charter_knows_never_stands_for_an_unknown_one(
    telling: list[Told],
) -> None:
    known = "00:00:5e:00:53:01"  # a documentation address, RFC 9542 section 2.1.4
    text = charter(
        devices=f"""
  desk: {{area: home, hardware: 02:00:00:aa:00:01, address: lasting}}
  spare: {{area: home, hardware: 02:00:00:aa:00:02, address: lasting}}
  shop: {{area: yard, hardware: {known}, address: lasting}}
""",
        promises="\n  - {never: home, reach: bank}\n  - {always: yard, reach: bank, with: ssh}\n",
    )
    proof = prove(planned(text), NOW)
    assert len([p for p in proof.promises if not p.holds]) == 2
    for told in telling:
        check_told(told)
    assert all(told.connection.hardware != known for told in telling
               if "an unnamed machine" in told.connection.sentence)  # fmt: skip


@pytest.mark.parametrize("day", [1, 2, 3, 4, 5, 6, 7])
def test_a_witness_is_never_in_the_past(day: int, telling: list[Told]) -> None:
    now = datetime.fromisoformat(f"2026-11-0{day}T15:59:59+00:00")
    text = charter(promises="\n  - {never: rowan, reach: bank}\n")
    proof = prove(planned(text), now)
    (broken,) = [p for p in proof.promises if not p.holds]
    assert proof.witness(broken) is not None
    assert telling
    for told in telling:
        assert told.connection.instant >= now
