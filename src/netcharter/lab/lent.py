"""Leases in a lab: real clients ask the kit's own dnsmasq for an address, and for what to know.

In each area ask one that gets an address of the pool, some with lasting addresses, and one each of
those that must get nothing. Debian's dhcpcd asks for them, as somebody else reads RFC 2131 and RFC
8415. What it was told is compared with the plan, and then it has to renew (RFC 2131 section 4.3.2).

It comes when the probes are done, and before hosts listen to router advertisements.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from ipaddress import IPv4Address

from netcharter.lab import isolation, tools
from netcharter.lab.advertised import (
    LOOK,
    MISSING,
    PATIENCE,
    dnsmasq,
    speaking,
)
from netcharter.lab.advertised import PROGRAM as SERVER
from netcharter.lab.serving import ENDING
from netcharter.lab.site import KIT, Site
from netcharter.plan.leases import Lending, lending, own4
from netcharter.plan.shapes import AreaPlan, DevicePlan, Plan
from netcharter.probes.shapes import GATEWAY, Place, Station
from netcharter.render.advertising import CONF, leads_out
from netcharter.render.lending import local6
from netcharter.space.ranges import has

PROGRAM, PACKAGE = "dhcpcd", "dhcpcd-base"
NO_CLIENT = f"no {PROGRAM} was found on this machine; install {PACKAGE}"
REFUSAL = 1.5  # seconds at least for an answer that must not come
MOST = {"lasting": 2, "other": 1, "barred": 1, "stranger": 1}  # of a kind that ask in one area
FOLDER = f"{KIT}/clients"
ASKED = "soliciting a DHCP lease"  # what it writes down when it asks
# It keeps to itself: no folder of the machine is written, and clients of one name do not meet.
_OWN = (
    "mkdir -p /run/dhcpcd && mount -t tmpfs none /run/dhcpcd && mount -t tmpfs none /var/lib"
    ' && mkdir /var/lib/dhcpcd && exec "$0" "$@"'
)
_SETTINGS = f"""\
script {FOLDER}/told.sh
noarp
nodelay
duid ll
slaac hwaddr
option domain_name_servers, domain_name, routers, ntp_servers
option dhcp6_name_servers, dhcp6_domain_search, dhcp6_ntp_server
"""
_SCRIPT = """\
#!/bin/sh
{ echo "reason=$reason"; env | grep -E '^(new|nd1)_'; } >> "$told"
"""


@dataclass(frozen=True, slots=True)
class Lent:
    """What became of leases. skipped: why nothing was tried, else ""; areas: in how many somebody
    asked; clients: how many were to get an address; lasting: how many of them their own; refused:
    how many were to get none; time: whether a time server was told; differences: sentences."""

    skipped: str = ""
    areas: int = 0
    clients: int = 0
    lasting: int = 0
    refused: int = 0
    time: bool = False
    differences: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        return not self.differences


@dataclass(frozen=True, slots=True)
class Client:
    """Who asks. kind: of `MOST`; own: the address that it has to get, None: one of the pool; six:
    those of IPv6 that it is given if it asks; by6: whether it is sure to ask by DHCPv6, so that it has
    to be told."""

    station: Station
    area: AreaPlan
    lending: Lending
    kind: str
    own: IPv4Address | None
    six: frozenset[str]
    by6: bool

    @property
    def refused(self) -> bool:
        return self.kind in ("barred", "stranger")

    @property
    def done(self) -> frozenset[str]:
        """What it tells its script once it has all that it is to get."""
        six = {"BOUND6" if self.six else "INFORM6"} if self.by6 else set()
        heard = {"ROUTERADVERT"} if local6(self.area) is not None else set()
        return frozenset({"BOUND", *six, *heard})


@dataclass(frozen=True, slots=True)
class Told:
    """What a client was told: every value by the client's name for it, and what happened to it."""

    values: Mapping[str, str]
    reasons: frozenset[str]


