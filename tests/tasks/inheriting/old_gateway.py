"""The old gateway of Tarn Hollow as the examples have it, and its rules in a charter's terms.

The rules are written here by hand from `old.nft`, the way one would read them out of a listing.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from ipaddress import IPv4Address, IPv4Network, ip_network
from pathlib import Path

from netcharter.charter.services import Part
from netcharter.diagnostics import Span
from netcharter.tasks.inheriting.held import read_held
from netcharter.tasks.inheriting.host import host_facts
from netcharter.tasks.inheriting.naming import named
from netcharter.tasks.inheriting.recognise import recognise
from netcharter.tasks.inheriting.shapes import (
    Delivering,
    Facts,
    Held,
    Hiding,
    HostFacts,
    InheritedOffer,
    InheritedRule,
    Recognised,
    Term,
)

FOLDER = Path(__file__).parents[3] / "examples" / "tarn-hollow" / "old-gateway"
FILES = ("dnsmasq.conf", "leases", "equipment.csv")
AREAS = ("office", "instructors", "bunkrooms", "phones", "cameras", "tills", "barn")
INTERNET, GATEWAY = Term("internet"), Term("gateway")
WEB: tuple[Part, ...] = ((6, 80, 80), (6, 443, 443))
PINGS: tuple[Part, ...] = ((1, 0, 65535), (58, 0, 65535))


@cache
def held() -> Held:
    """Leases and reservations from all files."""
    found = Held()
    for name in FILES:
        found += read_held((FOLDER / name).read_bytes(), name)
    return found


@cache
def host() -> HostFacts:
    names = ("addresses.json", "routes.json", "routes6.json")
    addresses, *routes = ((FOLDER / name).read_bytes() for name in names)
    return host_facts(addresses, routes, names)


@cache
def facts() -> Facts:
    """What the ruleset translates."""
    hiding = Hiding(("eth0", "eth1"), (), None, line("masquerade"))
    booking = Delivering(("eth0",), (IPv4Address("203.0.113.10"),), IPv4Address("10.20.70.10"),
                         line("10.20.70.10 comment"))  # fmt: skip
    return Facts((hiding,), (booking,), ("eth0", "eth1", "eth2", "eth9"))


@cache
def found() -> Recognised:
    return recognise(host(), facts(), held(), named(["copper=eth0", "mast=eth1"], []))


def line(words: str) -> Span:
    """The place of the first line of the listing that has these words."""
    texts = (FOLDER / "old.nft").read_text("utf-8").splitlines()
    number = next(n for n, text in enumerate(texts, 1) if words in text)
    return Span("old.nft", number, 1, number, len(texts[number - 1]) + 1)


def rule(
    who: Sequence[Term | str],
    reach: Sequence[Term | str],
    services: Sequence[Part],
    words: str,
    let: bool = True,
) -> InheritedRule:
    """One rule; names stand for their terms."""
    span = line(words)
    text = (FOLDER / "old.nft").read_text("utf-8").splitlines()[span.line - 1].strip()
    return InheritedRule(let, terms(who), terms(reach), tuple(services), text, span)


def terms(some: Sequence[Term | str]) -> tuple[Term, ...]:
    return tuple(one if isinstance(one, Term) else Term(one) for one in some)


def part(area: str, *networks: str) -> Term:
    """Some addresses of an area."""
    return Term(area=area, networks=tuple(map(ip_network, networks)))


def place(name: str, *networks: str) -> Term:
    return Term(name, tuple(map(IPv4Network, networks)))


CARDS = place("card_company", "198.51.100.64/28")
VOICE = place("voice_provider", "198.51.100.128/28")


def rules() -> list[InheritedRule]:
    """The rules of the old gateway, those of input first."""
    contractor = Term("", (IPv4Network("198.51.100.200/32"),))
    lost = Term(hardware=(0x020000AA0005,))
    duty = part("office", "10.20.10.10/32")
    others = [area for area in AREAS if area != "bunkrooms"]
    return [
        rule([contractor], [GATEWAY], [(6, 22, 22)], "Easter 2019"),
        rule([*AREAS, "internet"], [GATEWAY], PINGS, "ipv6-icmp"),
        rule(["office"], [GATEWAY], [(6, 22, 22)], "admin from the office"),
        rule([duty], [GATEWAY], [(6, 22, 22)], "duty laptop"),
        rule([lost], ["anywhere"], [], "barred_hardware drop", let=False),
        rule(["office"], [INTERNET], [], "tidy up later"),
        rule(["office"], [INTERNET], WEB, "office browses"),
        rule(["office"], [INTERNET], [(6, 465, 465), (6, 993, 993)], "465, 993"),
        rule(["office"], ["barn"], [(6, 22, 22), (6, 443, 443)], "booking server"),
        rule([duty], ["phones", "cameras"], [(6, 443, 443)], "settings pages"),
        rule(["instructors"], [INTERNET], WEB, "tcp dport @web accept"),
        rule(["instructors"], [part("office", "10.20.10.40/32")], [(6, 631, 631)], "dport 631"),
        rule(["bunkrooms"], others, [], "guests stay out", let=False),
        rule(["bunkrooms"], [INTERNET], WEB, "calls home"),
        rule(["bunkrooms"], [part("tills", "10.20.60.20/32")], [(6, 9100, 9100)], "voucher"),
        rule(["phones"], [VOICE], [(17, 5060, 5060), (17, 16384, 16483)], "16384-16483"),
        rule(["phones"], [VOICE], [(6, 5060, 5061)], "{ 5060, 5061 }"),
        rule(["cameras"], [part("office", "10.20.10.30/32")], [(6, 554, 554)], "recorder"),
        rule(["cameras"], [INTERNET], [(17, 123, 123)], "clock"),
        rule(["tills"], [CARDS], [(6, 443, 443)], "@card_company tcp dport 443 accept"),
        rule(["barn"], [INTERNET], WEB, "mends"),
        rule(["barn"], [CARDS], [(6, 443, 443)], "deposits"),
    ]  # fmt: skip


def offers() -> list[InheritedOffer]:
    texts = (FOLDER / "old.nft").read_text("utf-8").splitlines()
    booking, desk = line('comment "booking"'), line("33890")
    return [
        InheritedOffer(((6, 443, 443),), ("copper",), IPv4Address("10.20.70.10"),
                       texts[booking.line - 1].strip(), booking),
        InheritedOffer(((6, 33890, 33890),), ("copper",), IPv4Address("10.20.10.21"),
                       texts[desk.line - 1].strip(), desk, port=3389),
    ]  # fmt: skip
