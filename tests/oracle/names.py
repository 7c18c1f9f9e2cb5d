"""A deliberately naive second reading of section 11 of docs/explanation/model.md.

One look-up at a time, straight from a charter's YAML: no tree of names, no compiled lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from ipaddress import ip_network
from typing import Any

import yaml

from tests.oracle.naive import is_open
from tests.oracle.site import Address, Area, Device, Site

# Names that are nowhere in the world (section 11).
NOWHERE = ["invalid", "test", "local", "onion", "alt", "internal", "home.arpa", "resolver.arpa"]
# Addresses whose names are nowhere in the world: the zones of RFC 6303 section 4 and RFC 7793, as
# networks.
NAMELESS = [
    ip_network(text)
    for text in (
        "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16",
        "172.16.0.0/12", "192.0.2.0/24", "192.168.0.0/16", "198.51.100.0/24", "203.0.113.0/24",
        "255.255.255.255/32", "::/128", "::1/128", "fd00::/8", "fe80::/10", "2001:db8::/32",
    )
]  # fmt: skip
LOOPBACK = {"A": ["127.0.0.1"], "AAAA": ["::1"]}


@dataclass(frozen=True)
class Look:
    """asker: an address of the area; kind: A, AAAA, HTTPS, PTR."""

    area: str
    asker: Address
    name: str
    kind: str
    instant: datetime


@dataclass(frozen=True)
class Answer:
    """said: answer, withhold, rewrite NAME, none, or local with what is answered, in order."""

    said: str
    decider: str
    held: tuple[str, ...] = ()


def many(said: Any) -> list[str]:
    return [] if said is None else [said] if isinstance(said, str) else list(said)


def below(name: str, above: str) -> bool:
    return name == above or name.endswith("." + above)


class Charter:
    """The parts of a document that speak of names."""

    def __init__(self, text: str, site: Site) -> None:
        raw = yaml.load(text, Loader=yaml.BaseLoader)
        self.site = site
        self.domain: str = raw["site"].get("domain", "home.arpa")
        self.rules: list[dict[str, Any]] = raw.get("names") or []
        self.lists: dict[str, dict[str, Any]] = raw.get("lists") or {}
        self.offers: list[dict[str, Any]] = raw.get("offers") or []
        said = [prefix for area in raw["areas"].values() for prefix in many(area.get("prefix"))]
        self.written = [ip_network(prefix) for prefix in said]

    # --- who and when ---

    def asks(self, term: str, look: Look) -> bool:
        if term in ("anyone", look.area):
            return True
        device = self.site.devices.get(term)
        if device is None or not (device.roams or device.area == look.area):
            return False
        return look.asker in device.addresses

    def holds(self, rule: dict[str, Any], look: Look) -> bool:
        if "during" in rule and not is_open(self.site, rule["during"], look.instant):
            return False
        today = look.instant.astimezone(self.site.zone).date()
        return "until" not in rule or today <= date.fromisoformat(rule["until"])

    def speaks(self, rule: dict[str, Any], look: Look) -> bool:
        if not self.holds(rule, look) or not any(self.asks(t, look) for t in many(rule["for"])):
            return False
        if "rewrite" in rule:
            return look.name in many(rule["rewrite"])
        for term in many(rule.get("answer")) + many(rule.get("withhold")):
            if term == "anything":
                return True
            if term in self.lists:
                if self.listed(term, look.name):
                    return True
            elif "." not in term:
                topic = [n for n, said in self.lists.items() if said.get("topic") == term]
                if any(self.listed(name, look.name) for name in topic):
                    return True
            elif below(look.name, term.rstrip(".")):
                return True
        return False

    def listed(self, name: str, asked: str) -> bool:
        return any(below(asked, entry) for entry in many(self.lists[name]["entries"]))

    # --- what the gateway answers itself ---

    def known_here(self, name: str) -> bool:
        """Is it the site's own to say what this name is? Where nobody else has names in its domain,
        whatever stands below it; else the names that there are."""
        if self.local(name, None) is not None:
            return True
        alone = any(below(self.domain, one) for one in ("home.arpa", "test", "internal"))
        return below(name, self.domain) and (alone or "." not in self.domain)

    def told(self, device: Device) -> list[Address]:
        """Its addresses; of IPv6 those in the local prefix, and others where there are none."""
        four = [one for one in device.addresses if not isinstance(one, tuple) and one.version == 4]
        six = [one for one in device.addresses if not isinstance(one, tuple) and one.version == 6]
        lasting = [one for one in six if self.site.local is not None and one in self.site.local]
        return [*four, *(lasting or six)]

    def gateway(self, area: Area) -> list[Address]:
        """Its addresses in an area, less those of prefixes that providers gave and the plan shares out."""
        given = [line.prefix for line in self.site.lines.values() if line.prefix is not None]
        four = area.v4[1] if area.v4.prefixlen < 31 else area.v4[0]
        six = [
            network[1]
            for network in area.v6
            if network in self.written or not any(network[1] in prefix for prefix in given)
        ]
        return [four, *six]

    def local(self, name: str, where: str | None) -> list[str] | None:
        """The addresses of a name of the site's own, asked for in an area; None where it is none."""
        if name == f"gateway.{self.domain}":
            areas = [a for a in self.site.areas.values() if where in (None, a.name)]
            return [str(one) for area in areas for one in self.gateway(area)]
        for device in self.site.devices.values():
            if name == f"{device.name}.{self.domain}" and device.addresses:
                return [str(one) for one in self.told(device)]
        return [] if name == self.domain and where is not None else None

    def offered(self, name: str) -> list[str] | None:
        offers = [one for one in self.offers if name in many(one.get("as"))]
        if not offers:
            return None
        if len({one["to"] for one in offers}) == 1 and not any("at" in one for one in offers):
            return [str(one) for one in self.told(self.site.devices[offers[0]["to"]])]
        found: list[str] = []
        for one in offers:
            for line in many(one["on"]):
                four = [i.ip for i in self.site.lines[line].interfaces if i.version == 4]
                if "address" in one:
                    found.append(one["address"])
                elif four:
                    found.append(str(four[0]))
        return found or None

    def pointer(self, address: Address) -> str | None:
        """The name that an address leads back to."""
        if any(address in self.gateway(area) for area in self.site.areas.values()):
            return f"gateway.{self.domain}"
        for device in self.site.devices.values():
            if address in self.told(device):
                return f"{device.name}.{self.domain}"
        return None

    # --- the order of section 11 ---

    def answer(self, look: Look) -> Answer:
        name = look.name
        offered = self.offered(name)
        if offered is not None:
            return Answer("local", "offered-names", of_kind(offered, look.kind))
        if self.known_here(name):
            mine = self.local(name, look.area)
            if mine is None:
                return Answer("local: no such name", "local-names")
            return Answer("local", "local-names", of_kind(mine, look.kind))
        if below(name, "localhost"):
            return Answer("local", "local-names", tuple(LOOPBACK.get(look.kind, [])))
        address = address_of(name)
        if address is not None and any(in_area(area, address) for area in self.site.areas.values()):
            back = self.pointer(address)
            if back is None:
                return Answer("local: no such name", "local-names")
            return Answer("local", "local-names", (back,) if look.kind == "PTR" else ())
        if any(below(name, zone) for zone in NOWHERE):
            return Answer("none", "never-outside")
        if address is not None and any(address in network for network in NAMELESS):
            return Answer("none", "never-outside")
        for emergency in (True, False):
            for number, rule in enumerate(self.rules, 1):
                if ("emergency" in rule) != emergency:
                    continue
                bound = "answer" not in rule and any(self.asks(t, look) for t in many(rule["for"]))
                if bound and below(name, "use-application-dns.net"):
                    return Answer("none", "canary")
                if self.speaks(rule, look):
                    label = rule.get("name", f"names rule {number}")
                    if "rewrite" in rule:
                        return Answer(f"rewrite {rule['to']}", label)
                    return Answer("answer" if "answer" in rule else "withhold", label)
        return Answer("answer", "default")


def of_kind(found: list[str], kind: str) -> tuple[str, ...]:
    """The addresses that are answered to a question of a kind, each once."""
    wanted = {
        "A": [one for one in found if ":" not in one],
        "AAAA": [one for one in found if ":" in one],
    }
    return tuple(dict.fromkeys(wanted.get(kind, [])))


def in_area(area: Any, address: Any) -> bool:
    return address in area.v4 or any(address in network for network in area.v6)


def address_of(name: str) -> Any:
    """The address that a whole name of the reverse tree is about."""
    labels = name.split(".")
    if name.endswith(".in-addr.arpa") and len(labels) == 6:
        return ip_network(".".join(reversed(labels[:4])))[0]
    if name.endswith(".ip6.arpa") and len(labels) == 34:
        digits = "".join(reversed(labels[:32]))
        return ip_network(":".join(digits[i : i + 4] for i in range(0, 32, 4)))[0]
    return None
