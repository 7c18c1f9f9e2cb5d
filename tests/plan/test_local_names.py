"""Which names the gateway's resolver knows by itself, and which devices have none."""

from __future__ import annotations

import pytest
from dns.name import from_text

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.local_names import local_names
from netcharter.plan.shapes import Plan

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], domain: DOMAIN}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: "2001:db8:a::/48"}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
  yard: {device: eth4, prefix: 10.40.1.0/28}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
  lamp: {area: yard, hardware: 02:00:00:aa:00:02}
  cam: {area: yard, hardware: 02:00:00:aa:00:03, address: [10.40.1.9, "2001:db8:a:2::9"]}
  Büro: {area: hall, hardware: 02:00:00:aa:00:05, address: lasting}
"""


def planned(more: str = "", domain: str = "hut.example") -> Plan:
    charter = read(CHARTER.replace("DOMAIN", domain) + more, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def devices(plan: Plan) -> dict[str, list[str]]:
    return {one.name: [*map(str, one.addresses)] for one in local_names(plan).devices}


def test_a_device_with_known_addresses_is_called_by_its_name_in_the_domain() -> None:
    """In IPv6 by its address in the local prefix, where it has one there (RFC 4193)."""
    plan = planned()
    local = plan.areas[0].subnets6[0].network
    found = devices(plan)
    assert found["desk.hut.example"] == ["10.40.0.14", str(local[14])]
    assert found["cam.hut.example"] == ["10.40.1.9", "2001:db8:a:2::9"]
    assert "lamp.hut.example" not in found and not plan.notes


def test_rfc5891_a_name_of_other_letters_goes_by_its_a_label() -> None:
    """As dnspython encodes it (IDNA 2003, which says the same of this one)."""
    (wanted,) = (name for name in devices(planned()) if name.startswith("xn--"))
    assert wanted == from_text("Büro.hut.example").to_text(omit_final_dot=True)


def test_the_gateway_has_one_name_and_in_each_area_its_addresses_there() -> None:
    plan = planned()
    found = local_names(plan).gateway
    assert {one.name for one in found} == {"gateway.hut.example"}
    for area, one in zip(plan.areas, found, strict=True):
        assert one.addresses == (area.gateway4, area.subnets6[0].gateway)


@pytest.mark.parametrize(
    ("domain", "alone"),
    [("home.arpa", True), ("up.home.arpa", True), ("hut", True), ("hut.internal", True),
     ("hut.test", True), ("hut.example", False), ("my-home.arpa", False)],
)  # fmt: skip
def test_rfc8375_nobody_else_has_names_in_a_domain_of_homes(domain: str, alone: bool) -> None:
    """Section 4: never asked for outside. RFC 6761 section 6.2 has the same of `test`."""
    assert local_names(planned(domain=domain)).alone is alone


@pytest.mark.parametrize(
    ("domain", "others"),
    [("com", True), ("co.uk", True), ("school", True), ("arpa", True), ("in-addr.arpa", True),
     ("home.arpa", False), ("internal", False), ("hut", False), ("hut.co.uk", False)],
)  # fmt: skip
def test_the_public_suffix_list_tells_domains_in_which_others_have_names(
    domain: str, others: bool
) -> None:
    """Part "ICANN domains" of publicsuffix.org's list; RFC 8375 and RFC 6761 take some out."""
    told = [one for one in planned(domain=domain).notes if one.id == "domain-of-others"]
    assert [(one.severity, one.span and one.span.line) for one in told] == [("error", 3)] * others


@pytest.mark.parametrize(
    ("name", "why", "instead"),
    [
        ("left_door", "no name that hosts can have (RFC 1123)", "call it left-door"),
        ("door.2", "no name that hosts can have (RFC 1123)", "call it door-2"),
        ("door-", "no name that hosts can have (RFC 1123)", "call it door,"),
        ("Desk", "desk is called so already", "another name"),
        ("Gateway", "the gateway is called so already", "another name"),
        ("ü" * 60, "no name that hosts can have (RFC 1123)", "another name"),
    ],
)
def test_who_can_have_no_name_is_told(name: str, why: str, instead: str) -> None:
    more = f"  {name}: {{area: hall, hardware: 02:00:00:aa:00:09, address: lasting}}\n"
    plan = planned(more)
    (note,) = plan.notes
    assert (note.id, note.severity) == ("device-without-name", "note")
    assert why in note.message and instead in str(note.help)
    assert note.span is not None and note.span.line == 14
    assert len(devices(plan)) == 3


@pytest.mark.parametrize(("room", "taken"), [(189, True), (190, False)])
def test_rfc1035_2_3_4_a_domain_leaves_room_for_every_name(room: int, taken: bool) -> None:
    """Names end at 253 characters, and labels at 63."""
    domain = ".".join(["a" * 59] * 3)
    domain += "." + "b" * (room - len(domain) - 1)
    found = read(CHARTER.replace("DOMAIN", domain), "hut.yaml")
    assert [one.id for one in found.diagnostics] == ([] if taken else ["bad-domain"])
