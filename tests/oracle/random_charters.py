"""Random valid charters as YAML text, bent towards everything docs/explanation/model.md names."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from random import Random
from typing import Any

ZONES = (
    "Europe/London",
    "America/New_York",
    "Australia/Lord_Howe",  # half an hour of daylight saving
    "Asia/Kathmandu",  # a quarter of an hour off
    "Africa/Casablanca",  # winter time in Ramadan
    "America/Santiago",  # changes at midnight
    "UTC",
)
LINES = ("copper", "mast", "fibre")
AREAS = ("office", "bunkrooms", "tills", "barn", "phones", "yard")
DEVICES = ("booking", "duty-laptop", "printer", "till-1", "camera", "tablet", "kiosk", "recorder")
PEOPLE = ("rowan", "skye", "fern")
GROUPS = ("wardens", "leaders")
LINE_NETWORKS4 = ("203.0.113.8/29", "198.51.100.16/28", "100.64.7.0/24", "93.184.216.0/30")
FURTHER4 = ("9.9.9.9", "198.51.100.130", "93.184.217.7")
AREA_NETWORKS4 = (
    "10.1.0.0/24",
    "10.1.1.0/29",
    "10.1.1.8/30",
    "172.16.5.0/26",
    "192.168.77.128/25",
    "198.18.4.0/28",
)
PLACES = (
    "198.51.100.64/28",
    "198.51.100.64/30",
    "198.51.100.0/24",
    "203.0.113.0/24",
    "10.99.0.0/16",
    "10.99.4.0/24",
    "8.8.8.0/24",
    "0.0.0.0/1",
    "192.88.99.0/24",
    "2001:db8:cafe::/48",
    "2001:db8:cafe:40::/64",
    "2001:db8::/32",
    "2606:2800::/32",
    "fd77:7:7::/48",
    "fd5c:7a11::/32",  # around the site's local prefix
)
NAMES = (
    "dice.example",
    "www.dice.example",
    "cards.dice.example",
    "play.example.net",
    "example.org",
    "www.example.org",
    "use-application-dns.net",
)
KNOWN_AS = ("www.example.org", "booking.tarn-hollow.example", "shop.example.net")
LISTED = (
    "198.51.100.64/29",
    "198.51.100.68/30",
    "198.51.100.0/26",
    "203.0.113.0/24",
    "203.0.113.14",
    "10.0.0.0/8",
    "10.99.4.0/22",
    "8.8.8.0/25",
    "8.8.8.8",
    "8.8.8.8/29",
    "93.184.216.0/22",
    "192.88.99.1",
    "2001:db8:cafe:40::/60",
    "2001:db8:cafe::1",
    "2606:2800::/33",
    "2606:2800::1",
    "fd77:7:7::/48",
    "2001:db8:a100::/40",
)
SERVICES = (
    "ssh",
    "http",
    "https",
    "dns",
    "ntp",
    "ping",
    "sip",
    "smtp",
    "imaps",
    "tcp/8443",
    "udp/5000-5010",
    "tcp/1-1023",
    "icmp/8",
    "icmp/3/4",
    "icmpv6/128",
    "icmpv6/135",
    "protocol/47",
    "protocol/50",
)
WINDOWS = ("08:00-16:30", "22:00-06:00", "00:00-24:00", "12:00-12:00", "18:15-24:00", "01:30-02:15")
WEEKS = (  # keys that name each day at most once
    ("daily",),
    ("mon-fri", "sat-sun"),
    ("mon", "tue-thu", "sat", "sun"),
    ("wed", "thu", "fri-sun"),
)
EXCEPTIONS = (
    "2026-12-25",
    "2026-12-31 to 2027-01-02",
    "2027-03-28",
    "2027-05-01 to 2027-05-09",
)
TERMS = {
    "autumn": "2026-09-03 to 2026-12-18",
    "spring": ["2027-01-05 to 2027-02-12", "2027-02-22 to 2027-03-28"],
    "camp": ["2026-12-31", "2027-07-03 to 2027-07-05"],
}
UNTIL = ("2026-12-24", "2027-01-01", "2027-03-27", "2027-03-28", "2027-10-31")
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ./%_-]*\Z")


@dataclass
class Draft:
    """What has been chosen so far, so that later parts refer to what is there."""

    rng: Random
    explicit: bool  # every prefix and address is written out
    site: dict[str, Any] = field(default_factory=dict)
    lists: dict[str, dict[str, Any]] = field(default_factory=dict)
    resolvers: list[str] = field(default_factory=list)
    lines: dict[str, dict[str, Any]] = field(default_factory=dict)
    areas: dict[str, dict[str, Any]] = field(default_factory=dict)
    devices: dict[str, dict[str, Any]] = field(default_factory=dict)
    people: dict[str, dict[str, Any]] = field(default_factory=dict)
    groups: tuple[str, ...] = ()
    services: dict[str, list[str]] = field(default_factory=dict)
    places: dict[str, dict[str, Any]] = field(default_factory=dict)
    named: dict[str, dict[str, Any]] = field(default_factory=dict)  # places that are made of names
    hours: dict[str, dict[str, Any]] = field(default_factory=dict)
    terms: dict[str, Any] = field(default_factory=dict)
    networks4: dict[str, IPv4Network] = field(default_factory=dict)
    networks6: dict[str, IPv6Network] = field(default_factory=dict)
    taken: set[IPv4Address | IPv6Address] = field(default_factory=set)

    def chance(self, share: float) -> bool:
        return self.rng.random() < share

    def some(self, values: Any, least: int, most: int) -> list[Any]:
        found = list(values)
        return self.rng.sample(found, min(len(found), self.rng.randint(least, most)))

    def one_or_list(self, values: Any, most: int = 3) -> Any:
        found = self.some(values, 1, most if self.chance(0.4) else 1)
        return found[0] if len(found) == 1 and self.chance(0.7) else found


def random_charter(rng: Random) -> str:
    """One valid charter; half of them leave nothing for the plan to choose."""
    draft = Draft(rng, explicit=rng.random() < 0.5)
    draft.site = {"name": "Tarn Hollow", "timezone": rng.choice(ZONES)}
    if draft.explicit or draft.chance(0.5):
        draft.site["local-prefix"] = "fd5c:7a11:b0e::/48"
    _lines(draft)
    _areas(draft)
    _devices(draft)
    _people(draft)
    _words(draft)
    _time(Random(f"time {draft.areas}"), draft)
    _translators(Random(f"translators {draft.lines}"), draft)
    document = {
        "charter": "1",
        "site": draft.site,
        "lines": draft.lines,
        "areas": draft.areas,
        "devices": draft.devices,
        "people": draft.people,
        "groups": {name: {"because": "they belong together"} for name in draft.groups},
        "services": draft.services,
        "places": draft.places | draft.named,
        "terms": draft.terms,
        "hours": draft.hours,
        "lists": draft.lists,
        "resolvers": draft.resolvers,
        "hostile": _hostile(Random(f"hostile {draft.lists}"), draft),
        "rules": [_rule(draft, number) for number in range(rng.randint(1, 9))],
        "offers": _offers(draft),
        "names": _names(Random(f"names {draft.lists} {draft.devices}"), draft),
        "promises": [_promise(draft) for _ in range(rng.randint(2, 6))],
        "exits": [_exit(draft) for _ in range(rng.choice((0, 1, 2, 2, 3)))],
        "discovery": _discovery(Random(f"discovery {draft.areas}"), draft),
    }
    return "".join(_section(name, value) for name, value in document.items() if value)


def _discovery(rng: Random, draft: Draft) -> list[dict[str, Any]]:
    """Who finds what in another area, in half of the charters that have two areas."""
    names = list(draft.areas)
    if len(names) < 2 or rng.random() < 0.5:
        return []
    found = []
    for _ in range(rng.randint(1, 2)):
        rng.shuffle(names)
        cut = rng.randint(1, len(names) - 1)
        what = rng.sample(["printing", "casting", "files", "_ipp._tcp"], rng.randint(1, 2))
        found.append({"let": names[:cut], "find": what, "in": names[cut : cut + 2]})
    return found


def _translators(rng: Random, draft: Draft) -> None:
    """A provider may have a translator, with the prefix that all may have or one of its own."""
    for said in draft.lines.values():
        if rng.random() < 0.35:
            said["translator"] = rng.choice(["64:ff9b::/96", "2606:2800:64::/96"])


def _time(rng: Random, draft: Draft) -> None:
    """Who tells the time: names, somebody on the internet, a host in an area."""
    inside = [str(network[2]) for network in draft.networks4.values() if network.num_addresses > 4]
    if rng.random() < 0.4:
        some = ["time.example.net", "93.184.218.5", *inside[:1]]
        draft.site["time-servers"] = rng.sample(some, rng.randint(1, len(some)))
    if rng.random() < 0.3:
        draft.resolvers = rng.sample(["8.8.8.8", "93.184.218.5", "2606:2800::1"], rng.randint(1, 2))
    if rng.random() < 0.3:
        draft.site["domain"] = "tarn-hollow.example"


# --- lines, areas, devices -----------------------------------------------------------------------


def _lines(draft: Draft) -> None:
    rng = draft.rng
    networks = [IPv4Network(text) for text in draft.some(LINE_NETWORKS4, 3, 3)]
    for number, name in enumerate(draft.some(LINES, 1, 3)):
        said: dict[str, Any] = {"device": f"eth{number}"}
        if draft.chance(0.5):
            said["rate"] = {"down": "40 Mbit/s", "up": "8 Mbit/s"}
        v4, v6 = networks[number], IPv6Network(f"2001:db8:7a{number}f::/64")
        hosts = [f"{v4[2]}/{v4.prefixlen}", f"{v6[2]}/64"]
        hops = [str(v4[1]), rng.choice([str(v6[1]), "fe80::1"])]
        kind = rng.random()
        if kind < 0.35:
            said["address"] = "automatic"
        elif kind < 0.65:
            said |= {"address": hosts, "next-hop": hops}
        elif kind < 0.93:
            said |= {"address": hosts[0], "next-hop": hops[0]}
        else:
            said |= {"address": hosts[1], "next-hop": hops[1]}
        if draft.chance(0.5):
            length = rng.choice((48, 52, 56, 60))
            said["prefix"] = str(IPv6Network(f"2001:db8:a{number}00::/{length}"))
        if number and draft.chance(0.5):
            said["role"] = "standby"
        if Random(f"delegated {said}").random() < 0.15:
            said["prefix"] = "delegated"
        # Drawn from what is said already, so that everything else stays as it was drawn before.
        _further(Random(f"further {said}"), said, v4, FURTHER4[number])
        narrow = _narrow(Random(str(said)), said["address"] == "automatic")
        draft.lines[name] = said | narrow


def _further(rng: Random, said: dict[str, Any], v4: IPv4Network, alone: str) -> None:
    """Further IPv4 addresses, in the line's network or alone."""
    first = [said["address"]] if isinstance(said["address"], str) else said["address"]
    if ":" in first[0] or first[0] == "automatic" or rng.random() < 0.6:
        return
    more = [f"{v4[3]}/{v4.prefixlen}"] if v4.num_addresses > 6 else []
    more.append(f"{alone}/32")
    said["address"] = [*first, *rng.sample(more, rng.randint(1, len(more)))]


