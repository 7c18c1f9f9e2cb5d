"""What enacting changes, and whether a gateway holds: of recorded machines and of a live one.

The recordings are of gateways of namespaces: one with a kit of ours loaded, the same after its
tables went, and one that is no router. That a stock host passes nothing on is tried with real
packets: Linux drops what is not its own where `forwarding` is off (kernel documentation,
ip-sysctl).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, NoReturn

import pytest

from netcharter.lab import isolation, tools
from netcharter.lab.reading import Machine
from netcharter.lab.site import Site
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import GATEWAY
from netcharter.tasks.changes import Changes, Loaded, changes, loaded_now
from netcharter.tasks.holds import Holds, holds
from netcharter.tasks.sources import Unusable, unusable
from tests.docs.shapes import breaches, shapes
from tests.lab.rehearsing import NOW, SMALL, planned
from tests.lab.sites import Seen, at_site, possible, tcp

pytestmark = pytest.mark.kernel

REPAIRS = "  - {let: office, reach: [barn, tills], with: ssh, because: repairs}\n"
BOOKING = "10.88.0.86"
PAGE = Path(__file__).parents[2] / "docs" / "reference" / "json.md"
SHAPES = shapes(PAGE.read_text("utf-8"))


def before() -> Plan:
    return planned(SMALL)


def after() -> Plan:
    return planned(SMALL.replace(REPAIRS, ""))


@cache
def recorded() -> tuple[Loaded, Loaded, Loaded, Seen, Seen]:
    """The gateway with its kit; without tables; as no router. And what desk hears of booking in
    the last two."""
    possible(as_user=False)

    def work(site: Site) -> tuple[Loaded, Loaded, Loaded, Seen, Seen]:
        gateway = site.places[GATEWAY].namespace
        with isolation.inside(gateway):
            kit = loaded_now()
            tools.run(("nft", "flush", "ruleset"))
            stock = loaded_now()
        heard = tcp(site, "desk", "", "booking", BOOKING, 8080)
        with isolation.inside(gateway):
            for version in ("ipv4", "ipv6"):
                Path(f"/proc/sys/net/{version}/conf/all/forwarding").write_text("0", "ascii")
            idle = loaded_now()
        return kit, stock, idle, heard, tcp(site, "desk", "", "booking", BOOKING, 8080)

    return at_site(before(), work)


@cache
def over_stock() -> Changes:
    """Nothing of it is known to be in place, whatever somebody says."""
    found = changes(recorded()[1], before(), NOW, before())
    assert found.by == "listing"
    return found


def told(found: Changes | Holds) -> str:
    return " ".join(" ".join(found.lines(100)).split())


def rows(found: Changes | Holds) -> list[dict[str, Any]]:
    said = found.as_json()
    return [row for change in ("opened", "closed", "altered") for row in said[change]]


def test_over_its_own_kit_a_plan_changes_nothing() -> None:
    kit = recorded()[0]
    for kept, by in ((None, "listing"), (before(), "plan")):
        found = changes(kit, before(), NOW, kept)
        assert found.same and found.by == by and not rows(found)
        assert found.as_json()["totals"] == {"opened": "0", "closed": "0", "altered": "0"}
        assert "proven" in told(found) and found.summary == "no connection changes"


def test_the_rule_that_goes_is_the_row_that_closes() -> None:
    """The count by hand, of the listing: office's hosts times the others', ssh alone."""
    kit = recorded()[0]
    areas = {area.name: area for area in before().areas}
    others = [areas["barn"], areas["tills"]]

    def numbers(name: str, version: int) -> int:
        if version == 4:
            return (1 << 32 - areas[name].v4.prefixlen) - 3  # network, gateway, broadcast
        each = (1 << 64) - 2  # identifiers 0 and 1 are the gateway's
        return len(areas[name].subnets6) * each

    wanted = sum(numbers("office", v) * numbers(a.name, v) for v in (4, 6) for a in others)
    found = changes(kit, after(), NOW)
    (row,) = rows(found)
    assert row["count"] == found.as_json()["totals"]["closed"] == str(wanted)
    assert found.by == "listing" and not found.same and row["change"] == "closed"
    assert not found.as_json()["besides"]
    assert "office" in row["from"] and row["service"] == "ssh" and "ssh" in row["witness"]
    by_plan = changes(kit, after(), NOW, before())
    (row,) = rows(by_plan)
    assert by_plan.by == "plan" and row["before"]["decided_by"] == "rule 5"
    assert "closed" in by_plan.summary


def test_a_plan_that_is_not_what_is_loaded_is_not_believed() -> None:
    kit = recorded()[0]
    assert changes(kit, before(), NOW, after()).by == "listing"
    assert changes(kit, before(), NOW, before(), otherwise_same=False).by == "listing"


def test_a_host_without_tables_lets_everything_that_it_routes() -> None:
    heard = recorded()[3]
    assert heard.outcome == "answered"  # port 8080, which no rule of the charter lets
    said = over_stock().as_json()
    assert not said["opened"] and said["closed"] and said["read"]
    office = [row for row in said["closed"] if "office" in row["from"]]
    assert office and all("no chain" in row["before"]["decided_by"] for row in office)


def test_a_host_that_is_no_router_lets_nothing_through() -> None:
    idle, heard = recorded()[2], recorded()[4]
    assert heard.outcome == "silent"
    assert idle.forwards == frozenset() and recorded()[0].forwards == frozenset({4, 6})
    said = changes(idle, before(), NOW).as_json()
    opened = {row["after"]["decided_by"] for row in said["opened"]}
    assert {"rule 1", "rule 3", "rule 4", "rule 5"} <= opened
    assert all("passes nothing on" in row["before"]["decided_by"] for row in said["opened"])
    assert all("gateway" in row["to"] for row in said["closed"])


def test_a_witness_belongs_to_its_row() -> None:
    for row in rows(over_stock()):
        starts = row["witness"].split(" with the source ")[0].removeprefix("a machine behind ")
        assert starts in row["from"] or starts.startswith("the gateway itself"), row


def test_a_device_that_is_not_there_yet_has_its_area_s_name() -> None:
    moved = planned(SMALL.replace("device: eth5, hosts: 3", "device: eth2, vlan: 20, hosts: 3"))
    found = changes(recorded()[1], moved, NOW).as_json()
    assert "barn (eth2.20)" in " ".join(row["from"] + row["to"] for row in found["closed"])


# --- holds ---------------------------------------------------------------------------------------


def test_a_gateway_with_its_kit_holds() -> None:
    found = holds(before(), recorded()[0], NOW)
    assert found.ok and found.state == "as planned"
    said = found.as_json()
    assert said["same"] is True and said["kernel"]["same"] is True and not said["others"]
    assert "as planned" in told(found)


def test_another_plan_does_not_hold_and_the_difference_is_shown() -> None:
    found = holds(after(), recorded()[0], NOW)
    assert not found.ok and found.state == "otherwise"
    (row,) = rows(found)
    assert row["change"] == "closed" and "enacted again" in told(found)
    assert found.as_json()["kernel"]["same"] is False


def test_what_else_is_otherwise_counts() -> None:
    gone = "eth2 has no longer the address 10.88.0.1/28"
    found = holds(before(), recorded()[0], NOW, [gone])
    assert not found.ok and found.state == "otherwise" and found.as_json()["same"] is True
    assert found.as_json()["others"] == [gone] and gone in told(found)


def test_nothing_of_ours() -> None:
    found = holds(before(), recorded()[1], NOW)
    assert found.state == "nothing of ours" and not found.ok and rows(found)
    assert found.as_json()["kernel"] is None


@pytest.mark.parametrize("place", [0, 1], ids=["a-kit", "nothing-of-ours"])
def test_where_connections_cannot_be_told_it_is_said_that_the_kernel_is_otherwise_all_the_same(
    place: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that may make no namespaces knows that something differs, and not in what."""
    loaded = recorded()[place]
    assert isinstance(loaded, Loaded)

    def impossible(*_: Any) -> NoReturn:
        raise unusable("ruleset-not-loaded", "it takes namespaces", "nft list ruleset", "", "")

    monkeypatch.setattr("netcharter.tasks.changes.gateway_of", impossible)
    found = holds(after(), loaded, NOW)
    said = found.as_json()
    assert (found.state, found.ok) == (("otherwise", "nothing of ours")[place], False)
    assert said["untold"] == "it takes namespaces" and said["same"] is said["complete"] is False
    assert "can't be told: it takes namespaces" in told(found)
    assert "no connection is let" not in told(found), "nobody knows that"
    assert ("otherwise are" in told(found)) is (found.agreement is not None)
    assert list(breaches(said, "holds", SHAPES)) == []


