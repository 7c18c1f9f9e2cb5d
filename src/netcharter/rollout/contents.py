"""A kit read back: what its files say, as values. They are ours, so an unknown line is an error."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from ipaddress import IPv4Interface, ip_interface
from typing import TypeVar

from netcharter.render.escape import bare_device
from netcharter.rollout import network, placing
from netcharter.rollout.escape import setting_line
from netcharter.rollout.listing import Unlisted, block
from netcharter.rollout.observe import OURS
from netcharter.rollout.shapes import Choice, Family, Held, Interface, Link, Lying, Route

FILES = (
    "links.batch",
    "addresses.batch",
    "nftables.nft",
    "sysctl.conf",
    "routes.batch",
    "routes6.batch",
)
MANIFEST = "manifest.json"
MANY = 255  # the class of all people beyond the 253rd
WHOLE = frozenset({"0.0.0.0/0", "::/0"})

T = TypeVar("T")
_UP = re.compile(r"link set dev (\S+) up\Z")
_SIZE = re.compile(r"link set dev (\S+) mtu (\d{1,5})\Z")
_VLAN = re.compile(r"link add link (\S+) name (\S+) type vlan id (\d{1,4})\Z")
_ADDRESS = re.compile(r"address replace (\S+/\d+)( broadcast \+)? dev (\S+)( preferred_lft 0)?\Z")
_SETTING = re.compile(r"(-?)([^\s=]+) = (\S+)\Z")
_OF_DEVICE = re.compile(r"net/ipv[46]/conf/([^/]+)/")
_AT = re.compile(r"/etc/(?:[a-z0-9][\w.@+-]*/)*[a-z0-9][\w.@+-]*", re.ASCII)
_UNIT = re.compile(r"netcharter-[a-z0-9-]{1,60}\.service")
_REPLACES = "table inet netcharter\ndelete table inet netcharter\n"
_TABLES = {"main": network.MAIN, "default": network.DEFAULT}


class KitBroken(ValueError):
    """A file of a kit says what no kit says. str(): file, line and what is wrong."""

    def __init__(self, name: str, line: int, why: str) -> None:
        where = f"{name}, line {line}" if line else name
        super().__init__(f"{where}: {why}; render the kit again")


@dataclass(frozen=True, slots=True)
class Contents:
    """What a kit says.

    links: by name, VLAN devices with parent and tag; devices: those that carry a line or an area,
    so that their addresses are the charter's; automatic: those of lines whose addresses others
    bring; text: the table; optional: settings that a kernel may lack; people: their identity
    classes; placed: files that lie elsewhere, by where; services: units that run while the kit
    stands, in the order in which they are begun, with the paths of the files they run by.
    """

    links: Mapping[str, Link]
    devices: frozenset[str]
    automatic: frozenset[str]
    addresses: tuple[Held, ...]
    routes: tuple[Route, ...]
    choices: tuple[Choice, ...]
    text: str
    settings: Mapping[str, str]
    optional: frozenset[str]
    people: Mapping[str, int]
    placed: Mapping[str, Lying]
    services: Mapping[str, tuple[str, ...]]

    @property
    def sessions(self) -> frozenset[str]:
        """Devices that come and go with what a line's service does, and bring their addresses."""
        return self.automatic - self.links.keys()


def contents(files: Mapping[str, bytes]) -> Contents:
    """Read a kit's files, by name. Raises KitBroken."""
    texts = {name: _text(files, name) for name in (*FILES, MANIFEST)}
    settings, optional = _settings(texts["sysctl.conf"])
    addresses = tuple(_each(texts, "addresses.batch", _address))
    named = {m[1] for name in settings if (m := _OF_DEVICE.match(name))} - {"all", "default"}
    routes, choices = _ways(texts)
    placed, services = _elsewhere(files, texts[MANIFEST])
    return Contents(
        links=_links(texts),
        devices=frozenset(named | {held.device for held in addresses}),
        automatic=frozenset(
            d for d in named if settings.get(f"net/ipv6/conf/{d}/accept_ra") == "2"
        ),
        addresses=addresses,
        routes=routes,
        choices=choices,
        text=_table(texts["nftables.nft"]),
        settings=settings,
        optional=optional,
        people=_people(texts[MANIFEST]),
        placed=placed,
        services=services,
    )


def _text(files: Mapping[str, bytes], name: str) -> str:
    try:
        return files[name].decode("ascii")
    except KeyError:
        raise KitBroken(name, 0, "the file is missing") from None
    except UnicodeDecodeError:
        raise KitBroken(name, 0, "it holds other bytes than ASCII") from None