def lent(plan: Plan, files: Mapping[str, bytes], site: Site, stations: Sequence[Station]) -> Lent:
    """Let the gateway of a site lend, and clients ask. Raises CommandFailed where dnsmasq does not
    begin, or a command fails."""
    asking = [*clients(plan, stations)]
    if CONF not in files or not asking:
        return Lent("there is nobody who could ask")
    for program, missing in ((SERVER, MISSING), (PROGRAM, NO_CLIENT)):
        if tools.path_of(program) is None:
            return Lent(missing)
    gateway = site.places[GATEWAY]
    with isolation.inside(gateway.namespace):
        speaking([one.area for one in asking])
    _prepared()
    with dnsmasq(gateway.namespace, files[CONF]) as still_there, ExitStack() as running:
        begun = [
            running.enter_context(_begun(site.places[one.station.name], number))
            for number, one in enumerate(asking)
        ]
        end = time.monotonic() + REFUSAL
        _wait(asking, still_there, lambda one: one.done)
        for one, process in zip(asking, begun, strict=True):
            if not one.refused:
                process.send_signal(signal.SIGUSR1)  # renews
        _wait(asking, still_there, lambda one: one.done | {"RENEW"})
        time.sleep(max(0.0, end - time.monotonic()) if any(one.refused for one in asking) else 0)
        wrong = [
            f"{one.station.name} {sentence}"
            for number, one in enumerate(asking)
            for sentence in differing(plan, one, told(number), _asked(number))
        ]
    return Lent(
        areas=len({one.area.name for one in asking}),
        clients=sum(not one.refused for one in asking),
        lasting=sum(one.own is not None for one in asking),
        refused=sum(one.refused for one in asking),
        time=bool(plan.charter.site.time_servers),
        differences=tuple(wrong),
    )


# --- who asks ------------------------------------------------------------------------------------


def clients(plan: Plan, stations: Sequence[Station]) -> Iterator[Client]:
    """Some of each kind in every area that lends, devices before those whom nobody knows. None gets
    an address in two areas at once: a lease belongs to one hardware address."""
    known = {number: device for device in plan.devices for number in device.hardware}
    each = lending(plan.charter, plan.areas, plan.devices)
    for area, one in zip(plan.areas, each, strict=True):
        here = [s for s in stations if s.entrance == area.name and one.lease is not None]
        left = dict(MOST) if one.room else {**MOST, "other": 0}
        for station in sorted(here, key=lambda s: s.hardware not in known):
            device = known.get(station.hardware)
            client = _client(plan, area, one, station, device)
            away = device is not None and device.area != area.name
            if left[client.kind] and (client.refused or not away):
                left[client.kind] -= 1
                yield client


def _client(
    plan: Plan, area: AreaPlan, one: Lending, station: Station, device: DevicePlan | None
) -> Client:
    home = device is not None and device.area == area.name
    own = own4(device, station.hardware) if home and device else None
    # Of one who says that he is no way out some clients ask nothing by DHCPv6, or not each time.
    speaks6 = local6(area) is not None and leads_out(plan)
    first = home and device is not None and station.hardware == device.hardware[0]
    six = frozenset(map(str, device.addresses6)) if first and device else frozenset()
    kind = "other" if own is None else "lasting"
    if area.strangers_refused and not (home or (device and device.roams)):
        kind = "stranger"
    if device is not None and device.barred:
        kind = "barred"
    if kind in ("barred", "stranger"):
        return Client(station, area, one, kind, None, frozenset(), by6=False)
    given = any(d.addresses6 and d.hardware and not d.barred for d in plan.devices
                if d.area == area.name)  # fmt: skip
    # Where some are given addresses by DHCPv6, a client waits for one, and is told nothing else.
    by6 = speaks6 and (bool(six) or not given)
    return Client(station, area, one, kind, own, six, by6)


# --- at the machines -----------------------------------------------------------------------------


def _prepared() -> None:
    os.makedirs(FOLDER, exist_ok=True)
    for name, text in (("client.conf", _SETTINGS), ("told.sh", _SCRIPT)):
        with open(f"{FOLDER}/{name}", "w", encoding="ascii") as file:
            file.write(text)
    os.chmod(f"{FOLDER}/told.sh", 0o755)


class _begun:
    """A client that runs while one is within: a machine that has just been plugged in."""

    def __init__(self, place: Place, number: int) -> None:
        self._place, self._number = place, number

    def __enter__(self) -> subprocess.Popen[bytes]:
        device, file = self._place.device, f"{FOLDER}/{self._number}"
        words = ["--nobackground", "--config", f"{FOLDER}/client.conf", "--logfile", f"{file}.log"]
        command = [tools.path_of(PROGRAM) or PROGRAM, *words, "--env", f"told={file}", device]
        with isolation.inside(self._place.namespace):
            tools.run(("ip", "link", "set", "dev", device, "arp", "on", "multicast", "on"))
            tools.run(("ip", "-4", "address", "flush", "dev", device))
            self._process = subprocess.Popen(
                ["unshare", "--mount", "sh", "-c", _OWN, *command],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                cwd="/",
            )  # fmt: skip
        return self._process

    def __exit__(self, *fault: object) -> None:
        """By force: it has nothing to put in order that does not end with the lab."""
        self._process.kill()
        self._process.wait(ENDING)


