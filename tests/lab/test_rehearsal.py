"""Whole rehearsals: of the demo site, of a small one, and of ones that cannot be."""

from __future__ import annotations

from ipaddress import IPv4Address

import pytest

from netcharter.charter.read import read
from netcharter.lab import rehearsal as rehearsing
from netcharter.lab.world import world
from netcharter.plan import coding, make_plan
from netcharter.plan.coding import HARDWARE_NONE, ICMP, NOBODY, TCP, UDP
from netcharter.plan.fate import Attempt, Environment
from netcharter.probes.programme import chosen, programme
from netcharter.probes.trials import Trial
from tests.lab.rehearsing import NOW, demo, kit, played, rehearsed, small

pytestmark = pytest.mark.kernel

NO_TIME = 0.0
OUTSIDE = IPv4Address("198.51.100.7")
FAR = IPv4Address("11.0.0.7")  # what is kept for examples is refused as a source from a line
HEAD = """\
charter: 1
site: {name: Tarn Hollow, timezone: Europe/London, local-prefix: 'fd12:3456:789a::/48'}
"""
DCCP = f"""{HEAD}\
lines: {{copper: {{device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}}}
areas: {{office: {{device: eth1, hosts: 20}}, barn: {{device: eth2, hosts: 3}}}}
devices: {{booking: {{area: barn, hardware: 02:00:00:aa:00:02, address: lasting}}}}
offers: [{{offer: dccp/5, on: copper, to: booking}}]
"""

ODD = {  # what was once foreseen, or read back, wrong
    "an ICMP query with a code that its reply does not repeat": """\
lines: {copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas: {office: {device: eth1, hosts: 20}, barn: {device: eth2, hosts: 3}}
rules: [{let: office, reach: barn, with: icmp/13}]
""",
    "a link-local next hop among lines that share": """\
lines:
  fibre: {device: eth0, address: "2001:db8:1::2/64", next-hop: "2001:db8:1::1", role: balanced}
  mast: {device: eth1, address: "2001:db8:2::2/64", next-hop: "fe80::1", role: balanced}
areas: {office: {device: eth2, hosts: 5}}
""",
    "a device whose name is a number": """\
lines: {copper: {device: eth0}}
areas: {office: {device: "1", hosts: 5}}
""",
    "a line's broadcast address, and an exit that allows another line alone": """\
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth1, address: 192.0.2.18/28, next-hop: 192.0.2.17, role: standby}
areas: {office: {device: eth2, prefix: 10.7.0.0/27}}
rules: [{let: office, reach: internet, with: [http, https]}]
exits: [{from: office, by: copper, or-else: refused}]
""",
}


def test_the_demo_site_does_as_its_charter_says() -> None:
    plan = demo()
    found = rehearsed(plan, kit(plan))
    assert [(each.probe.told, each.differences) for each in found.mismatches] == []
    assert found.kernel.same, found.kernel.differences[:3]
    assert found.ok and found.agreed == found.done == found.probes > 2000
    assert found.repeated == 0
    assert set(found.kinds) == {
        "plain", "talk", "fragments", "extension", "source-routed", "no-start", "no-question"
    }  # fmt: skip
    assert {"let", "reset", "prohibited", "silent"} <= set(found.fates)
    assert sum(found.kinds.values()) == sum(found.fates.values()) == found.done


def test_a_rehearsal_without_time_says_what_it_left() -> None:
    found = rehearsing.rehearse(small(), kit(small()), NOW, limit=50, seconds=NO_TIME)
    assert 50 >= found.probes > found.done == found.agreed == 0
    assert not found.ok
    assert [each.why for each in found.unprobed].count("the time was over") == 1


def test_progress_is_told_from_within_the_lab() -> None:
    heard: list[tuple[int, int, str]] = []
    found = rehearsing.rehearse(
        small(), kit(small()), NOW, limit=20,
        on_progress=lambda done, total, words: heard.append((done, total, words)),
    )  # fmt: skip
    # Said again when they are done: names are looked up, services found, clients ask, hosts listen.
    others = [found.probes] * 4
    assert [done for done, _, _ in heard if done] == [*range(1, found.probes + 1), *others]
    assert {total for _, total, _ in heard} == {found.probes}
    assert all(words for _, _, words in heard)


def test_a_rehearsal_needs_no_root() -> None:
    found = rehearsing.rehearse(small(), kit(small()), NOW, limit=60, as_user=True)
    assert found.agreed == found.probes, [each.differences for each in found.mismatches]