def _narrow(rng: Random, automatic: bool) -> dict[str, Any]:
    """How large its packets are, and whether it is dialled: no decision depends on it."""
    said: dict[str, Any] = {}
    if automatic and rng.random() < 0.4:
        said["pppoe"] = {"as": "site@isp.example"}
    if rng.random() < 0.4:
        said["mtu"] = str(rng.choice((1280, 1400, 1492) if said else (1280, 1492, 1500, 9000)))
    return said


def _areas(draft: Draft) -> None:
    rng = draft.rng
    networks = draft.some(AREA_NETWORKS4, 6, 6)
    for number, name in enumerate(draft.some(AREAS, 1, 6)):
        said: dict[str, Any] = {"device": f"eth{number + 4}"}
        given: list[str] = []
        if draft.explicit or draft.chance(0.3):
            draft.networks4[name] = IPv4Network(networks[number])
            given.append(networks[number])
        if draft.explicit or draft.chance(0.2):
            draft.networks6[name] = _given_64(draft, number)
            given.append(str(draft.networks6[name]))
        if given:
            said["prefix"] = given[0] if len(given) == 1 else given
        if name not in draft.networks4:
            said["hosts"] = str(rng.choice((1, 2, 5, 6, 13, 14, 30, 90, 200)))
            if draft.chance(0.4):
                said["growth"] = rng.choice(("50 %", "100 %"))
        if draft.chance(0.35):
            said["sign-in"] = "required"
        if draft.chance(0.25):
            said["strangers"] = "refused"
        if draft.chance(0.2):
            said["apart"] = "true"
        if draft.chance(0.2):
            said["manner"] = "quietly"
        draft.areas[name] = said | _lending(Random(f"lending {said}"))


