"""Ports 67, 547, 123 and 5353: whether somebody else does there what the kit is to do.

Read from what `ss` prints of those who wait for datagrams, after ss(8). Two can wait at one of these
ports, each bound to a device of its own (SO_BINDTODEVICE, socket(7)): whoever is bound to one in which
the charter has no area is not in the way. The chronyd of Debian's package is none of that: the kit's
own unit sets it aside. Multicast DNS is heard by all who wait for it: nobody is in the way there, but
somebody else may tell what the charter does not.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from netcharter.diagnostics.escape import terminal
from netcharter.render import advertising, clock, discovery
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted

MOST = 10_000  # sockets
OURS = re.compile(rb"/netcharter-[a-z-]+\.service")  # a cgroup has the unit's name, systemd.unit(5)
_ROW = re.compile(r"(\S+?)(?:%([^\s:%]{1,15}))?:([0-9]{1,5})")
_WHO = re.compile(r'\("([^"]{1,64})",pid=([0-9]{1,10}),')


@dataclass(frozen=True, slots=True)
class Port:
    """What of the kit waits at a port. placed: whether it is in a kit, by one of its files; aside:
    the program that its unit ends before it begins."""

    number: int
    id: str
    does: str
    placed: str
    aside: str = ""
    shared: bool = False  # whether all who wait there hear everything


LENDS, TELLS = "the areas' addresses are to be lent", "the areas are to be told the time"
FINDS = "the kit tells what hosts may find in other areas"
PORTS: Mapping[int, Port] = {
    67: Port(67, "port-of-lending-taken", LENDS, advertising.AT),
    547: Port(547, "port-of-lending-taken", LENDS, advertising.AT),
    123: Port(123, "port-of-time-taken", TELLS, clock.AT, "chronyd"),
    5353: Port(5353, "multicast-dns-of-others", FINDS, discovery.AT, shared=True),
}


@dataclass(frozen=True, slots=True)
class Waiting:
    """Somebody who waits for datagrams. device: what he is bound to, "" for all; who: programs with
    their process numbers, none where they are not told."""

    address: str
    device: str
    port: int
    who: tuple[tuple[str, str], ...]


def serving_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of it."""
    ports = {number: one for number, one in PORTS.items() if one.placed in wanted.placed}
    areas = {use.interface for use in wanted.uses if use.kind == "area"}
    for one in waiting(facts.waiting):
        port = ports.get(one.port)
        if port is None or (one.device and one.device not in areas):
            continue
        if _ours(one, facts.files) or port.aside in [name for name, _ in one.who]:
            continue
        names = " and ".join(sorted({terminal(name) for name, _ in one.who})) or "somebody"
        where = f"{terminal(one.address)}{f' on {terminal(one.device)}' if one.device else ''}"
        yield Found(
            port.id,
            "warning" if port.shared else "error",
            f"{names} takes what comes for UDP port {port.number} ({where}) already, where"
            f" {port.does}",
            f"find out who with `ss -lnup 'sport = :{port.number}'`, and "
            + (_LET if port.shared else _END),
            f"UDP port {port.number}",
        )


_END = (
    "end it: systemctl disable --now NAME; what has to serve another network of this machine is to be"
    " bound to its device"
)
_LET = (
    "see to it that it hands nothing on from one area to another, or end it: systemctl disable --now"
    " NAME"
)


def waiting(said: str) -> Iterator[Waiting]:
    """The rows of `ss -Hlnup`: state, two queues, the own address, the other's, who."""
    for row in said.splitlines()[:MOST]:
        words = row.split(None, 5)
        match = _ROW.fullmatch(words[3]) if len(words) > 4 else None
        if match is not None:
            who = tuple(_WHO.findall(words[5])) if len(words) > 5 else ()
            yield Waiting(match[1].strip("[]"), match[2] or "", int(match[3]), who)


def _ours(one: Waiting, files: Mapping[str, bytes]) -> bool:
    """Whether all who hold the socket belong to units of ours."""
    held = [files.get(f"/proc/{pid}/cgroup", b"") for _, pid in one.who]
    return bool(held) and all(OURS.search(cgroup) for cgroup in held)
