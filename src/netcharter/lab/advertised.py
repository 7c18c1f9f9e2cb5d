"""Router advertisements in a lab: the kit's own dnsmasq at the gateway, and hosts that listen.

One station of each area forgets its IPv6 addresses and routes and learns them as any host does
(RFC 4861, RFC 4862), by its kernel. What it has then is compared with the plan: a prefix too many
is as wrong as one too few. Then the gateway's addresses in the prefixes of lines lose their
preferred time, as when the lines fail, and every station has to have heard of it.

All of it comes when the probes are done, since here machines ask each other, and counters count it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network

from netcharter.lab import isolation, tools
from netcharter.lab.serving import running
from netcharter.lab.settings import put
from netcharter.lab.site import KIT, Site
from netcharter.lab.topology import link_local
from netcharter.plan.shapes import AreaPlan, Plan
from netcharter.probes.shapes import GATEWAY, Place, Station
from netcharter.render.advertising import CONF, leads_out
from netcharter.render.escape import bare_device
from netcharter.render.lending import LEASES

PROGRAM, PACKAGE = "dnsmasq", "dnsmasq-base"
PATIENCE = 20.0  # seconds until everybody has heard; dnsmasq takes one or two
LOOK = 0.05  # seconds between two looks
MISSING = f"no {PROGRAM} was found on this machine; install {PACKAGE}"
# if_inet6 and ipv6_route of proc(5): linux/if_addr.h, linux/ipv6_route.h, linux/route.h
_LASTING, _OVER, _UNSURE, _GLOBAL = 0x80, 0x20, 0x40, "00"
_BY_GATEWAY, _WHOLE = 0x2, ("0" * 32, "00")
_NOBODY = "no machine stands there that the charter lets listen"


@dataclass(frozen=True, slots=True)
class Learnt:
    """What a host has learnt. prefixes: each /64, and whether its preferred time is over; ways: the
    routers that it takes as a way to everywhere."""

    prefixes: Mapping[IPv6Network, bool]
    ways: frozenset[IPv6Address]


@dataclass(frozen=True, slots=True)
class Advertised:
    """What became of router advertisements. skipped: why nothing was tried, else ""; areas, prefixes:
    in how many areas a host listened, and how many prefixes there are altogether; of_lines: how many
    of them belong to lines; untried: areas in which nobody could listen; differences: sentences."""

    skipped: str = ""
    areas: int = 0
    prefixes: int = 0
    of_lines: int = 0
    way_out: bool = False
    untried: tuple[str, ...] = ()
    differences: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        return not self.differences


def advertised(
    plan: Plan, files: Mapping[str, bytes], site: Site, stations: Sequence[Station]
) -> Advertised:
    """Let the gateway of a site advertise, and hosts listen. Raises CommandFailed where dnsmasq does
    not begin, or a command fails."""
    if CONF not in files:
        return Advertised("there is no area")
    if tools.path_of(PROGRAM) is None:
        return Advertised(MISSING)
    hosts = {area.name: found for area in plan.areas if (found := host_of(plan, area, stations))}
    listening = [area for area in plan.areas if area.name in hosts]
    places = {name: site.places[station.name] for name, station in hosts.items()}
    gateway = site.places[GATEWAY]
    wanted = {area.name: _wanted(plan, area, gateway.hardware, over=False) for area in listening}
    led = {area.name: _wanted(plan, area, gateway.hardware, over=True) for area in listening}
    with isolation.inside(gateway.namespace):
        speaking(listening)
    for place in places.values():
        _forgetful(place)
    with dnsmasq(gateway.namespace, files[CONF]) as still_there:
        wrong = [*_compared(wanted, places, still_there, "")]
        if not wrong and any(area.subnets6[1:] for area in listening):
            with isolation.inside(gateway.namespace):
                tools.run(("ip", "-6", "-batch", "-"), _failing(plan, listening))
            wrong += _compared(led, places, still_there, "once its line has failed ")
    known = [subnet for area in listening for subnet in _subnets(plan, area)]
    return Advertised(
        areas=len(listening),
        prefixes=len(known),
        of_lines=sum(of_line for _, of_line in known),
        way_out=leads_out(plan),
        untried=tuple(f"{area.name}: {_NOBODY}" for area in plan.areas if area.name not in hosts),
        differences=tuple(wrong),
    )


def host_of(plan: Plan, area: AreaPlan, stations: Sequence[Station]) -> Station | None:
    """Who listens and asks in an area: one of its own devices, else a stranger where those are welcome."""
    barred = {number for device in plan.devices if device.barred for number in device.hardware}
    home = {n for device in plan.devices if device.area == area.name for n in device.hardware}
    there = [s for s in stations if s.entrance == area.name and s.hardware not in barred]
    own = [station for station in there if station.hardware in home]
    others = [] if area.strangers_refused else there
    return next(iter([*own, *others]), None)


def _subnets(plan: Plan, area: AreaPlan) -> Iterator[tuple[IPv6Network, bool]]:
    """What an area's hosts are to have, and whether it comes from a line. In a lab a prefix that stands
    in for one that a provider will delegate is as good as that."""
    for subnet in area.subnets6:
        yield subnet.network, subnet.line is not None


def _wanted(plan: Plan, area: AreaPlan, hardware: int, over: bool) -> Learnt:
    """over: once all lines have failed."""
    prefixes = {network: over and of_line for network, of_line in _subnets(plan, area)}
    return Learnt(prefixes, frozenset({link_local(hardware)} if leads_out(plan) else ()))


def _failing(plan: Plan, areas: Sequence[AreaPlan]) -> str:
    """What the steward has the kernel told when lines fail (`steward.fading`)."""
    return "".join(
        f"address change {subnet.gateway}/{subnet.network.prefixlen} dev {bare_device(area.device)}"
        " preferred_lft 0\n"
        for area in areas
        for subnet in area.subnets6
        if subnet.line is not None
    )


# --- at the machines -----------------------------------------------------------------------------


def speaking(areas: Iterable[AreaPlan]) -> None:
    """Where the lab has kept machines from asking each other, they do from now on."""
    devices = {bare_device(area.device) for area in areas}
    tools.run(
        ("ip", "-batch", "-"),
        "".join(f"link set dev {d} arp on multicast on\n" for d in sorted(devices)),
    )


def _forgetful(place: Place) -> None:
    """A host that has just been plugged in: no IPv6 address of its own, and it asks for routers."""
    device = f"ipv6/conf/{place.device}"
    with isolation.inside(place.namespace):
        put({f"{device}/disable_ipv6": "1"})
        tools.run(("ip", "link", "set", "dev", place.device, "arp", "on", "multicast", "on"))
        put(
            {
                f"{device}/accept_ra": "1",
                f"{device}/autoconf": "1",
                f"{device}/accept_dad": "0",
                f"{device}/router_solicitations": "3",
                f"{device}/router_solicitation_delay": "0",
                f"{device}/router_solicitation_interval": "1",
                f"{device}/disable_ipv6": "0",
            }
        )


@contextmanager
def dnsmasq(namespace: str, settings: bytes, name: str = CONF) -> Iterator[Callable[[], None]]:
    """A dnsmasq of the kit at the gateway, by the name of its settings. Yields what raises
    CommandFailed once it has ended by itself. It stays who it is: there is one user in the lab."""
    path = os.path.join(KIT, name)
    with open(path, "wb") as file:
        file.write(settings.replace(LEASES.encode(), f"{KIT}/leases".encode()))
    own = (
        "--user=root",
        "--group=",
        "--no-ping",
        "--pid-file=",
        "--log-facility=-",
        f"--conf-file={path}",
    )
    command = [tools.path_of(PROGRAM) or PROGRAM, "--keep-in-foreground", *own]
    with running(namespace, command, PROGRAM, f"{path}.said") as still_there:
        yield still_there


def _compared(
    wanted: Mapping[str, Learnt],
    places: Mapping[str, Place],
    still_there: Callable[[], None],
    when: str,
) -> list[str]:
    """Wait until every host has what it is to have, or has had its time; what is wrong then."""
    end = time.monotonic() + PATIENCE
    waiting = dict(wanted)
    while waiting and time.monotonic() < end:
        still_there()
        waiting = {a: w for a, w in waiting.items() if _learnt(places[a]) != w}
        time.sleep(LOOK if waiting else 0)
    # Once more: what came too much may have come later.
    return [
        f"a host in {area} {sentence}"
        for area, each in wanted.items()
        for sentence in _differing(each, _learnt(places[area]), when)
    ]


def _differing(wanted: Learnt, found: Learnt, when: str) -> Iterator[str]:
    for network, over in wanted.prefixes.items():
        if network not in found.prefixes:
            yield f"has not learnt its prefix {network}"
        elif found.prefixes[network] is not over:
            said = "is still told to use" if over else "is told not to use"
            yield f"{when}{said} the prefix {network}"
    for network in sorted(set(found.prefixes) - set(wanted.prefixes)):
        yield f"has learnt the prefix {network}, which the plan does not give that area"
    if wanted.ways != found.ways:
        told = " and ".join(map(str, sorted(found.ways))) or "nobody"
        meant = " and ".join(map(str, sorted(wanted.ways))) or "nobody"
        yield f"takes {told} for the way out, and not {meant}"


def _learnt(place: Place) -> Learnt:
    """By the kernel's own tables, of the thread that asks."""
    with isolation.inside(place.namespace):
        with open("/proc/thread-self/net/if_inet6", encoding="ascii") as file:
            prefixes = dict(addresses(file.read(), place.device))
        with open("/proc/thread-self/net/ipv6_route", encoding="ascii") as file:
            return Learnt(prefixes, frozenset(ways(file.read(), place.device)))


def addresses(text: str, device: str) -> Iterator[tuple[IPv6Network, bool]]:
    """The networks in which a device has an address that it was lent, as /proc/net/if_inet6 tells, and
    whether the preferred time of that is over."""
    for line in text.splitlines():
        number, _, length, scope, flags, name = line.split()
        kept = int(flags, 16)
        if name == device and scope == _GLOBAL and not kept & (_LASTING | _UNSURE):
            host = IPv6Address(int(number, 16))
            yield IPv6Network((host, int(length, 16)), strict=False), bool(kept & _OVER)


def ways(text: str, device: str) -> Iterator[IPv6Address]:
    """The next hops of default routes on a device, as /proc/net/ipv6_route tells."""
    for line in text.splitlines():
        words = line.split()
        whole = (words[0], words[1]) == _WHOLE and words[9] == device
        if whole and int(words[8], 16) & _BY_GATEWAY:
            yield IPv6Address(int(words[4], 16))