def _lending(rng: Random) -> dict[str, Any]:
    """For how long addresses are lent, and to how many new ones: no decision depends on it."""
    said: dict[str, Any] = {}
    if rng.random() < 0.4:
        said["lease"] = rng.choice(("none", "10 min", "90 min", "12h", "7 days"))
    if rng.random() < 0.3:
        said["turnover"] = rng.choice(("3 per week", "20 per day", "9 per hour"))
    return said


def _given_64(draft: Draft, number: int) -> IPv6Network:
    """A /64 in the site's local prefix, in another local one, or inside a line's prefix."""
    prefixes = [said["prefix"] for said in draft.lines.values() if "prefix" in said]
    prefixes = [one for one in prefixes if one != "delegated"]
    if prefixes and draft.chance(0.15):
        prefix = IPv6Network(draft.rng.choice(prefixes))
        return list(prefix.subnets(new_prefix=64))[-1 - number]
    if draft.explicit and draft.chance(0.7):
        return IPv6Network(f"fd5c:7a11:b0e:{number + 16:x}::/64")
    return IPv6Network(f"fd99:1:2:{number:x}::/64")


def _devices(draft: Draft) -> None:
    rng = draft.rng
    for name in draft.some(DEVICES, 2, 7):
        area = rng.choice(list(draft.areas))
        said: dict[str, Any] = {"area": area}
        written = _written(draft, area) if draft.chance(0.7) else []
        count = rng.choice((0, 1, 1, 1, 2)) if written else rng.choice((1, 1, 2))
        hardware = [f"02:00:00:aa:{len(draft.devices):02x}:{i:02x}" for i in range(count)]
        if hardware:
            said["hardware"] = hardware[0] if count == 1 else hardware
        if written:
            said["address"] = written[0] if len(written) == 1 else written
        elif not draft.explicit and area not in draft.networks4 and draft.chance(0.7):
            room = int(draft.areas[area]["hosts"])
            used = sum(_claims(said) for said in draft.devices.values() if said["area"] == area)
            if used + count <= room:
                said["address"] = "lasting"
        if draft.chance(0.12):
            said["barred"] = "true"
        if draft.chance(0.2):
            said["roams"] = "true"
        if hardware and draft.chance(0.2):
            said["sign-in"] = "exempt"
        draft.devices[name] = said
    managers = [name for name, said in draft.devices.items() if "hardware" in said]
    if managers:
        draft.site["managed-from"] = draft.one_or_list(managers, 2)


