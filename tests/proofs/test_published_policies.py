"""What published policies ask of a gateway, asked of the demo's plan: one predicate, one test.

NIST SP 800-41r1 (2009), "Guidelines on Firewalls and Firewall Policy": the predicates a to l. How
sure the wording is: a and c to h by public summaries that agree; the others from memory.
RFC 6092 (2011), "Recommended Simple Security Capabilities in Customer Premises Equipment for
Providing Residential IPv6 Internet Service": the recommendations that a decision can meet.
RFC 2827 (BCP 38) and RFC 3704 (BCP 84) with the blocks of RFC 6890 and later: every forged source
is refused by name. What the model leaves to the kernel is looked up in the rendered settings.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from functools import cache
from ipaddress import ip_address, ip_network
from pathlib import Path

import pytest

from netcharter.plan import coding
from netcharter.plan.coding import GUEST, HARDWARE_NONE, NOBODY
from netcharter.plan.fate import Attempt, Environment, Outcome, fate
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.proofs import Proof, prove
from netcharter.render import render
from tests.oracle.naive import MULTICAST, NOT_GLOBAL
from tests.proofs.sites import charter, found, judged, planned

NOON = datetime(2026, 11, 3, 12, tzinfo=UTC)  # a Tuesday
DEMO = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "charter.yaml"
TCP, UDP, ICMP, ICMP6 = 6, 17, 1, 58
OUTSIDE = {4: "93.184.216.34", 6: "2606:2800::1"}  # addresses of the internet at large
PRIVATE = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")  # RFC 1918


@cache
def demo() -> Plan:
    return planned(DEMO.read_text("utf-8"))


@cache
def proof() -> Proof:
    return prove(demo(), NOON)


@cache
def kit(name: str) -> str:
    return render(demo()).files[name].decode()


AREAS = [area.name for area in demo().areas]
LINES = [line.name for line in demo().lines]
ENTRANCES = [*AREAS, *LINES, "gateway"]


def area_of(name: str) -> AreaPlan:
    return next(area for area in demo().areas if area.name == name)


def line_of(name: str) -> LinePlan:
    return next(line for line in demo().lines if line.name == name)


def device_address(name: str, family: int) -> str:
    device = next(d for d in demo().devices if d.name == name)
    return str((device.addresses4 if family == 4 else device.addresses6)[0])


def machine(entrance: str) -> int:
    """A hardware address that is welcome: where strangers are not, one that is at home there."""
    if entrance not in AREAS:
        return HARDWARE_NONE
    if not area_of(entrance).strangers_refused:
        return 0x00_00_5E_00_53_77  # a documentation address, RFC 9542 section 2.1.4
    return next(d.hardware[0] for d in demo().devices if d.area == entrance)


def source_at(entrance: str, family: int) -> str:
    """A source that belongs where it enters, global where there is a choice."""
    if entrance in LINES:
        return OUTSIDE[family]
    if entrance == "gateway":
        own = line_of("copper")
        return str(own.v4.ip if family == 4 else own.v6.ip)  # type: ignore[union-attr]
    area = area_of(entrance)
    homed = [d for d in demo().devices if d.area == entrance and machine(entrance) in d.hardware]
    if homed and homed[0].addresses4 and family == 4:
        return str(homed[0].addresses4[0])
    if family == 4:
        taken = {a for d in demo().devices for a in d.addresses4}
        return str(next(a for a in list(area.v4.hosts())[3:] if a not in taken))
    outward = next(s.network for s in area.subnets6 if s.line is not None)
    return str(outward[0xABC])


def decide(
    entrance: str,
    destination: str,
    service: tuple[int, int],
    *,
    source: str | None = None,
    who: str = NOBODY,
    hardware: int | None = None,
) -> Outcome:
    """The fate of one attempt while all lines are up."""
    to = ip_address(destination)
    start = ip_address(source or source_at(entrance, to.version))
    attempt = Attempt(
        entrance,
        coding.address(start),
        machine(entrance) if hardware is None else hardware,
        coding.address(to),
        (service[0] << 16) + service[1],
    )
    return fate(demo(), attempt, Environment(frozenset(LINES), who, NOON))


WEB, SSH, SNMP, SMTP = (TCP, 443), (TCP, 22), (UDP, 161), (TCP, 25)


# --- NIST SP 800-41r1 ----------------------------------------------------------------------------

PREDICATES = {
    "a": "default deny, inbound and outbound",
    "b": "invalid source or destination addresses dropped both ways",
    "c": "inbound with our own source dropped",
    "d": "RFC 1918 source inbound, and leaking outbound, dropped",
    "e": "127.0.0.0/8 and 0.0.0.0 as source or destination dropped",
    "f": "directed broadcast dropped both ways",
    "g": "IP source routing dropped",
    "h": "unauthenticated traffic from outside to the firewall itself dropped; SNMP inbound dropped",
    "i": "ICMP: not blanket; types needed for path MTU must pass",
    "j": "IPv6 by the same policy as IPv4, and tunnels blocked",
    "k": "management only encrypted, authenticated, from named hosts; separate admin accounts",
    "l": "rules commented with reason and owner; change control; review; back-up; logs; clocks",
}
# What is no decision about a connection and no finding about a charter, and why.
OUT_OF_SCOPE = {
    "k": "who has an account on the gateway is the host's affair, not the charter's",
    "l": "logs, back-ups and clocks belong to the running gateway",
}


@pytest.mark.parametrize("family", [4, 6])
def test_nist_a_what_no_rule_lets_is_refused_inbound_and_outbound(family: int) -> None:
    inside = device_address("recorder", family)
    for entrance, destination, service in (
        ("office", OUTSIDE[family], SMTP),
        ("tills", OUTSIDE[family], WEB),
        ("gateway", OUTSIDE[family], SMTP),
        ("copper", inside, WEB),
        ("copper", inside, SSH),
        ("tills", inside, WEB),
    ):
        outcome = decide(entrance, destination, service)
        assert (outcome.let, outcome.row.kind) == (False, "default"), (entrance, outcome)
    assert demo().rows[-1].kind == "default" and not demo().rows[-1].let
    assert demo().rows[-1].basis == "NIST SP 800-41r1 section 4.1"


INVALID = {
    4: ("0.0.0.0", "0.1.2.3", "127.0.0.1", "169.254.1.1", "224.0.0.9", "240.0.0.1",
        "255.255.255.255", "198.18.0.1", "192.0.2.1"),
    6: ("::", "::1", "::ffff:10.0.0.1", "100::1", "2001:db8:ffff::1", "fe80::1", "ff0e::1",
        "fc00::1"),
}  # fmt: skip


@pytest.mark.parametrize("family", [4, 6])
@pytest.mark.parametrize("entrance", [*AREAS, *LINES])
def test_nist_b_invalid_addresses_are_refused_both_ways(entrance: str, family: int) -> None:
    for address in INVALID[family]:
        as_source = decide(entrance, OUTSIDE[family], WEB, source=address)
        assert (as_source.let, as_source.row.label) == (False, "forged")
        if not ip_address(address).is_link_local or family == 4:  # a neighbour's is the gateway's
            as_destination = decide(entrance, address, WEB, who=_anybody(entrance))
            assert not as_destination.let
            assert as_destination.row.label in ("unroutable", "multicast")


def _anybody(entrance: str) -> str:
    return GUEST if entrance in AREAS and area_of(entrance).sign_in else NOBODY


@pytest.mark.parametrize("line", LINES)
def test_nist_c_our_own_source_does_not_come_in(line: str) -> None:
    own = [device_address("recorder", 4), device_address("recorder", 6), "203.0.113.10"]
    own += [str(a.gateway4) for a in demo().areas]
    own += [str(s.network[0x99]) for a in demo().areas for s in a.subnets6]
    for source in own:
        family = ip_address(source).version
        outcome = decide(line, device_address("booking", family), WEB, source=source)
        assert (outcome.let, outcome.row.label, outcome.manner) == (False, "forged", "silent")


@pytest.mark.parametrize("block", PRIVATE)
def test_nist_d_private_addresses_neither_come_in_nor_leak_out(block: str) -> None:
    address = str(ip_network(block)[-2])
    for line in LINES:
        assert decide(line, "203.0.113.10", WEB, source=address).row.label == "forged"
    for area in AREAS:
        outcome = decide(area, address, WEB, who=_anybody(area))
        assert (outcome.let, outcome.row.label) == (False, "unroutable")
        assert decide(area, OUTSIDE[4], WEB, source=address).row.label == "forged"


@pytest.mark.parametrize("address", ["127.0.0.1", "127.255.255.254", "0.0.0.0"])
@pytest.mark.parametrize("entrance", [*AREAS, *LINES])
def test_nist_e_loopback_and_nothing_are_no_addresses_on_a_wire(
    entrance: str, address: str
) -> None:
    for service in (WEB, SSH, (UDP, 53), (ICMP, 8 << 8)):
        assert not decide(entrance, OUTSIDE[4], service, source=address).let
        assert not decide(entrance, address, service, who=_anybody(entrance)).let


@pytest.mark.parametrize("area", AREAS)
def test_nist_f_directed_broadcasts_are_refused_both_ways(area: str) -> None:
    v4 = area_of(area).v4
    for address in (str(v4.network_address), str(v4.broadcast_address)):
        for entrance in ("copper", "mast", *AREAS, "gateway"):
            outcome = decide(entrance, address, (ICMP, 8 << 8), who=_anybody(entrance))
            assert (outcome.let, outcome.row.label) == (False, "directed-broadcast")
    for line in (line_of("copper"),):
        assert line.v4 is not None
        last = str(line.v4.network.broadcast_address)
        assert not decide("copper", last, (ICMP, 8 << 8)).let


def test_nist_g_source_routing_is_off_in_the_kernel() -> None:
    settings = kit("sysctl.conf")
    assert "net/ipv4/conf/all/accept_source_route = 0\n" in settings
    assert "net/ipv6/conf/all/accept_source_route = -1\n" in settings


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("family", [4, 6])
def test_nist_h_nothing_from_outside_reaches_the_gateway_itself(line: str, family: int) -> None:
    mine = [str(area.gateway4) for area in demo().areas] if family == 4 else [
        str(subnet.gateway) for area in demo().areas for subnet in area.subnets6
    ]  # fmt: skip
    mine += ["203.0.113.10"] if family == 4 else ["2001:db8:7aff::2"]
    for address in mine:
        for service in (SSH, (TCP, 23), (TCP, 80), (TCP, 443), (UDP, 53), (TCP, 53), SNMP,
                        (UDP, 162), (UDP, 123), (TCP, 8443), (UDP, 500), (UDP, 69)):  # fmt: skip
            outcome = decide(line, address, service)
            if outcome.let:  # what the charter offers there, and only by its own line
                assert outcome.row.kind == "offer" and (line, service) == ("copper", WEB)
                assert address == "203.0.113.10"
            else:
                assert outcome.manner == "silent"


def test_nist_h_management_protocols_do_not_come_in() -> None:
    for device in ("booking", "recorder", "printer"):
        for family in (4, 6):
            assert not decide("copper", device_address(device, family), SNMP).let


def test_nist_i_icmp_is_neither_refused_nor_let_as_a_whole() -> None:
    gateway = str(area_of("office").gateway4)
    assert decide("office", gateway, (ICMP, 8 << 8)).let
    assert not decide("office", gateway, (ICMP, 13 << 8)).let
    assert not decide("copper", "203.0.113.10", (ICMP, 5 << 8)).let
    table = kit("nftables.nft")
    # Too big, unreachable and their like pass with the conversation they belong to.
    related = table.partition("chain nc_related {")[2].partition("\n    }")[0]
    # RFC 792: 3 unreachable (4: fragmentation needed), 11 time exceeded, 12 parameter problem;
    # RFC 4443 section 2.1: errors are the types below 128 (2: packet too big).
    assert "icmp type { 3, 11, 12 } accept" in related
    assert "icmpv6 type 0-127 accept" in related


@pytest.mark.parametrize("entrance", ENTRANCES)
def test_nist_j_both_families_have_the_same_policy(entrance: str) -> None:
    places = {name: {4: device_address(name, 4), 6: device_address(name, 6)}
              for name in ("booking", "recorder", "printer", "till-1", "phone-hall")}  # fmt: skip
    places["internet"] = OUTSIDE
    for name, by_family in places.items():
        for service in (WEB, SSH, (TCP, 80), (TCP, 631), (UDP, 123), (UDP, 443), SMTP, (TCP, 554)):
            for who in {NOBODY, _anybody(entrance)}:
                four, six = (decide(entrance, by_family[v], service, who=who) for v in (4, 6))
                if name == "booking" and service == WEB:
                    continue  # an offer is translated in IPv4, and opens the server's own in IPv6
                assert (four.let, four.manner) == (six.let, six.manner), (name, service, four, six)


@pytest.mark.parametrize("entrance", [*AREAS, *LINES])
def test_nist_j_tunnels_are_refused(entrance: str) -> None:
    """IPv6 in IPv4 (protocol 41, RFC 4213) and behind translation (UDP 3544, RFC 4380)."""
    to = OUTSIDE[4] if entrance in AREAS else device_address("booking", 4)
    for service in ((41, 0), (UDP, 3544)):
        assert not decide(entrance, to, service, who=_anybody(entrance)).let


def test_nist_k_the_gateway_is_managed_by_ssh_from_named_machines_only() -> None:
    laptop = next(d for d in demo().devices if d.name == "duty-laptop")
    for entrance in AREAS:
        for family in (4, 6):
            area = area_of(entrance)
            gateway = str(area.gateway4 if family == 4 else area.subnets6[0].gateway)
            for service in (SSH, (TCP, 23), SNMP, (TCP, 8443)):
                assert not decide(entrance, gateway, service, who=_anybody(entrance)).let
            if not area.sign_in:  # where people sign in, the gate answers
                assert not decide(entrance, gateway, (TCP, 80)).let
                assert not decide(entrance, gateway, (TCP, 443)).let
    home = area_of("office")
    mine = decide("office", str(home.gateway4), SSH, source=device_address("duty-laptop", 4),
                  hardware=laptop.hardware[0])  # fmt: skip
    assert mine.let and mine.row.label == "management"


def test_nist_k_a_charter_without_a_named_way_in_is_told() -> None:
    nameless = judged(charter(site="{name: Hut, timezone: Europe/London}"))
    assert found(nameless, "no-management-path")
    assert not found(judged(charter()), "no-management-path")


def test_nist_l_rules_say_reason_and_owner_or_are_told() -> None:
    bare = judged(charter(
        rules="\n  - {let: home, reach: bank, with: https, until: 2027-11-01}\n"
    ))  # fmt: skip
    assert found(bare, "rule-without-reason") and found(bare, "exception-without-contact")
    assert not found(proof(), "rule-without-reason")
    assert not found(proof(), "exception-without-contact")
    table = kit("nftables.nft")
    for row in demo().rows:
        if row.kind in ("rule", "emergency", "offer"):
            assert f'comment "{row.label} at ' in table


def test_nist_every_predicate_has_a_test_or_a_reason() -> None:
    tests = [name.split("_")[2] for name in globals() if name.startswith("test_nist_")]
    assert set(tests) - {"every"} == set(PREDICATES)
    assert OUT_OF_SCOPE.keys() <= PREDICATES.keys()


# --- RFC 2827 and RFC 6890: forged sources -------------------------------------------------------

BLOCKS = [str(block) for block in (*NOT_GLOBAL, *MULTICAST)]
# All of fe80::/10 is the gateway's own (model, section 4), so from itself it is not forged.
FORGED = [(e, b) for e in ENTRANCES for b in BLOCKS if (e, b) != ("gateway", "fe80::/10")]


@pytest.mark.parametrize(("entrance", "block"), FORGED)
def test_a_source_from_a_special_block_is_forged(entrance: str, block: str) -> None:
    """Every entrance, every block, one forged packet. The last address of each block is nobody's
    here; what discovery and DHCP may send from special addresses is no https."""
    network = ip_network(block)
    source = str(network[-1])
    outcome = decide(entrance, OUTSIDE[network.version], WEB, source=source)
    assert (outcome.let, outcome.row.label, outcome.manner) == (False, "forged", "silent")


@pytest.mark.parametrize("entrance", AREAS)
@pytest.mark.parametrize("other", AREAS)
def test_a_source_of_another_area_is_forged(entrance: str, other: str) -> None:
    for family in (4, 6):
        outcome = decide(entrance, OUTSIDE[family], WEB, source=source_at(other, family),
                         who=_anybody(entrance))  # fmt: skip
        assert (outcome.row.label == "forged") == (entrance != other)


# --- RFC 6092 ------------------------------------------------------------------------------------

MULTICAST_SOURCES = ("ff02::1", "ff05::2", "ff08::1", "ff0e::1")
# RFC 6092 section 3.1: IPv4-mapped, IPv4-compatible, documentation, overlay (RFC 4843, returned),
# site-local; and what RFC 5156 lists.
FORBIDDEN = ("::ffff:192.0.2.1", "::ffff:10.0.0.1", "2001:db8:ffff::1", "2001:10::1", "100::1")


@pytest.mark.parametrize("entrance", ENTRANCES)
def test_rfc6092_rec_1_a_multicast_source_goes_nowhere(entrance: str) -> None:
    for source in MULTICAST_SOURCES:
        assert not decide(entrance, OUTSIDE[6], WEB, source=source).let
        assert not decide(entrance, device_address("booking", 6), WEB, source=source).let


@pytest.mark.parametrize("entrance", [*AREAS, *LINES])
def test_rfc6092_rec_2_multicast_of_no_scope_is_forwarded(entrance: str) -> None:
    for scope in range(3, 15):  # beyond the link (RFC 4291 section 2.7)
        outcome = decide(entrance, f"ff{scope:02x}::114", (UDP, 5353), who=_anybody(entrance))
        assert (outcome.let, outcome.row.label) == (False, "multicast")


@pytest.mark.parametrize("address", FORBIDDEN)
@pytest.mark.parametrize("entrance", [*AREAS, *LINES])
def test_rfc6092_rec_3_forbidden_addresses_are_not_forwarded(entrance: str, address: str) -> None:
    assert decide(entrance, OUTSIDE[6], WEB, source=address).row.label == "forged"
    outcome = decide(entrance, address, WEB, who=_anybody(entrance))
    assert (outcome.let, outcome.row.label) == (False, "unroutable")


def test_rfc6092_rec_4_routing_header_0_is_dropped() -> None:
    table = kit("nftables.nft")
    assert re.search(r"rt type 0 .*drop", table)


@pytest.mark.parametrize("area", AREAS)
def test_rfc6092_rec_5_outbound_sources_are_within_the_prefix(area: str) -> None:
    for source in (OUTSIDE[6], "2a00::1", "2001:db8:7aff::77"):
        assert decide(area, OUTSIDE[6], WEB, source=source).row.label == "forged"


@pytest.mark.parametrize("line", LINES)
def test_rfc6092_rec_6_inbound_sources_are_not_within_the_prefix(line: str) -> None:
    for source in ("2001:db8:7a00::1", "2001:db8:7a00:ffff::1", "2001:db8:7a00:7::6"):
        outcome = decide(line, device_address("booking", 6), WEB, source=source)
        assert (outcome.let, outcome.row.label) == (False, "forged")


def test_rfc6092_rec_7_unique_local_addresses_stay_inside() -> None:
    for area in AREAS:
        local = next(s.network for s in area_of(area).subnets6 if s.line is None)
        hardware = machine(area)
        outcome = decide(area, OUTSIDE[6], WEB, source=str(local[0xABC]), hardware=hardware,
                         who=_anybody(area))  # fmt: skip
        assert (outcome.let, outcome.row.label) == (False, "local-prefix")
        assert decide(area, "fd00:1234::1", WEB, who=_anybody(area)).row.label == "unroutable"
        for line in LINES:
            assert decide(line, str(local[0xABC]), WEB, source="fd00:1234::1").row.label == "forged"
            assert not decide(line, str(local[0xABC]), WEB).let


@pytest.mark.parametrize("line", LINES)
def test_rfc6092_rec_8_and_9_no_names_and_no_dhcp_for_those_outside(line: str) -> None:
    for address in ("2001:db8:7aff::2", "fe80::1", str(area_of("office").subnets6[0].gateway)):
        for service in ((UDP, 53), (TCP, 53), (TCP, 853), (UDP, 547)):
            assert not decide(line, address, service).let
            assert not decide(line, address, service, source="fe80::99").let


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("number", [1, 2])
def test_rfc6092_rec_10_18_36_errors_pass_only_with_their_conversation(
    line: str, number: int
) -> None:
    for code in range(8):
        outcome = decide(line, device_address("booking", 6), (ICMP6, number * 256 + code))
        assert not outcome.let  # as the first packet of anything
    table = kit("nftables.nft")
    related = table.partition("chain nc_related {")[2].partition("\n    }")[0]
    assert "icmpv6 type 0-127 accept" in related


@pytest.mark.parametrize("line", LINES)
def test_rfc6092_rec_21_to_24_not_met_nobody_starts_ipsec_from_outside_unasked(line: str) -> None:
    """The recommendations are for homes without a keeper; here the charter says who may start it."""
    for service in ((51, 0), (50, 0), (UDP, 500)):
        outcome = decide(line, device_address("booking", 6), service)
        assert (outcome.let, outcome.row.label) == (False, "default")


def test_rfc6092_rec_21_to_24_a_rule_lets_ipsec_through() -> None:
    rule = "\n  - {let: internet, reach: shop, with: [protocol/50, protocol/51, udp/500], because: b}\n"
    lines = "\n  dsl: {device: eth0, address: '2001:db8:1::2/64', next-hop: '2001:db8:1::1', prefix: '2001:db8:2::/48'}\n"
    plan = planned(charter(rules=rule, lines=lines))
    shop = next(str(d.addresses6[-1]) for d in plan.devices if d.name == "shop")
    here = Environment(frozenset({"dsl"}), NOBODY, NOON)
    source = coding.address(ip_address(OUTSIDE[6]))
    for protocol, number in ((50, 0), (51, 0), (UDP, 500)):
        code = coding.service(protocol, number)[0]
        to = coding.address(ip_address(shop))
        assert fate(plan, Attempt("dsl", source, HARDWARE_NONE, to, code), here).let