def test_a_listing_of_another_form_proves_nothing() -> None:
    kit = recorded()[0]
    other = kit.machine.listing.replace('"json_schema_version": 1', '"json_schema_version": 2')
    assert other != kit.machine.listing
    said = replace(kit, machine=replace(kit.machine, listing=other))
    with pytest.raises(Unusable) as refused:
        holds(before(), said, NOW)
    assert [one.id for one in refused.value.diagnostics] == ["listing-other-version"]


def test_a_counter_that_is_missing_is_told_although_nobody_is_let_otherwise() -> None:
    kit = recorded()[0]
    name = '"nc_row_rule_4"'
    listing = kit.machine.listing
    assert f'{{"counter": {name}}}' in listing
    tampered = listing.replace(f'{{"counter": {name}}}', '{"counter": {"packets": 0, "bytes": 0}}')
    other = replace(kit, machine=replace(kit.machine, listing=tampered))
    found = holds(before(), other, NOW)
    assert found.state == "otherwise" and found.as_json()["same"] is True
    assert "no connection is let or delivered otherwise" in told(found) and "rule 4" in told(found)


def test_what_is_no_listing_is_told() -> None:
    wrong = Loaded(Machine("not nft", "", "[]", "[]", "[]"))
    for ask in (lambda: changes(wrong, before(), NOW), lambda: holds(before(), wrong, NOW)):
        with pytest.raises(Unusable):
            ask()