def _wait(
    asking: Sequence[Client],
    still_there: Callable[[], None],
    wanted: Callable[[Client], frozenset[str]],
) -> None:
    """Until everybody has been told what is wanted, or has had its time."""
    end = time.monotonic() + PATIENCE
    waiting = list(enumerate(asking))
    while waiting and time.monotonic() < end:
        still_there()
        waiting = [
            (number, one)
            for number, one in waiting
            if not (_asked(number) if one.refused else wanted(one) <= told(number).reasons)
        ]
        time.sleep(LOOK if waiting else 0)


def told(number: int) -> Told:
    """What a client has been told so far."""
    lines = [line.partition("=") for line in _read(f"{FOLDER}/{number}").splitlines()]
    values = {name: value for name, _, value in lines if name != "reason"}
    return Told(values, frozenset(value for name, _, value in lines if name == "reason"))


def _asked(number: int) -> bool:
    return ASKED in _read(f"{FOLDER}/{number}.log")


def _read(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read()
    except FileNotFoundError:
        return ""


# --- what is wrong -------------------------------------------------------------------------------


def differing(plan: Plan, one: Client, found: Told, asked: bool) -> Iterator[str]:
    """What a client was told otherwise than the plan says."""
    got = found.values.get("new_ip_address")
    if one.refused:
        if not asked:
            yield "never asked for an address, so that it gets none is not known"
        elif got is not None or found.reasons & {"BOUND", "BOUND6", "INFORM6"}:
            yield f"was lent {got or 'something'}, and was to get nothing"
        return
    if got is None:
        yield "got no address"
        return
    yield from _address(one, got)
    for name, (wanted, what) in _known4(plan, one).items():
        if found.values.get(name) != wanted:
            yield f"was told {found.values.get(name, 'nothing')} for {what}, and not {wanted or 'nothing'}"
    if "RENEW" not in found.reasons:
        yield "could not renew its lease"
    yield from _six(plan, one, found)


def _address(one: Client, got: str) -> Iterator[str]:
    if one.own is not None and got != str(one.own):
        yield f"was lent {got}, and not its lasting address {one.own}"
    elif one.own is None and not has(one.lending.pool, int(IPv4Address(got))):
        yield f"was lent {got}, which is not in the pool of {one.area.name}"


def _known4(plan: Plan, one: Client) -> Mapping[str, tuple[str | None, str]]:
    gateway = str(one.area.gateway4)
    return {
        "new_subnet_cidr": (str(one.area.v4.prefixlen), "the length of its prefix"),
        "new_routers": (gateway, "the router"),
        "new_domain_name_servers": (gateway, "the resolver"),
        "new_domain_name": (plan.charter.site.domain, "the domain"),
        "new_ntp_servers": (gateway if plan.charter.site.time_servers else None, "the time server"),
        "new_dhcp_lease_time": (str(one.lending.lease), "how many seconds its lease lasts"),
    }


def _six(plan: Plan, one: Client, found: Told) -> Iterator[str]:
    values = found.values
    address = local6(one.area)
    if address is None:
        return
    domain, own = plan.charter.site.domain, str(address)
    wanted = {"nd1_rdnss1_servers": own, "nd1_dnssl1_search": domain}
    if one.by6:
        wanted |= {"new_dhcp6_name_servers": own, "new_dhcp6_domain_search": domain}
        if plan.charter.site.time_servers:
            wanted["new_dhcp6_ntp_server_addr"] = own
    for name, value in wanted.items():
        if values.get(name) != value:
            yield f"was told {values.get(name, 'nothing')} in IPv6, and not {value} ({name})"
    got = {v for name, v in values.items() if "_ia_addr" in name and ":" in v}
    if not got <= one.six or (one.by6 and got != one.six):
        names = " and ".join(sorted(got)) or "no addresses"
        yield f"was given {names} by DHCPv6, and not {' and '.join(sorted(one.six)) or 'none'}"
