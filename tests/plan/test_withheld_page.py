"""Who may come to the page that says why a name is withheld: those from whom one is, and nobody else."""

from __future__ import annotations

from ipaddress import ip_address

from netcharter.charter.read import read
from netcharter.plan import coding, make_plan
from netcharter.plan.coding import TCP, UDP
from netcharter.plan.shapes import Plan, Row
from netcharter.space.ranges import has

CHARTER = """
charter: 1
site: {name: Hut, timezone: UTC, managed-from: [desk]}
lines: {copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas:
  hall: {device: eth2, prefix: 10.40.0.0/28}
  yard: {device: eth3, prefix: 10.40.1.0/28}
  barn: {device: eth4, prefix: 10.40.2.0/28}
devices:
  desk: {area: hall, hardware: '02:00:00:aa:00:01', address: lasting}
  cam: {area: yard, hardware: '02:00:00:aa:00:02', address: 10.40.1.5}
  tablet: {area: yard, hardware: '02:00:00:aa:00:03', address: 10.40.1.6, roams: true}
"""
HALL, HALL6 = "10.40.0.1", "fe80::1"


def planned(names: str) -> Plan:
    charter = read(CHARTER + names, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def the_row(plan: Plan) -> Row | None:
    return next((row for row in plan.rows if row.label == "withheld-page"), None)


def let(row: Row | None, entrance: str, source: str, to: str = HALL, port: int = 80,
        protocol: int = TCP) -> bool:  # fmt: skip
    assert row is not None and row.let
    return any(
        entrance in region.entrances
        and has(region.source, coding.address(ip_address(source)))
        and has(region.destination, coding.address(ip_address(to)))
        and has(region.service, coding.service(protocol, port)[0])
        for region in row.regions
    )


def test_an_area_may_come_to_every_address_of_the_gateway_inside_and_to_nothing_else() -> None:
    row = the_row(planned("names: [{withhold: bets.example, for: hall}]"))
    assert let(row, "hall", "10.40.0.9") and let(row, "hall", "fe80::9", HALL6)
    assert let(row, "hall", "10.40.0.9", "10.40.1.1")
    for entrance, source, to, port, protocol in (
        ("yard", "10.40.1.9", "10.40.1.1", 80, TCP),
        ("barn", "10.40.2.9", "10.40.2.1", 80, TCP),
        ("copper", "198.51.100.7", "203.0.113.10", 80, TCP),
        ("hall", "10.40.0.9", "203.0.113.10", 80, TCP),  # that of a line
        ("hall", "10.40.0.9", "10.40.1.9", 80, TCP),  # somebody else's
        ("hall", "10.40.0.9", HALL, 443, TCP),
        ("hall", "10.40.0.9", HALL, 80, UDP),
    ):
        assert not let(row, entrance, source, to, port, protocol), (entrance, source, to)


def test_a_device_may_come_by_its_own_addresses_where_it_is_at_home_or_roams() -> None:
    row = the_row(planned("names: [{withhold: bets.example, for: [cam, tablet]}]"))
    assert let(row, "yard", "10.40.1.5") and let(row, "hall", "10.40.1.6")
    assert not let(row, "hall", "10.40.1.5")
    assert not let(row, "yard", "10.40.1.9") and not let(row, "hall", "10.40.0.9")


def test_it_stands_at_all_hours_and_only_where_something_is_withheld() -> None:
    during = "hours: {lessons: {weekly: {mon: '08:00-09:00'}}}\n"
    row = the_row(planned(during + "names: [{withhold: a.example, for: hall, during: lessons}]"))
    assert let(row, "hall", "10.40.0.9")
    assert row is not None and all(region.when.during is None for region in row.regions)
    for names in ("", "names: [{answer: a.example, for: hall}]",
                  "names: [{rewrite: a.example, to: b.example, for: hall}]"):  # fmt: skip
        assert the_row(planned(names)) is None
    assert let(the_row(planned("names: [{withhold: a.example, for: anyone}]")), "barn", "10.40.2.9")
