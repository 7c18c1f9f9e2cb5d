"""What a ruleset opens: rot planted into a sound house, and near misses that must not be told.

What packets do is checked once more by looking them up one by one (readback/decide.py).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from netcharter.readback.decide import decide
from netcharter.readback.shapes import Host, Packet
from netcharter.readback.walk import decisions
from tests.readback.auditing import (
    DELIVERED,
    ESTABLISHED,
    FORGED,
    HOUSE,
    INSIDE4,
    INVALID,
    MASQUERADE,
    SERVER,
    House,
    Rules,
    by,
    delivering,
    only,
    out,
    source,
    tcp,
    to,
    udp,
)
from tests.readback.made import ACCEPT, DROP, TCP, code

SOUND = House()
FEW = {"prefix": {"addr": "198.51.100.0", "len": 24}}
GUARDED = (ESTABLISHED, INVALID, *FORGED)


def test_nothing_is_told_of_a_sound_house() -> None:
    assert SOUND.findings() == []


def told(house: House, host: Host = HOUSE) -> list[tuple[str, str]]:
    return [(one.id, one.severity) for one in house.findings(host)]


def incoming(*rules: tuple[dict[str, object], ...]) -> House:
    return replace(SOUND, input=(*SOUND.input, *rules))


def passing(*rules: tuple[dict[str, object], ...]) -> House:
    return replace(SOUND, forward=(*SOUND.forward, *rules))


def served(port: int, *asked: dict[str, object]) -> House:
    """A service of a machine inside, delivered from the line."""
    handed: Rules = ((by("up0"), tcp(port), delivering(SERVER)),)
    return replace(passing((*asked, to(SERVER), tcp(port), ACCEPT)), delivering=handed)


PLANTED = {
    "everything for the gateway": (
        [("open-to-line", "error")], incoming((by("up0"), ACCEPT))),
    "everything inside": (
        [("open-to-line", "error")], passing((by("up0"), ACCEPT))),
    "everything, with a pattern for the line": (
        [("open-to-line", "error")], passing((by("up*"), out("lan1"), ACCEPT))),
    "a service that anybody may meet": ([], incoming((by("up0"), tcp(443), ACCEPT))),
    "everything from few sources": ([("management-open", "warning")],
        incoming((by("up0"), source(FEW), ACCEPT))),
    "ssh": ([("management-open", "warning")], incoming((by("up0"), tcp(22), ACCEPT))),
    "telnet": ([("management-open", "error")], incoming((by("up0"), tcp(23), ACCEPT))),
    "snmp": ([("management-open", "error")], incoming((by("up0"), udp(161), ACCEPT))),
    "snmp from few": (
        [("management-open", "warning")], incoming((by("up0"), source(FEW), udp(161), ACCEPT))),
    "snmp over tcp is nothing": ([], incoming((by("up0"), tcp(161), ACCEPT))),
    "telnet from inside": ([], incoming((by("lan1"), tcp(23), ACCEPT))),
    "a desktop, delivered": (
        [("management-open", "error")], served(3389, DELIVERED)),
    "the web, delivered": ([], served(443, DELIVERED)),
    "past the translation": ([("inside-addressed-directly", "warning")], served(443)),
    "delivered, and nobody lets it": (
        [("delivery-refused", "warning")],
        replace(SOUND, delivering=((by("up0"), tcp(443), delivering(SERVER)),))),
    "delivered to another port, and the old one is let": (
        [("delivery-refused", "warning")],
        replace(passing((DELIVERED, to(SERVER), tcp(443), ACCEPT)),
                delivering=((by("up0"), tcp(443), delivering(SERVER, 8443)),))),
    "delivered to another port": (
        [], replace(passing((DELIVERED, to(SERVER), tcp(8443), ACCEPT)),
                    delivering=((by("up0"), tcp(443), delivering(SERVER, 8443)),))),
    "policy for the gateway": (
        [("policy-accept", "error")], replace(SOUND, policies={"input": "accept"})),
    "policy for what passes": (
        [("policy-accept", "error")], replace(SOUND, policies={"forward": "accept"})),
    "policy that only the inside meets": (
        [("policy-accept", "warning")],
        replace(SOUND, policies={"input": "accept"},
                input=(ESTABLISHED, INVALID, (by("up0"), DROP)))),
    "policy that nothing meets": (
        [], replace(incoming((DROP,)), policies={"input": "accept"})),
    "forged sources": (
        [("forged-let", "warning")],
        replace(SOUND, input=(ESTABLISHED, INVALID, (tcp(22, 53), by("lan0"), ACCEPT),
                              (by("up0"), tcp(443), ACCEPT)))),
    "forged ones in IPv6": (
        [("forged-let", "warning")],
        replace(SOUND, input=(ESTABLISHED, INVALID, FORGED[0], (by("up0"), tcp(443), ACCEPT)))),
    "whoever asks for an address has none": (
        [], replace(SOUND, input=(ESTABLISHED, INVALID, (by("up0"), udp(68), ACCEPT)))),
    "a service in IPv6 alone": (
        [("open-in-ipv6", "warning")],
        incoming((by("up0"), only("ipv6"), tcp(443), ACCEPT))),
    "a service in IPv4 alone": ([], incoming((by("up0"), only("ipv4"), tcp(443), ACCEPT))),
    "a service in both, by two rules": (
        [], incoming((by("up0"), only("ipv6"), tcp(443), ACCEPT),
                     (by("up0"), only("ipv4"), tcp(443), ACCEPT))),
    "all of IPv6": (
        [("open-in-ipv6", "error"), ("open-to-line", "error")],
        passing((by("up0"), only("ipv6"), ACCEPT))),
    "nothing is hidden": ([("hiding-missing", "warning")], replace(SOUND, hiding=())),
    "only a part is hidden": (
        [("hiding-missing", "warning")],
        replace(SOUND, hiding=((out("up0"), source("10.1.0.7"), MASQUERADE),))),
    "private sources are hidden": (
        [], replace(SOUND, hiding=((out("up0"), source(INSIDE4), MASQUERADE),))),
    "delivered and hidden, from the line": (
        [("hiding-too-wide", "warning")],
        replace(served(443, DELIVERED), hiding=(*SOUND.hiding, (out("lan1"), MASQUERADE)))),
    "delivered and hidden, from inside": (  # so that answers come back by the gateway
        [], replace(passing((DELIVERED, by("lan1"), to(SERVER), tcp(443), ACCEPT)),
                    delivering=((by("lan1"), to("203.0.113.2"), tcp(443), delivering(SERVER)),),
                    hiding=(*SOUND.hiding, (out("lan1"), MASQUERADE)))),
    "whatever goes inside is hidden, too": (
        [("hiding-too-wide", "note"), ("hiding-too-wide", "warning")],
        replace(served(443, DELIVERED), hiding=((only("ipv4"), MASQUERADE),),
                forward=(*served(443, DELIVERED).forward,
                         (by("lan0"), out("lan1"), tcp(80), ACCEPT)))),
}  # fmt: skip


@pytest.mark.parametrize(("expected", "house"), PLANTED.values(), ids=PLANTED)
def test_planted_rot_and_near_misses(expected: list[tuple[str, str]], house: House) -> None:
    found = [pair for pair in told(house) if not pair[0].startswith("listed-")]
    assert sorted(found) == expected


def let(house: House, entrance: str, source_: str, destination: str, port: int) -> bool:
    found = decisions(house.listing(), HOUSE)
    packet = Packet(entrance, code(source_), code(destination), (TCP << 16) + port, 2, 50000)
    answer = decide(found, packet, {})
    assert not answer.may
    return answer.leaves[0].verdict.let


STRANGER4, STRANGER6, OWN4, OWN6 = "198.51.100.9", "2001:db8:9::9", "203.0.113.2", "2001:db8:0:ff::2"  # fmt: skip


@pytest.mark.parametrize(
    ("name", "packets"),
    [
        ("everything for the gateway", [(STRANGER4, OWN4, 9), (STRANGER6, OWN6, 9)]),
        ("everything inside", [(STRANGER4, "10.1.0.9", 9)]),
        ("telnet", [(STRANGER4, OWN4, 23)]),
        ("a desktop, delivered", [(STRANGER4, OWN4, 3389)]),
        ("past the translation", [(STRANGER4, SERVER, 443)]),
        ("policy for the gateway", [(STRANGER4, OWN4, 9)]),
        ("forged sources", [("10.1.0.9", OWN4, 443)]),
        ("forged ones in IPv6", [("2001:db8:0:1::9", OWN6, 443)]),
        ("a service in IPv6 alone", [(STRANGER6, OWN6, 443)]),
    ],
)
def test_what_is_told_really_gets_in_and_into_the_sound_house_it_does_not(
    name: str, packets: list[tuple[str, str, int]]
) -> None:
    for packet in packets:
        assert let(PLANTED[name][1], "up0", *packet)
        assert not let(SOUND, "up0", *packet)


@pytest.mark.parametrize(
    ("name", "refused"),
    [
        ("the web, delivered", (STRANGER4, SERVER, 443)),
        ("a service in IPv6 alone", (STRANGER4, OWN4, 443)),
        ("delivered, and nobody lets it", (STRANGER4, OWN4, 443)),
    ],
)
def test_what_is_not_let_indeed(name: str, refused: tuple[str, str, int]) -> None:
    assert not let(PLANTED[name][1], "up0", *refused)


def test_places_and_words_of_a_finding() -> None:
    house = served(3389, DELIVERED)
    found = {one.id: one for one in house.findings()}
    rules = house.listing().chains["inet", "t", "forward"].rules
    handing = house.listing().chains["inet", "t", "delivering"].rules[0]
    assert found["management-open"].span == rules[-1].span
    assert (handing.span, "translated by this rule") in found["management-open"].related
    witness = found["management-open"].witness
    assert witness is not None and SERVER in witness and "up0" in witness


def test_without_a_line_little_can_be_told() -> None:
    found = incoming((by("up0"), ACCEPT)).findings(lines=())
    assert [one.id for one in found] == ["no-line-known"]


def test_without_addresses_and_routes_either_is_possible() -> None:
    """What a rule of either hook opens is told then, for both may be met."""
    unknown = Host(known=False)
    assert ("open-to-line", "error") in told(incoming((by("up0"), ACCEPT)), unknown)
    assert ("open-to-line", "error") in told(passing((by("up0"), ACCEPT)), unknown)
