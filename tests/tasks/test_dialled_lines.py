"""Lines that are narrow, or dialled by PPPoE, in what is shown, compared and prepared."""

from __future__ import annotations

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.proofs.compare import moves
from netcharter.render import render
from netcharter.tasks.preparing import wanted_of
from netcharter.tasks.show import show
from netcharter.tasks.show_text import show_text

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  fibre: {device: eth0, vlan: 35%s}
areas:
  hall: {device: eth1, prefix: 10.7.1.0/24}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
DIALLED = ", pppoe: {as: site@isp.example}"


def plan_of(more: str = "", device: str = "eth0") -> Plan:
    found = read((CHARTER % more).replace("eth0", device), "hut.yaml")
    assert found.charter is not None, found.diagnostics
    return make_plan(found.charter)


def told(old: Plan, new: Plan) -> set[tuple[str, str, str]]:
    return {(one.what, one.before, one.after) for one in moves(old, new)}


def test_a_session_is_shown_with_what_carries_it() -> None:
    (line,) = show(plan_of(DIALLED)).lines
    assert (line["device"], line["mtu"], line["automatic"]) == ("ppp1", 1492, True)
    assert line["pppoe"] == {"as": "site@isp.example", "over": "eth0.35"}
    (plain,) = show(plan_of(", mtu: 1400")).lines
    assert (plain["device"], plain["mtu"], plain["pppoe"]) == ("eth0.35", 1400, None)
    assert show(plan_of()).lines[0]["mtu"] is None
    text = show_text(show(plan_of(DIALLED)), 200, False)
    assert "ppp1 over eth0.35" in text and "1492" in text


def test_what_is_dialled_otherwise_is_told_though_no_connection_changes() -> None:
    assert told(plan_of(), plan_of(", mtu: 1400")) == {("fibre: largest packet", "none", "1400")}
    assert told(plan_of(DIALLED), plan_of(DIALLED.replace("site", "hut"))) == {
        ("fibre: dialled by PPPoE as", "site@isp.example", "hut@isp.example")
    }
    assert told(plan_of(DIALLED), plan_of(DIALLED, "eth7")) == {
        ("fibre: interface", "eth0.35", "eth7.35")
    }
    assert not told(plan_of(DIALLED), plan_of(DIALLED))


def test_only_who_dials_is_asked_for_what_that_takes() -> None:
    for more, packages in (("", set()), (DIALLED, {"ppp"})):
        plan = plan_of(more)
        want = wanted_of(plan.charter, render(plan).files)
        every = {"dnsmasq-base", "unbound", "dns-root-data"}
        assert set(want.packages) == every | packages
        assert any("ppp" in path for path in want.placed) == bool(packages)
        assert [use.interface for use in want.uses] == ["eth0.35", "eth1"]
