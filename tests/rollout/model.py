"""A host as a small, stupid model: it takes what `ip`, `sysctl` and `nft` are given on standard
input, and does what Linux does along with it. It shares nothing with the code under test but the
shapes. What the kernel does is said beside each rule; `test_converge_small` shows it on a kernel.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from ipaddress import ip_interface
from typing import Any

from netcharter.rollout.shapes import (
    Choice,
    Element,
    Held,
    HostState,
    Link,
    Route,
    Run,
    Table,
)

FORWARDS = {"net/ipv4/ip_forward": "ipv4", "net/ipv6/conf/all/forwarding": "ipv6"}


class Refused(AssertionError):
    """What the kernel or the program would not do."""


@dataclass
class Model:
    """links by name; the rest in the order in which it came."""

    links: dict[str, Link] = field(default_factory=dict)
    held: list[Held] = field(default_factory=list)
    routes: list[Route] = field(default_factory=list)
    choices: list[Choice] = field(default_factory=list)
    tables: dict[tuple[str, str], Table] = field(default_factory=dict)
    settings: dict[str, str] = field(default_factory=dict)
    written: set[str] = field(default_factory=set)
    at: float = 0.0

    def state(self) -> HostState:
        def place(held: Held) -> tuple[Any, ...]:
            return held.device, held.interface.version, held.interface.network.exploded

        return HostState(
            at=self.at,
            links=tuple(sorted(self.links.values(), key=lambda link: link.name)),
            addresses=tuple(sorted(self.held, key=place)),
            routes=tuple(sorted(self.routes, key=lambda r: (r.family, r.words))),
            choices=tuple(sorted(self.choices, key=lambda c: (c.family, int(c.words[1]), c.words))),
            tables=tuple(self.tables[name] for name in sorted(self.tables)),
            settings=dict(self.settings),
        )

    def take(self, run: Run) -> None:
        text = run.stdin.decode("ascii")
        if run.argv[0] == "ip":
            family = 6 if "-6" in run.argv else 4
            for line in text.splitlines():
                try:
                    self._ip(family, line.split())
                except Refused:
                    if "-force" not in run.argv:
                        raise
        elif run.argv[0] == "sysctl":
            for line in text.splitlines():
                self._set(*line.split(" = "))
        elif run.argv[0] == "nft":
            self._nft(text)
        else:
            raise Refused(run.argv)

    # --- ip ---

    def _ip(self, family: Any, words: list[str]) -> None:
        kind, verb, rest = words[0], words[1], words[2:]
        if kind == "link":
            self._link(verb, rest)
        elif kind == "address":
            self._address(verb, rest)
        elif kind == "route":
            self._route(verb, Route(family, tuple(rest)))
        elif kind == "rule":
            self._rule(verb, Choice(family, tuple(rest)))
        else:
            raise Refused(words)

    def _link(self, verb: str, rest: list[str]) -> None:
        if verb == "add":
            parent, name, tag = rest[1], rest[3], int(rest[7])
            taken = {(link.parent, link.tag) for link in self.links.values()}
            if name in self.links or parent not in self.links or (parent, tag) in taken:
                raise Refused(rest)
            self.links[name] = Link(name, False, parent, tag, self.links[parent].mtu)
            for setting in [n for n in self.settings if "/conf/default/" in n]:
                key = setting.replace("/default/", f"/{name}/")
                self.settings[key] = self.settings[setting]
        elif verb == "del":
            if self.links.pop(rest[1], Link("", False)).parent is None:
                raise Refused(rest)
            self._lost(rest[1], {4, 6}, {4, 6})
            self.settings = {n: v for n, v in self.settings.items() if f"/{rest[1]}/" not in n}
        elif rest[2] == "mtu":
            self._size(rest[1], int(rest[3]))
        else:
            self._switch(rest[1], rest[2] == "up")

    def _size(self, name: str, mtu: int) -> None:
        """A VLAN device is no larger than the one it stands on, and goes down with it, not up
        (vlan_dev_change_mtu, vlan_device_event)."""
        link = self.links[name]
        above = self.links[link.parent].mtu if link.parent is not None else None
        if above is not None and mtu > above:
            raise Refused(name)
        self.links[name] = replace(link, mtu=mtu)
        for other in list(self.links.values()):
            if other.parent == name and other.mtu is not None and other.mtu > mtu:
                self._size(other.name, mtu)

    def _switch(self, name: str, up: bool) -> None:
        """A VLAN device goes and comes with the one it stands on; IPv6 addresses go with it."""
        link = self.links[name]
        if up and link.parent is not None and not self.links[link.parent].up:
            raise Refused(name)
        changed = link.up != up
        self.links[name] = replace(link, up=up)
        if changed and not up:
            self._lost(name, {6}, {4, 6})
        for other in list(self.links.values()):
            if other.parent == name and changed and other.up != up:
                self._switch(other.name, up)

    def _lost(self, device: str, addresses: set[int], routes: set[int]) -> None:
        self.held = [
            h for h in self.held if h.device != device or h.interface.version not in addresses
        ]
        self.routes = [r for r in self.routes if r.family not in routes or not _by(r, device)]

    def _address(self, verb: str, rest: list[str]) -> None:
        device = rest[rest.index("dev") + 1]
        held = Held(device, ip_interface(rest[0]), tuple(rest[1 : rest.index("dev")]))
        same = [h for h in self.held if h.device == device and h.interface == held.interface]
        if device not in self.links:
            raise Refused(rest)
        if verb == "add":
            here = {h.interface.ip for h in self.held if h.device == device}
            if same or (held.interface.version == 6 and held.interface.ip in here):
                raise Refused(rest)  # IPv6 knows an address once, whatever its prefix length
            self.held.append(held)
        else:
            if not same:
                raise Refused(rest)
            self._deleted(same[0])

    def _deleted(self, held: Held) -> None:
        """The first of a network takes the others along, unless they are promoted; the last IPv4
        address of a device all its IPv4 routes; any address the routes that send from it."""
        near = [
            h
            for h in self.held
            if h.device == held.device and h.interface.network == held.interface.network
        ]
        self.held.remove(held)
        if held.interface.version == 6:
            return
        promote = self.settings.get(f"net/ipv4/conf/{held.device}/promote_secondaries") == "1"
        if near[0] == held and not promote:
            self.held = [h for h in self.held if h not in near]
        source = str(held.interface.ip)
        self.routes = [r for r in self.routes if _after(r, "src") != source]
        if not any(h.device == held.device and h.interface.version == 4 for h in self.held):
            self._lost(held.device, set(), {4})

    def _route(self, verb: str, route: Route) -> None:
        device = _after(route, "dev")
        if device and (device not in self.links or not self.links[device].up):
            raise Refused(route)
        same = [r for r in self.routes if _key(r) == _key(route)]
        if verb == "del":
            if route not in self.routes:
                raise Refused(route)
            self.routes.remove(route)
        elif verb == "add" and same:
            raise Refused(route)
        else:
            if verb == "replace" and same:
                self.routes.remove(same[0])
            self.routes.append(route)

    def _rule(self, verb: str, choice: Choice) -> None:
        """A rule is looked for by what is said of it; what is not said fits anything."""
        asked = _said(choice)
        found = [c for c in self.choices if c.family == choice.family and asked <= _said(c)]
        if verb == "add":
            if found:
                raise Refused(choice)
            self.choices.append(choice)
        else:
            if not found:
                raise Refused(choice)
            self.choices.remove(found[0])

    # --- sysctl and nft ---

    def _set(self, name: str, value: str) -> None:
        if name not in self.settings:
            return  # as `sysctl -e`
        changed = self.settings[name] != value
        self.settings[name] = value
        self.written.add(name)
        if changed and name in FORWARDS:
            each = re.compile(rf"net/{FORWARDS[name]}/conf/(?!all/)[^/]+/forwarding\Z")
            self.settings |= {n: value for n in self.settings if each.match(n)}
            if name == "net/ipv4/ip_forward":
                self.settings["net/ipv4/conf/all/accept_redirects"] = str(1 - int(value))
        if name.startswith("net/ipv4/conf/default/") and not name.endswith("/forwarding"):
            for other in self.settings:
                same = other.rsplit("/", 1)[-1] == name.rsplit("/", 1)[-1]
                one = other.startswith("net/ipv4/conf/") and "/all/" not in other
                if same and one and other not in self.written:
                    self.settings[other] = value

    def _nft(self, text: str) -> None:
        """Tables as texts of our test, one after the other, in one go."""
        left = dict(self.tables)
        for part in re.findall(
            r"delete table .*\n|add element .*\n|table \S+ \S+ \{\n(?:.+\n)*?\}\n", text
        ):
            words = part.split()
            if words[0] == "delete":
                left.pop((words[2], words[3]), None)
            elif words[0] == "table":
                left[words[1], words[2]] = Table(words[1], words[2], part)
            else:
                table = left[words[2], words[3]]
                living = [_element(words[4], each) for each in part.split("{ ")[1].split(", ")]
                left[words[2], words[3]] = replace(table, living=(*table.living, *living))
        self.tables = left


def _element(owner: str, text: str) -> Element:
    found = re.match(r"(.*) timeout (\d+)ms", text)
    if found is None:
        raise Refused(text)
    return Element(owner, found[1], int(found[2]) / 1000)


def _after(route: Route, word: str) -> str:
    return route.words[route.words.index(word) + 1] if word in route.words else ""


def _by(route: Route, device: str) -> bool:
    return _after(route, "dev") == device


def _key(route: Route) -> tuple[Any, ...]:
    return (route.family, route.words[0], _after(route, "table"), _after(route, "metric"))


def _said(choice: Choice) -> set[str]:
    return set(
        re.findall(
            r"pref \S+|from \S+|iif \S+|lookup \S+|prohibit|fwmark \S+", " ".join(choice.words)
        )
    )