def _claims(said: dict[str, Any]) -> int:
    """How many lasting addresses a device takes."""
    if said.get("address") != "lasting":
        return 0
    return 1 if isinstance(said["hardware"], str) else len(said["hardware"])


def _written(draft: Draft, area: str) -> list[str]:
    """Up to two IPv4 and one IPv6 address among the hosts of an area whose prefixes are given."""
    found: list[IPv4Address | IPv6Address] = []
    v4, v6 = draft.networks4.get(area), draft.networks6.get(area)
    if v4 is not None:
        usable = [a for a in list(v4.hosts())[1:] if a not in draft.taken]
        edges = usable[:2] + usable[-2:]
        found += draft.some(dict.fromkeys(edges), 0, 2)
    if v6 is not None and draft.chance(0.5):
        fresh = [a for a in (v6[2], v6[3], v6[-1], v6[0x1234], v6[257]) if a not in draft.taken]
        found += draft.some(fresh, 1, 1)
    draft.taken.update(found)
    return [str(address) for address in found]


# --- people and words ----------------------------------------------------------------------------


def _people(draft: Draft) -> None:
    draft.groups = tuple(draft.some(GROUPS, 0, 2))
    for name in draft.some(PEOPLE, 0, 3):
        groups = draft.some(draft.groups, 0, 2)
        draft.people[name] = {"groups": groups[0] if len(groups) == 1 else groups} if groups else {}
    used = {group for said in draft.people.values() for group in _listed(said.get("groups", []))}
    draft.groups = tuple(group for group in draft.groups if group in used)


