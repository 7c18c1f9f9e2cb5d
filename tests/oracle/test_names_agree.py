"""The plan and the naive interpreter decide look-ups alike, over random charters."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from random import Random

import pytest

from netcharter.plan import coding
from netcharter.plan.names.deciding import Asker, Verdict, decide
from netcharter.plan.names.finding import Finder
from netcharter.plan.shapes import Plan
from netcharter.proofs.why_name import holding
from tests.oracle.compared import NOW, Pair, pair, rotating_seed
from tests.oracle.names import Answer, Charter, Look
from tests.oracle.random_charters import KNOWN_AS, NAMES
from tests.oracle.site import Address

CHARTERS, LOOKS = 40, 400
EVERY_DECISION = {
    "offered-names", "local-names", "never-outside", "emergency", "answer", "withhold", "rewrite",
    "canary", "default",
}  # fmt: skip


def looks(found: Pair, count: int) -> list[Look]:
    """Look-ups bent towards what the charter speaks of."""
    rng, site = Random(f"{found.seed} looks"), found.site
    domain = found.plan.names.domain
    names = [*NAMES, *KNOWN_AS, *(f"a.{name}" for name in NAMES), "example", "xdice.example", "org",
             domain, f"gateway.{domain}", f"nobody.{domain}", "localhost", "a.localhost", "x.local",
             "invalid", "7.99.77.10.in-addr.arpa", "1.2.0.192.in-addr.arpa", "5.0.168.192.in-addr.arpa",
             *(f"{name}.{domain}" for name in site.devices)]  # fmt: skip
    known = [a for device in site.devices.values() for a in device.addresses]
    names += [a.reverse_pointer for a in known if not isinstance(a, tuple)]
    drawn = []
    for _ in range(count):
        area = rng.choice(list(site.areas))
        near: list[Address] = [a for d in site.devices.values() if d.area == area or d.roams
                               for a in d.addresses]  # fmt: skip
        host = site.areas[area].v4[-2 if site.areas[area].v4.num_addresses > 3 else 1]
        instant = NOW + timedelta(minutes=rng.randrange(60 * 24 * 400))
        asker = rng.choice([host, *near])
        drawn.append(
            Look(area, asker, rng.choice(names), rng.choice(("A", "AAAA", "HTTPS", "PTR")), instant)
        )
    return drawn


def plan_says(plan: Plan, look: Look, find: Finder) -> tuple[Answer, Verdict]:
    assert not isinstance(look.asker, tuple)
    asker = Asker(look.area, coding.address(look.asker))
    found = decide(plan.names, asker, look.name, look.kind, holding(plan, look.instant), find)
    row = found.met.row
    said = {"rewrite": f"rewrite {row.to}"}.get(row.action, row.action)
    held = tuple(map(str, found.addresses)) + ((found.pointer,) if found.pointer else ())
    if row.action == "local" and not found.found:
        said = "local: no such name"
    return Answer(said, row.label, held), found


@pytest.mark.parametrize("number", range(CHARTERS))
def test_both_answer_alike(number: int) -> None:
    found = pair(number)
    charter, find = Charter(found.text, found.site), Finder(found.plan.names)
    for look in looks(found, LOOKS):
        said, verdict = plan_says(found.plan, look, find)
        assert said == charter.answer(look), f"{rotating_seed()}: {look}\n{found.text}"
        assert verdict.certain  # every list stands in the charter


def test_every_kind_of_decision_is_met() -> None:
    """So that agreement says something of each."""
    met: Counter[str] = Counter()
    for number in range(CHARTERS):
        found = pair(number)
        for look in looks(found, 40):
            row = plan_says(found.plan, look, Finder(found.plan.names))[1].met.row
            kind = row.kind if row.kind == "emergency" else row.action
            met[kind if row.kind in ("emergency", "rule") else row.label] += 1
    assert EVERY_DECISION <= met.keys(), met