def _lines(texts: Mapping[str, str], name: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(texts[name].splitlines(), 1):
        if line.strip() and not line.startswith("#"):
            yield number, line


def _each(texts: Mapping[str, str], name: str, read: Callable[[str], T]) -> Iterator[T]:
    """Every line but remarks through `read`, which raises ValueError for one it does not know."""
    for number, line in _lines(texts, name):
        try:
            yield read(line)
        except ValueError as problem:
            raise KitBroken(name, number, str(problem)) from None


# --- links, addresses, settings ------------------------------------------------------------------


def _links(texts: Mapping[str, str]) -> dict[str, Link]:
    found: dict[str, Link] = {}
    for said in _each(texts, "links.batch", _link):
        known = found.get(said.name, said)
        found[said.name] = Link(
            said.name,
            known.up or said.up,
            known.parent or said.parent,
            known.tag or said.tag,
            known.mtu or said.mtu,
        )
    return found


def _link(line: str) -> Link:
    """What one line says of a device."""
    if match := _UP.match(line):
        return Link(bare_device(match[1]), True)
    if match := _SIZE.match(line):
        return Link(bare_device(match[1]), False, mtu=int(match[2]))
    if match := _VLAN.match(line):
        return Link(bare_device(match[2]), False, bare_device(match[1]), int(match[3]))
    raise ValueError("no line about a device")


def _address(line: str) -> Held:
    match = _ADDRESS.match(line)
    if match is None:
        raise ValueError("no line about an address")
    interface: Interface = ip_interface(match[1])
    words: tuple[str, ...] = ()
    if match[2] and isinstance(interface, IPv4Interface):
        words = ("broadcast", str(interface.network.broadcast_address))
    if match[4]:  # of a line that failed (`steward.fading`)
        words += network.OVER
    return Held(bare_device(match[3]), interface, words)


def _settings(text: str) -> tuple[dict[str, str], frozenset[str]]:
    found: dict[str, str] = {}
    optional = set()
    for dash, name, value in _each({"sysctl.conf": text}, "sysctl.conf", _setting):
        found[name] = value
        if dash:
            optional.add(name)
    return found, frozenset(optional)


def _setting(line: str) -> tuple[str, str, str]:
    match = _SETTING.match(line)
    if match is None:
        raise ValueError("no line about a setting")
    setting_line(match[2], match[3])
    return match[1], match[2], match[3]


# --- routes and choices --------------------------------------------------------------------------


def _ways(texts: Mapping[str, str]) -> tuple[tuple[Route, ...], tuple[Choice, ...]]:
    routes: list[Route] = []
    choices: list[Choice] = []
    families: tuple[tuple[str, Family], ...] = (("routes.batch", 4), ("routes6.batch", 6))
    for name, family in families:
        for words in _each(texts, name, _way):
            if words[0] == "route":
                routes.append(_route(family, words[2:], name))
            else:
                choices.append(Choice(family, _choice(words[2:])))
    return tuple(routes), tuple(choices)


def _way(line: str) -> list[str]:
    words = line.split(" ")
    if words[:2] not in (["rule", "add"], ["route", "replace"]) or len(words) < 5:
        raise ValueError("no line about a route or a choice")
    return words


def _route(family: Family, words: list[str], name: str) -> Route:
    """In the words in which the kernel would tell it (`network.route`)."""
    said = network.pairs(words)
    hops, once = [], words
    if "nexthop" in words:
        place = words.index("nexthop")
        once, rest = words[:place], words[place:]
        hops = [rest[n : n + 7] for n in range(0, len(rest), 7)]
    if said.get("proto") != "static" or "table" not in said or words[0] not in WHOLE:
        raise KitBroken(name, 0, f"no route of a kit: {' '.join(words)[:80]}")
    via = [part for key in ("via", "dev") if key in once for part in (key, said[key])]
    rest = ["scope", "0"] if family == 4 else ["metric", network.METRIC6]
    told = ["default", *via, "table", said["table"], "proto", network.STATIC, *rest]
    each = hops if family == 4 else sorted(hops)
    return Route(family, (*told, *(word for hop in each for word in hop)))


def _choice(words: list[str]) -> tuple[str, ...]:
    behind = zip(["", *words], words, strict=False)
    return tuple(_TABLES.get(word, word) if key == "lookup" else word for key, word in behind)


# --- the packet filter and the manifest ----------------------------------------------------------


def _table(text: str) -> str:
    """The table alone, without the lines that make room for it."""
    _, found, rest = text.partition(_REPLACES)
    try:
        table = block(rest) if found else None
    except Unlisted as problem:
        raise KitBroken("nftables.nft", 0, str(problem)) from None
    if table is None or (table.family, table.name) != OURS:
        raise KitBroken("nftables.nft", 0, "it is not the one table inet netcharter")
    return rest


def _people(text: str) -> dict[str, int]:
    try:
        found = json.loads(text)["people"]
        return {str(name): int(number) for name, number in found.items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        raise KitBroken(MANIFEST, 0, "it does not list people") from None


def _elsewhere(
    files: Mapping[str, bytes], text: str
) -> tuple[dict[str, Lying], dict[str, tuple[str, ...]]]:
    """What is placed, and the services; kits of earlier versions list none."""
    placed: dict[str, Lying] = {}
    services: dict[str, tuple[str, ...]] = {}
    try:
        found = json.loads(text)
        rows = found.get("placed", [])
        for row in rows:
            data, at = files[row["file"]], row["at"]
            if not _AT.fullmatch(at) or "/../" in at or not placing.is_ours(data):
                raise ValueError("it is no file of ours")
            placed[at] = Lying(data.decode("ascii"), int(row["mode"], 8))
        for row in found.get("services", []):
            if not _UNIT.fullmatch(row["unit"]):
                raise ValueError("it is no unit of ours")
            named = set(row["files"])
            services[row["unit"]] = tuple(r["at"] for r in rows if r["file"] in named)
    except (ValueError, KeyError, TypeError, AttributeError):
        raise KitBroken(
            MANIFEST, 0, "what lies elsewhere and runs is not as kits list it"
        ) from None
    return placed, services


def classes(old: Mapping[str, bytes], new: Mapping[str, bytes]) -> dict[int, int]:
    """Identity classes of one kit's people as another kit numbers them; who is gone is left out.

    0 (nobody) and 1 (guests) are the same everywhere. 255 stands for many: it is left out.
    """
    before, after = contents(old).people, contents(new).people
    found = {number: after[name] for name, number in before.items() if name in after}
    return {0: 0, 1: 1} | {n: to for n, to in found.items() if n != MANY}
