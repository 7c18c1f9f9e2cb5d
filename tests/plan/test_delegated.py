"""Prefixes that providers delegate: what stands in, what is refused, and what follows from a change.

Global unicast: RFC 4291 section 2.4 and IANA's special-purpose registry (RFC 6890), through the table
in `plan/registry.py`, which `test_registry.py` compares with packaged tables. Stand-ins: RFC 9637.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from ipaddress import IPv6Address, IPv6Network

import pytest

from netcharter.charter.read import read
from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding, make_plan
from netcharter.plan.delegated import STAND_INS
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.learning import usable
from netcharter.plan.shapes import Plan

DOCUMENTATION = IPv6Network("3fff::/20")  # RFC 9637
HEAD = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk, local-prefix: "fd12:3456:789a::/48"}
lines:
  copper: {device: eth0, address: automatic, prefix: delegated}
  mast: {device: eth1, address: automatic, prefix: delegated}
  fibre: {device: eth2, address: ["203.0.113.2/29", "2a00:b10::2/64"], prefix: "2a00:b11::/48", translator: "2a00:b14:0:0:64::/96"}
areas:
  home: {device: eth3, hosts: 12}
  yard: {device: eth4, hosts: 12, prefix: "2a00:b12:0:7::/64"}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
  shop: {area: yard, hardware: 02:00:00:aa:00:02, address: lasting}
places:
  bank: {prefixes: "2a00:b13::/48"}
"""


def planned(
    learnt: Mapping[str, str] = {}, text: str = HEAD, stand_ins: bool = True
) -> tuple[Plan, list[Diagnostic]]:
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    known = {line: IPv6Network(prefix) for line, prefix in learnt.items()}
    plan = make_plan(charter, None, known, stand_ins)
    return plan, [one for one in plan.notes if one.severity != "note"]


def told(learnt: Mapping[str, str], text: str = HEAD) -> list[tuple[str, str]]:
    return [(one.id, one.message) for one in planned(learnt, text)[1]]


def test_what_nobody_has_told_yet_has_a_stand_in_of_the_documentation_addresses() -> None:
    plan, wrong = planned()
    copper, mast, fibre = plan.lines
    assert wrong == [] and (copper.stands_in, mast.stands_in, fibre.stands_in) == (1, 1, 0)
    for line in (copper, mast):
        assert line.prefix is not None and line.prefix.subnet_of(DOCUMENTATION)
        assert line.prefix.prefixlen == 48
    assert copper.prefix != mast.prefix
    home = plan.areas[0]
    assert [one.line for one in home.subnets6] == [None, "copper", "mast", "fibre"]
    assert [n.id for n in plan.notes] == ["prefix-stands-in", "prefix-stands-in"]


def test_a_machine_has_no_stand_ins() -> None:
    plan, wrong = planned({"mast": "2a00:c00:5::/56"}, stand_ins=False)
    assert wrong == [] and plan.notes == ()
    assert [str(line.prefix) for line in plan.lines] == ["None", "2a00:c00:5::/56", "2a00:b11::/48"]
    assert [line.stands_in for line in plan.lines] == [False] * 3
    assert [one.line for one in plan.areas[0].subnets6] == [None, "mast", "fibre"]


def test_a_stand_in_keeps_clear_of_whatever_the_charter_says() -> None:
    first = next(STAND_INS.subnets(new_prefix=48))
    text = HEAD.replace("2a00:b13::/48", str(first)).replace("2a00:b11::/48", "3fff:fff:ff01::/48")
    plan, wrong = planned(text=text)
    assert wrong == []
    assert [str(line.prefix) for line in plan.lines[:2]] == [
        "3fff:fff:ff02::/48",
        "3fff:fff:ff03::/48",
    ]
    everything, _ = planned(text=HEAD.replace("2a00:b13::/48", "3fff::/16"))
    assert [str(line.prefix) for line in everything.lines[:2]] == [
        "3fff:fff:ff00::/48",
        "3fff:fff:ff01::/48",
    ]


def test_numbers_of_areas_and_hosts_stay_where_the_prefix_changes() -> None:
    before, _ = planned({"copper": "2a00:c00:1200::/56"})
    after, _ = planned({"copper": "2a00:c00:7700::/56"})
    for one, other in zip(before.areas, after.areas, strict=True):
        assert (one.number, one.v4, one.gateway4) == (other.number, other.v4, other.gateway4)
    was = [a for a in before.devices[1].addresses6 if a in IPv6Network("2a00:c00:1200::/56")]
    now = [a for a in after.devices[1].addresses6 if a in IPv6Network("2a00:c00:7700::/56")]
    moved = int(IPv6Address("2a00:c00:7700::")) - int(IPv6Address("2a00:c00:1200::"))
    assert [int(a) + moved for a in was] == [int(a) for a in now] and len(now) == 1