def _listed(said: Any) -> list[Any]:
    return said if isinstance(said, list) else [said]


def _words(draft: Draft) -> None:
    rng = draft.rng
    for name in draft.some(("gauges", "calls", "prints"), 0, 2):
        draft.services[name] = draft.some([s for s in SERVICES if "/" in s], 1, 3)
    for name in draft.some(("payments", "updates", "weather", "telephony"), 0, 4):
        draft.places[name] = {"prefixes": draft.some(PLACES, 1, 3)}
    _lists(Random(f"lists {draft.places} {draft.lines}"), draft)
    _named(Random(f"named {draft.places} {draft.areas}"), draft)
    for name in draft.some(("lessons", "lights-out"), 0, 2):
        weekly = {
            day: draft.one_or_list(_apart(draft), 2) for day in draft.some(rng.choice(WEEKS), 1, 3)
        }
        dates = {
            day: "closed" if draft.chance(0.5) else rng.choice(WINDOWS)
            for day in draft.some(EXCEPTIONS, 0, 2)
        }
        draft.hours[name] = {"weekly": weekly} | ({"dates": dates} if dates else {})
        draft.hours[name] |= _terms(draft)


def _terms(draft: Draft) -> dict[str, Any]:
    """In some terms, outside others; two of five hours know none."""
    if draft.chance(0.4):
        return {}
    names = draft.some(TERMS, 1, 3)
    within = draft.rng.randint(0, len(names))
    draft.terms |= {name: TERMS[name] for name in names}
    said = {"terms": names[:within], "outside": names[within:]}
    return {key: value[0] if len(value) == 1 else value for key, value in said.items() if value}


def _lists(rng: Random, draft: Draft) -> None:
    """Lists of addresses of the charter's own, and now and then a place that is made of one."""
    for name in rng.sample(("scanners", "partners"), rng.choice((0, 0, 1, 2, 2))):
        entries = rng.sample(LISTED, rng.randint(1, 5))
        hops = [hop for said in draft.lines.values() for hop in _listed(said.get("next-hop", []))]
        entries += rng.sample(hops, min(len(hops), rng.randint(0, 1)))
        draft.lists[name] = {"of": "addresses", "entries": entries}
    if draft.lists and rng.random() < 0.6:
        draft.places["known-ones"] = {"list": rng.choice(list(draft.lists))}


def _names(rng: Random, draft: Draft) -> list[dict[str, Any]]:
    """Names rules, and the lists of names that they speak of, written out."""
    lists = rng.sample(("dice", "cards", "chat"), rng.randint(0, 3))
    for name in lists:
        draft.lists[name] = {"entries": rng.sample(NAMES, rng.randint(1, 4))}
        if rng.random() < 0.6:
            draft.lists[name]["topic"] = rng.choice(("gambling", "talk"))
    topics = [said["topic"] for said in draft.lists.values() if "topic" in said]
    known = [name for name, said in draft.devices.items() if "address" in said]
    found = []
    for number in range(rng.choice((0, 1, 3, 6))):
        word = rng.choice(("answer", "withhold", "withhold", "rewrite"))
        terms = [*NAMES, *lists, *lists, *topics, "example.", "anything"]
        what = list(dict.fromkeys(rng.choices(NAMES if word == "rewrite" else terms, k=2)))
        who = ["anyone"] if rng.random() < 0.2 else [*draft.areas, *known]
        said: dict[str, Any] = {
            word: what,
            "for": rng.sample(who, min(len(who), rng.randint(1, 2))),
        }
        if word == "rewrite":
            said["to"] = rng.choice(NAMES)
        if draft.hours and rng.random() < 0.3:
            said["during"] = rng.choice(list(draft.hours))
        elif word == "answer" and rng.random() < 0.3:
            said["emergency"] = "true"
        if rng.random() < 0.2:
            said["until"] = rng.choice(UNTIL)
        if rng.random() < 0.15:
            said["name"] = f"look-up {chr(97 + number)}"
        found.append(said)
    return found