def test_an_offer_whose_port_conntrack_may_not_know_is_delivered() -> None:
    """This kernel tracks DCCP without ports, older ones with them; and no proof may hang on that."""
    charter = read(DCCP, "charter.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    found = rehearsed(plan, kit(plan))
    assert [(each.probe.told, each.differences) for each in found.mismatches] == []
    assert found.kernel.same
    assert "offer 1" in {each.row for each in programme(plan, world(plan), NOW).probes}
    ruleset = kit(plan)["nftables.nft"]
    asked = ruleset.replace(b"dccp dport 5 ", b"ct original proto-dst 5 ")
    assert asked != ruleset
    told = rehearsed(plan, {**kit(plan), "nftables.nft": asked})
    assert not told.kernel.same


ONE_WAY = f"""{HEAD}\
lines: {{copper: {{device: eth0, address: "2001:db8:7a0f::2/64", next-hop: "fe80::1"}}}}
areas: {{yard: {{device: eth1, hosts: 3}}}}
devices: {{printer: {{area: yard, hardware: 02:00:00:aa:00:02, address: lasting}}}}
rules: [{{let: [internet, copper, yard], reach: anywhere, with: anything}}]
"""


def test_answers_that_have_no_way_back_count_among_refusals_by_routing() -> None:
    """Linux refuses a source five times in quick succession (`ip_error`), whatever it sends."""
    charter = read(ONE_WAY, "charter.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    printer = coding.address(plan.devices[0].addresses4[0])
    up = Environment(frozenset({"copper"}), NOBODY, NOW)
    asked = [
        Attempt("copper", coding.address(FAR) + n, HARDWARE_NONE, printer, (TCP << 16) + 80)
        for n in range(8)
    ]
    asking = Attempt("yard", printer, 0x020000AA0002, coding.address(OUTSIDE), (UDP << 16) + 7)
    trials = [(Trial(each, up), "by hand") for each in (*asked, asking)]
    work = chosen(plan, world(plan), trials)
    refused = [each for each in work.probes if each.expected.answer == "prohibited"]
    answering = [each for each in work.probes if each.expected.arrives]
    assert len(answering) == 8 and [int(each.packet.source) for each in refused] != [printer]
    seen = played(plan, kit(plan), work, world(plan))
    assert seen.done == seen.agreed == len(work.probes)


@pytest.mark.parametrize("site", ODD)
def test_an_odd_site_does_as_its_charter_says(site: str) -> None:
    charter = read(HEAD + ODD[site], "charter.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    found = rehearsed(plan, kit(plan))
    assert [(each.probe.told, each.differences) for each in found.mismatches] == []
    assert found.ok and found.agreed == found.done > 300


@pytest.mark.parametrize(("number", "counted"), [(0, ("nc_invalid",)), (3 << 8 | 4, ())])
def test_a_refusal_sent_to_a_broadcast_address_comes_back_to_the_gateway(
    number: int, counted: tuple[str, ...]
) -> None:
    """Without a route the gateway refuses before it looks at the source, which here is for many;
    about an error it says nothing (RFC 1122 section 3.2.2)."""
    plan = small()
    area = plan.areas[0]
    source = coding.address(area.v4.broadcast_address)
    service = (ICMP << 16) + number
    attempt = Attempt(area.name, source, 0x020000AA0099, coding.address(OUTSIDE), service)
    none_up = Environment(frozenset(), NOBODY, NOW)
    work = chosen(plan, world(plan), [(Trial(attempt, none_up), "by hand")])
    assert [each.expected.counters for each in work.probes] == [counted]
    seen = played(plan, kit(plan), work, world(plan))
    assert seen.done == seen.agreed == 1


def test_a_mobility_header_for_the_gateway_is_listed_and_not_tried() -> None:
    """Linux takes in only whole ones (RFC 6275 section 9.2), from itself, too."""
    plan = small()
    here = coding.address(plan.areas[0].subnets6[0].gateway)
    attempt = Attempt("gateway", here, HARDWARE_NONE, here, 135 << 16)
    up = Environment(frozenset({"copper", "mast"}), NOBODY, NOW)
    work = chosen(plan, world(plan), [(Trial(attempt, up), "by hand")])
    assert work.probes == () and "mobility" in work.unprobed[0].why
