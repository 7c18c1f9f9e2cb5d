"""Rules for emergencies come before sign-in, hours and all other rules, while any line is up, and where
the clock is not known; they do not come before a bar or a promise, and each such clash is told.

What must be so is the model's (docs/explanation/model.md, section 6) and no outer source's; decided is
by `plan.fate` and by the naive reading of the charter, which share nothing.
"""

from __future__ import annotations

from datetime import timedelta
from functools import cache
from ipaddress import ip_address
from itertools import product

import pytest

from netcharter.plan.shapes import Plan
from netcharter.proofs import prove
from netcharter.proofs.conversations import (
    Around,
    Conversation,
    Ends,
    Neighbour,
    decided_again,
)
from netcharter.tasks.enacting.again import closed
from tests.oracle import naive
from tests.oracle.compared import addresses, plan_says
from tests.oracle.naive import GUEST, NOBODY, Attempt, Environment
from tests.oracle.site import Site, prepare
from tests.proofs.sites import NOW, charter, planned

SECTIONS = {
    "lines": """
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth9, address: automatic, role: standby}
""",
    "areas": """
  home: {device: eth1, prefix: 10.1.0.0/24}
  yard: {device: eth2, prefix: 10.2.0.0/24}
  club: {device: eth3, prefix: 10.3.0.0/24, sign-in: required}
""",
    "devices": """
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}
  shop: {area: club, hardware: 02:00:00:aa:00:03, barred: true}
""",
    "hours": """
  lessons: {weekly: {mon-fri: "08:00-16:00"}}
""",
    "rules": """
  - {refuse: anyone, reach: anywhere, with: anything, during: lessons, manner: quietly}
  - {refuse: club, reach: bank, with: sip}
  - {let: [club, home], reach: bank, with: sip, emergency: true}
""",
    "promises": "\n  - {never: club, reach: bank, with: sip}\n",
}
BARRED, STRANGER = 0x0200_00AA_0003, 0x0200_00BB_0009
LINES = [frozenset({"dsl"}), frozenset({"mast"}), frozenset({"dsl", "mast"})]
TIMES = [NOW, NOW + timedelta(hours=9), NOW + timedelta(days=5)]  # in lessons, after, on Saturday


@cache
def site() -> tuple[Plan, Site]:
    text = charter(**SECTIONS)
    plan = planned(text)
    return plan, prepare(text, addresses(plan))


def call(hardware: int = STRANGER, port: int = 5060) -> Attempt:
    """A telephone in the club calls the provider."""
    return Attempt(
        "club", ip_address("10.3.0.9"), hardware, ip_address("198.51.100.65"), 17, port
    )  # fmt: skip


@pytest.mark.parametrize("who", [NOBODY, GUEST, "rowan"])
def test_a_call_for_help_is_let_whoever_is_signed_in_whenever_by_whatever_line(who: str) -> None:
    plan, read = site()
    for up, instant in product(LINES, TIMES):
        there = Environment(up, who, instant)
        for found in (plan_says(plan, call(), there), naive.fate(read, call(), there)):
            assert (found.verdict, found.kind) == ("let", "emergency")
        other = naive.fate(read, call(port=5070), there)
        assert other == plan_says(plan, call(port=5070), there) and other.verdict == "refused"


def test_a_call_for_help_is_let_where_the_clock_is_not_known() -> None:
    plan = closed(site()[0])
    for up in LINES:
        there = Environment(up, NOBODY, NOW)
        assert plan_says(plan, call(), there).kind == "emergency"


def test_a_call_for_help_that_is_open_is_never_cut_by_hours_or_a_sign_out() -> None:
    source, to = ip_address("10.3.0.9"), ip_address("198.51.100.65")
    one = Conversation(17, Ends(source, to, (5060, 5060)), Ends(to, source, (5060, 5060)))
    seat = {source: (Neighbour("eth3", STRANGER),)}
    for plan, instant in product((site()[0], closed(site()[0])), TIMES):
        again = decided_again(plan, [one], Around(instant, LINES[0], neighbours=seat))
        assert (again.cut, again.kept) == ((), 1)


def test_a_bar_comes_before_it_and_so_does_no_line_at_all() -> None:
    plan, read = site()
    for attempt, up, decider in (
        (call(BARRED), LINES[2], "barred"),
        (call(), frozenset[str](), "no-line"),
    ):
        there = Environment(up, NOBODY, NOW)
        assert naive.fate(read, attempt, there).decider == decider
        assert plan_says(plan, attempt, there).decider == decider


def test_a_clash_with_a_promise_or_a_bar_is_told() -> None:
    proof = prove(site()[0], NOW)
    found = {one.id: one.severity for one in proof.findings if one.id.startswith("emergency")}
    assert found == {"emergency-breaks-promise": "error", "emergency-barred": "warning"}
    assert not proof.ok
