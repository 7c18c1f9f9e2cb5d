"""Every way around is tried from every area in both families, and fares as the proof says."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from netcharter.lab.world import world
from netcharter.plan.shapes import Plan
from netcharter.probes.around import ways_around
from netcharter.probes.programme import programme
from netcharter.probes.search import Search
from netcharter.probes.stage import Stage
from netcharter.proofs.around import around
from netcharter.proofs.certify import Prover
from tests.probes.test_programme import demo, demo_plan
from tests.proofs.sites import NOW, charter, planned

NARROW = charter(
    lines="\n  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}\n",
    rules="\n  - {let: club, reach: internet, with: [http, https, ntp], because: b}\n",
)


def rows(plan: Plan, now: datetime) -> set[str]:
    """What the proof says of each row that is tried, in the words of a probe's purpose."""
    return {
        f"way around: {one.channel.name} from {one.area}, IPv{one.family}: {one.stands}"
        for one in around(Prover(plan, now)).ways
        if one.channel.to in ("internet", "resolver")
        or (one.channel.to == "neighbours" and one.stands == "open")
    }


def test_each_row_has_a_trial_that_fares_as_the_proof_says() -> None:
    plan = planned(NARROW)
    search = Search(Stage(plan, world(plan)), Prover(plan, NOW))
    tried = list(ways_around(search))
    assert {purpose for _, purpose in tried} == rows(plan, NOW)
    for trial, purpose in tried:
        row = search.decider.row(trial)
        assert row is not None and row.let != purpose.endswith(": closed"), purpose


def test_they_are_in_the_programme_or_it_is_said_why_not() -> None:
    plan = planned(NARROW)
    work = programme(plan, world(plan), NOW)
    numbers = {probe.number: probe for probe in work.probes}
    tried = {words for words, number in work.around if numbers[number]}
    missing = rows(plan, NOW) - tried
    assert missing and all("IPv6" in one and ": AH " in one for one in missing), missing
    assert any("way around: AH" in one.what and "no payload" in one.why for one in work.unprobed)


def test_what_is_closed_in_the_demo_is_refused_by_the_charter(repository: Path) -> None:
    probes = [p for p in demo(repository).probes if "way around: " in p.purpose]
    assert len(probes) > 200
    kinds = {row.label: row.kind for row in demo_plan(repository).rows}
    closed = [p for p in probes if p.purpose.startswith("way around") and ": closed" in p.purpose]
    assert closed and {kinds[p.row] for p in closed if p.row} <= {"default", "rule", "sign-in"}
    assert not any(p.expected.arrives for p in closed)