def _named(rng: Random, draft: Draft) -> None:
    """Places that are made of domain names."""
    for name in rng.sample(("bank", "lessons-online", "clouds"), rng.choice((0, 0, 1, 1, 2, 3))):
        draft.named[name] = {"domains": f"{name}.example"}  # alike in every charter that has it


def _led(draft: Draft, said: dict[str, Any]) -> dict[str, Any]:
    """Some sentences reach such places, too, or nothing else."""
    rng = Random(f"led {said}")
    if draft.named and rng.random() < 0.4:
        some = rng.sample(sorted(draft.named), rng.randint(1, len(draft.named)))
        said["reach"] = some if rng.random() < 0.6 else [*_listed(said["reach"]), *some]
    return said


def _hostile(rng: Random, draft: Draft) -> dict[str, Any]:
    if not draft.lists or rng.random() < 0.2:
        return {}
    said: dict[str, Any] = {
        "lists": rng.sample(list(draft.lists), rng.randint(1, len(draft.lists)))
    }
    if rng.random() < 0.6:
        known = [name for name, device in draft.devices.items() if "address" in device]
        terms = [*draft.places, *known, "198.51.100.72/30", "8.8.8.8/32", "2001:db8:cafe:40::/60"]
        said["except"] = rng.sample(terms, rng.randint(1, 3))
    return said


def _apart(draft: Draft) -> list[str]:
    """Windows of one day that do not overlap."""
    if draft.chance(0.5):
        return [draft.rng.choice(WINDOWS)]
    return ["09:00-12:00", "13:00-17:45", "23:00-01:30"]


# --- rules, offers, promises ---------------------------------------------------------------------


def _who(draft: Draft) -> Any:
    inner = [*draft.areas, *draft.areas, *draft.devices]
    outer = [*draft.lines, *draft.places, "internet", "internet", "gateway", "anyone"]
    return draft.one_or_list(dict.fromkeys(
        draft.rng.choices([*inner, *inner, *draft.people, *draft.groups, *outer], k=4)
    ))  # fmt: skip


def _reach(draft: Draft) -> Any:
    known = [name for name, said in draft.devices.items() if "address" in said]
    names = [*draft.areas, *known, *draft.places, "internet", "internet", "gateway", "anywhere"]
    return draft.one_or_list(dict.fromkeys(draft.rng.choices(names, k=4)))


def _with(draft: Draft) -> Any:
    if draft.chance(0.25):
        return "anything"
    return draft.one_or_list([*SERVICES, *draft.services])


def _when(draft: Draft) -> dict[str, Any]:
    said: dict[str, Any] = {}
    if draft.hours and draft.chance(0.3):
        said["during"] = draft.rng.choice(list(draft.hours))
    if draft.chance(0.2):
        said["until"] = draft.rng.choice(UNTIL)
    return said


def _rule(draft: Draft, number: int) -> dict[str, Any]:
    word = "let" if draft.chance(0.72) else "refuse"
    said: dict[str, Any] = {word: _who(draft), "reach": _reach(draft), "with": _with(draft)}
    said |= _when(draft)
    if word == "let" and "during" not in said and draft.chance(0.15):
        said["emergency"] = "true"
    if word == "refuse" and draft.chance(0.4):
        said["manner"] = "quietly"
    if draft.chance(0.15):
        said["name"] = f"sentence {chr(97 + number)}"
    return _led(draft, said) | {"because": "it is wanted", "contact": "duty warden"}


