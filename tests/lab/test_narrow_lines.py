"""Lines narrower than Ethernet in the lab, one of them dialled on the site and a cable here."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from netcharter.charter.read import read
from netcharter.lab.rehearsal import rehearse
from netcharter.lab.topology import automatic, topology
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import render
from tests.kernel.test_narrow_lines import CHARTER as NARROW
from tests.lab.sites import stations

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
# Two of its lines and one of its areas are enough here.
CHARTER = "".join(
    line
    for line in NARROW.splitlines(keepends=True)
    if not line.startswith(("  mast:", "  cable:", "  two:")) and "reach: two" not in line
)


@pytest.fixture(scope="module")
def plan() -> Plan:
    charter = read(CHARTER, "narrow.yaml").charter
    assert charter is not None
    return make_plan(charter)


def test_a_session_is_a_cable_of_its_name_as_narrow_as_it(plan: Plan) -> None:
    found = topology(plan, stations(plan), world(plan))
    assert found.devices == ("eth0", "ppp2", "eth1", "eth2", "eth2.35")
    assert "link set dev ppp2 mtu 1492 up\n" in found.before
    narrow = [seat for seat in found.seats.values() if "mtu 1492" in seat.batch.text]
    assert len(narrow) == 2  # whoever is beyond the two lines
    (said,) = [text for text in found.differs if "dials" in text]
    assert "line fibre" in said and "ppp2" in said and "1492 bytes" in said
    assert not any("VLAN tags" in text for text in found.differs)


def test_its_routes_are_put_where_its_hook_puts_them_on_the_site(plan: Plan) -> None:
    text = automatic(plan, plan.lines[1], world(plan))
    assert text.count("dev ppp2 table 102") == 2 and "table main" not in text


@pytest.mark.kernel
def test_it_is_rehearsed_like_any_other(plan: Plan) -> None:
    found = rehearse(plan, render(plan).files, NOW, limit=150, seconds=120.0)
    assert found.ok, found.mismatches
    assert found.done == found.probes == 150
