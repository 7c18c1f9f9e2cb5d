"""Plans for the render tests, made from charters that are written out as values."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time
from ipaddress import IPv4Interface, IPv4Network, IPv6Interface, IPv6Network, ip_address
from typing import Any

from netcharter.charter.model import (
    Area,
    Charter,
    Device,
    Hours,
    Line,
    Offer,
    Person,
    Place,
    Rule,
    Service,
    Site,
    Window,
)
from netcharter.diagnostics import Span
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan

NIGHT = Window(time(22, 0), time(7, 0))


def line(name: str, device: str, **said: Any) -> Line:
    plain = Line(name, device, None, None, (), True, (), "main", 1, None)
    return replace(plain, **said)


def area(name: str, device: str, prefix: str, **said: Any) -> Area:
    plain = Area(
        name,
        device,
        None,
        None,
        0.0,
        (IPv4Network(prefix),),
        False,
        False,
        False,
        False,
        None,
        None,
    )
    return replace(plain, **said)


def device(name: str, where: str, *hardware: int, **said: Any) -> Device:
    plain = Device(name, where, hardware, True, (), False, False, False, None, None)
    return replace(plain, **said)


def rule(name: str, let: bool, who: tuple[str, ...], reach: tuple[str, ...], **said: Any) -> Rule:
    plain = Rule(name, let, who, reach, ("anything",), None, None, None, None, False, False)
    return replace(plain, **said)


def offer(
    name: str, services: tuple[str, ...], lines: tuple[str, ...], to: str, **said: Any
) -> Offer:
    plain = Offer(name, services, lines, to, ("anyone",), None, None, None, None, None)
    return replace(plain, **said)


SERVICES = {
    "https": Service("https", ((6, 443, 443), (17, 443, 443))),
    "ssh": Service("ssh", ((6, 22, 22),)),
    "ping": Service("ping", ((1, 8 * 256, 8 * 256), (58, 128 * 256, 128 * 256))),
    "calls": Service("calls", ((17, 5000, 5010), (6, 5060, 5061))),
    "tunnel": Service("tunnel", ((47, 0, 0),)),
}


def small_charter() -> Charter:
    """Two lines, one of them automatic; sign-in, hours, a barred device, offers, both families."""
    return Charter(
        site=Site(
            "Tarn Hollow", "Europe/London", ("duty-laptop",), IPv6Network("fd5c:7a11:b0e::/48")
        ),
        lines={
            "copper": line(
                "copper",
                "eth0",
                addresses=(IPv4Interface("203.0.113.10/29"), IPv6Interface("2001:db8:7aff::2/64")),
                automatic=False,
                next_hops=(ip_address("203.0.113.9"), ip_address("2001:db8:7aff::1")),
                prefix=IPv6Network("2001:db8:7a00::/48"),
            ),
            "mast": line("mast", "eth1", role="standby"),
        },
        areas={
            "office": area("office", "eth2", "10.7.0.0/26"),
            "bunkrooms": area("bunkrooms", "eth3.20", "10.7.1.0/25", sign_in=True, quiet=True),
            "tills": area("tills", "eth4", "10.7.2.0/28", strangers_refused=True),
            "barn": area("barn", "eth5", "10.7.3.0/29"),
        },
        devices={
            "duty-laptop": device("duty-laptop", "office", 0x020000AA0001),
            "lost": device("lost", "office", 0x020000AA0005, barred=True, lasting=False),
            "till-1": device("till-1", "tills", 0x020000AA0101, lasting=False),
            "booking": device("booking", "barn", 0x020000AA0002),
            "bridge": device("bridge", "barn", 0x020000AA0007, 0x020000AA0008),
        },
        people={"rowan": Person("rowan", ("team",), None), "skye": Person("skye", (), None)},
        groups=("team",),
        services=SERVICES,
        places={
            "payments": Place(
                "payments", (IPv4Network("198.51.100.64/28"), IPv6Network("2001:db8:cafe::/48"))
            )
        },
        hours={"night": Hours("night", ((NIGHT,),) * 7, {})},
        rules=(
            rule(
                "calls first", True, ("office",), ("payments",), services=("calls",), emergency=True
            ),
            rule("rule 1", True, ("tills",), ("payments",), services=("https",)),
            rule("rule 2", False, ("bunkrooms",), ("internet",), during="night"),
            rule("rule 3", True, ("team",), ("internet",), services=("https", "ping")),
            rule(
                "rule 4",
                True,
                ("office",),
                ("booking",),
                services=("ssh",),
                until=date(2027, 3, 31),
            ),
            rule("rule 5", False, ("office",), ("payments",), quiet=True, services=("tunnel",)),
            rule("rule 6", True, ("office",), ("internet",)),
            rule("rule 7", True, ("payments",), ("gateway",), services=("ssh", "ping")),
        ),
        offers=(
            offer("offer 1", ("https",), ("copper",), "booking"),
            offer(
                "offer 2",
                ("ssh",),
                ("copper", "mast"),
                "bridge",
                at=2222,
                who=("payments", "office"),
            ),
        ),
        promises=(),
        spans={(): Span("charter.yaml", 1, 1, 1, 2)},
    )


def small_plan() -> Plan:
    return make_plan(small_charter())