def _offers(draft: Draft) -> list[dict[str, Any]]:
    known = [name for name, said in draft.devices.items() if "address" in said]
    found = []
    for number in range(draft.rng.randint(0, 3) if known else 0):
        said: dict[str, Any] = {}
        if draft.chance(0.35):
            said = {"offer": draft.rng.choice(("https", "ssh", "dns", "sip", "tcp/8443"))}
            said["at"] = draft.rng.choice(("80", "443", "8443", "2222"))
        else:
            said = {"offer": draft.one_or_list([s for s in SERVICES if "icmp" not in s])}
        said |= {"on": draft.one_or_list(draft.lines), "to": draft.rng.choice(known)}
        if draft.chance(0.4):
            terms = [*draft.areas, *draft.lines, *draft.places, "internet", "anyone"]
            said["from"] = draft.one_or_list(terms)
        if draft.chance(0.15):
            said["name"] = f"public {chr(97 + number)}"
        _met_at(Random(f"met at {said}"), draft, said)
        if Random(f"as {said}").random() < 0.5:
            said["as"] = Random(f"{said}").choice(KNOWN_AS)
        _per_source(Random(f"per source {said}"), draft, said)
        found.append(said | _when(draft) | {"because": "the public may"})
    return found


def _per_source(rng: Random, draft: Draft, said: dict[str, Any]) -> None:
    """Limits that no test comes near, where somebody from beyond the lines may come."""
    who = said.get("from", "anyone")
    beyond = {"anyone", "internet", *draft.lines, *draft.places}
    if rng.random() < 0.7 or not beyond.intersection([who] if isinstance(who, str) else who):
        return
    limits = {
        "new": rng.choice(("900 per second", "50000 per minute", "3000000 per hour")),
        "at-once": rng.choice(("20000", "65535")),
    }
    chosen = rng.sample(sorted(limits), rng.randint(1, 2))
    said["per-source"] = {key: limits[key] for key in chosen}


def _met_at(rng: Random, draft: Draft, said: dict[str, Any]) -> None:
    """One of several addresses, if the offer is on one line."""
    lines = [said["on"]] if isinstance(said["on"], str) else said["on"]
    known = draft.lines[lines[0]]["address"]
    if len(lines) == 1 and isinstance(known, list) and rng.random() < 0.6:
        four = [one.split("/")[0] for one in known if ":" not in one]
        said["address"] = rng.choice(four)


def _exit(draft: Draft) -> dict[str, Any]:
    said: dict[str, Any] = {"from": draft.one_or_list([*draft.areas, *draft.areas, *draft.devices])}
    if draft.places and draft.chance(0.25):
        said["reach"] = draft.one_or_list([*draft.places, "internet"])
    if draft.chance(0.35):
        said["with"] = _with(draft)
    said["by"] = draft.one_or_list(draft.lines)
    if draft.chance(0.7):
        said["or-else"] = draft.rng.choice(("refused", "refused", "refused", "others"))
    if draft.chance(0.3):
        said["together"] = "true"
    return said | {"because": "that line is for it"}


def _promise(draft: Draft) -> dict[str, Any]:
    word = draft.rng.choice(("never", "never", "always", "only"))
    said: dict[str, Any] = {word: _who(draft), "reach": _reach(draft)}
    if word == "always" or draft.chance(0.6):
        said["with"] = _with(draft)
    if word != "always" and draft.chance(0.3):
        said["except"] = "offers"
    if draft.hours and draft.chance(0.2):
        said["during"] = draft.rng.choice(list(draft.hours))
    return _led(draft, said) | {"because": "we say so"}


# --- writing -------------------------------------------------------------------------------------


def _section(name: str, value: Any) -> str:
    if isinstance(value, dict) and all(isinstance(v, (dict, list)) for v in value.values()):
        return f"{name}:\n" + "".join(f"  {k}: {_flow(v)}\n" for k, v in value.items())
    if isinstance(value, list):
        return f"{name}:\n" + "".join(f"  - {_flow(v)}\n" for v in value)
    return f"{name}: {_flow(value)}\n"


def _flow(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_flow(k)}: {_flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_flow(v) for v in value) + "]"
    return value if _PLAIN.match(value) else f'"{value}"'