REFUSED = {
    "2a00:b11:0:100::/56": "overlaps 2a00:b11::/48, the prefix of fibre",
    "2a00:b10::/60": "overlaps 2a00:b10::/64, the network of fibre",
    "2a00:b12::/56": "overlaps 2a00:b12:0:7::/64, a prefix of yard",
    "2a00:b13::/56": "overlaps 2a00:b13::/48, of the place bank",
    "2a00:b14::/56": "overlaps 2a00:b14:0:0:64::/96, which leads to IPv4 addresses",
    "2a00:c00:1::/80": "is a /80",
    "2a00::/20": "more than any provider gives a site",
    "fd12:3456:789a::/56": "is not global unicast",
    "fe80::/56": "is not global unicast",
    "ff0e::/56": "is not global unicast",
    "2001:db8:7::/56": "lies in 2001:db8::/32",  # RFC 3849
    "3fff:7::/56": "lies in 3fff::/20",  # RFC 9637
    "2001:2:0:100::/56": "lies in 2001:2::/48",  # RFC 5180
    "2001:20:0:100::/56": "lies in 2001:20::/28",  # RFC 7343: reachable, and nobody's site
    "2001:4:0:100::/56": "lies in 2001::/23",  # RFC 2928
    "2001:4::/32": "overlaps 2001:4:112::/48",  # RFC 7535
    "2002:c000:201::/56": "lies in 2002::/16",  # RFC 3056: reachable is "not applicable"
}


@pytest.mark.parametrize("prefix", REFUSED)
def test_a_prefix_that_can_not_be_the_sites_is_an_error(prefix: str) -> None:
    ((ident, message),) = told({"copper": prefix})
    assert ident == "delegated-prefix-refused"
    assert message.startswith(f"{prefix}, delegated over copper, ") and REFUSED[prefix] in message


def test_of_two_lines_neither_gets_what_overlaps() -> None:
    found = told({"copper": "2a00:c00:1::/56", "mast": "2a00:c00:1::/60"})
    assert [ident for ident, _ in found] == ["delegated-prefix-refused"] * 2
    assert "the prefix of mast" in found[0][1] and "the prefix of copper" in found[1][1]


def test_a_block_in_which_the_charter_itself_has_addresses_is_real_there() -> None:
    text = HEAD.replace("2a00:b13::/48", "2001:db8:99::/48")
    assert told({"copper": "2001:db8:7::/56"}, text) == []
    assert [ident for ident, _ in told({"copper": "3fff:7::/56"}, text)] == [
        "delegated-prefix-refused"
    ]


@pytest.mark.parametrize(
    ("prefix", "without"),
    [("2a00:c00::/64", ["home", "yard"]), ("2a00:c00::/63", ["yard"]), ("2a00:c00::/62", [])],
)
def test_one_that_is_too_small_leaves_areas_without(prefix: str, without: list[str]) -> None:
    plan, wrong = planned({"copper": prefix})
    have = [a.name for a in plan.areas if any(s.line == "copper" for s in a.subnets6)]
    assert have == [a.name for a in plan.areas if a.name not in without]
    assert [(one.id, one.severity) for one in wrong] == [
        ("delegated-prefix-too-small", "warning")
    ] * bool(without)
    if without == ["yard"]:
        assert wrong[0].message.endswith("none is left for yard")


def test_what_was_learnt_for_a_line_that_does_not_ask_is_left_aside() -> None:
    plan, wrong = planned({"fibre": "2a00:c00::/56", "nobody": "2a00:c01::/56"})
    assert wrong == [] and str(plan.lines[2].prefix) == "2a00:b11::/48"


def test_of_two_that_overlap_the_newcomer_is_refused_whatever_its_place() -> None:
    charter = read(HEAD, "hut.yaml").charter
    assert charter is not None
    first, second = IPv6Network("2a00:c00:1::/56"), IPv6Network("2a00:c00:1::/60")
    for held, kept, left in (("copper", first, "mast"), ("mast", second, "copper")):
        good, refused = usable(charter, {"copper": first, "mast": second}, {held: kept})
        assert good == {held: kept} and list(refused) == [left]
        assert f"the prefix of {held}" in refused[left]
    assert usable(charter, {"fibre": first}, {}) == ({}, {})


def test_rfc7084_wpd_5_what_no_area_has_of_the_prefix_leads_nowhere() -> None:
    """Neither from a line, where it could go back and forth, nor from an area."""
    plan, _ = planned({"copper": "2a00:c00:1200::/56"})
    nobody = coding.address(IPv6Address("2a00:c00:1200:ff::1"))
    (own,) = [s.network for s in plan.areas[0].subnets6 if s.line == "copper"]
    world = coding.address(IPv6Address("2a00:b13::7"))
    now = Environment(frozenset({"copper"}), coding.NOBODY, datetime(2026, 11, 26, tzinfo=UTC))
    for entrance, source, hardware in (
        ("copper", world, coding.HARDWARE_NONE),
        ("home", coding.address(own[9]), 0x02_00_00_AA_00_09),
    ):
        found = fate(plan, Attempt(entrance, source, hardware, nobody, (6 << 16) + 443), now)
        assert not found.let and found.row.label == "unroutable"


def test_a_line_without_ipv6_next_hop_and_with_a_delegated_prefix_is_told() -> None:
    still = 'address: ["203.0.113.10/29", "2a00:b14::2/64"], next-hop: [203.0.113.9, "2a00:b14::1"]'
    for said, told_of in (("automatic", False), ("still", False), ("four", True)):
        written = {"automatic": "address: automatic", "still": still,
                   "four": "address: 203.0.113.10/29, next-hop: 203.0.113.9"}[said]  # fmt: skip
        text = HEAD.replace("eth1, address: automatic", f"eth1, {written}")
        found = told({}, text.replace('"203.0.113.2/29"', '"203.0.113.18/29"'))
        assert [one for one, _ in found] == ["delegated-leads-nowhere"] * told_of
