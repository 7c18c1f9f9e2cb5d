"""The demo site in a lab: its plan, stand-in stations, and real sockets between them."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TypeVar

import pytest

from netcharter.charter.read import read
from netcharter.lab import isolation
from netcharter.lab.apart import apart
from netcharter.lab.site import Site
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Station
from netcharter.render import render
from tests.kernel.namespace import needed

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 5.0  # seconds for an answer that must come
SILENCE = 0.3  # seconds without one that must not
SO_MARK = 36  # asm-generic/socket.h
T = TypeVar("T")

# How the namespaces are had: as root, and as everybody else has them.
WAYS = [False, True]
each_way = pytest.mark.parametrize("as_user", WAYS, ids=["as-root", "as-user"])


def possible(as_user: bool) -> None:
    """Skip what this machine cannot do, so that nobody overlooks it."""
    needed()
    if not as_user and os.geteuid() != 0:
        pytest.skip("ONE LAB TEST DID NOT RUN: it takes root")


@cache
def demo() -> Plan:
    text = (ROOT / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


def stations(plan: Plan) -> tuple[Station, ...]:
    """One behind every line, and one for every hardware address the charter names."""
    found = [Station(line.name, line.name, 0, ()) for line in plan.lines]
    for device in plan.devices:
        for number, hardware in enumerate(device.hardware):
            own = (*device.addresses4[number : number + 1], *(() if number else device.addresses6))
            name = device.name if number == 0 else f"{device.name} {number}"
            found.append(Station(name, device.area, hardware, own))
    return tuple(found)


def at_site(
    plan: Plan,
    work: Callable[[Site], T],
    as_user: bool = False,
    more: tuple[Station, ...] = (),
    limit: float = 120,
) -> T:
    """What `work` finds out at the site, in a lab of its own, with `more` stations. limit: in
    seconds, after which it has failed."""
    files = render(plan).files

    def inside() -> T:
        with Site(plan, files, (*stations(plan), *more), world(plan)) as site:
            return work(site)

    return apart(inside, as_user=as_user, limit=limit)


@dataclass(frozen=True)
class Seen:
    """What came of an attempt to talk. source, destination: as the answering end saw them."""

    outcome: str
    source: str = ""
    destination: str = ""


def end(site: Site, station: str, family: int, kind: int, seconds: float) -> socket.socket:
    """A socket of a station."""
    with isolation.inside(site.places[station].namespace):
        made = socket.socket(family, kind)
    made.settimeout(seconds)
    return made


def family_of(address: str) -> int:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


def tcp(
    site: Site, sender: str, source: str, receiver: str, to: str, port: int, mark: int = 0
) -> Seen:
    """Connect, and have a word both ways. `source` may be "" for whatever the kernel takes."""
    family = family_of(to)
    with (
        end(site, receiver, family, socket.SOCK_STREAM, PATIENCE) as listener,
        end(site, sender, family, socket.SOCK_STREAM, SILENCE) as asking,
    ):
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("", port))
        listener.listen()
        if mark:
            asking.setsockopt(socket.SOL_SOCKET, SO_MARK, mark)
        if source:
            asking.bind((source, 0))
        try:
            asking.connect((to, port))
        except TimeoutError:
            return Seen("silent")
        except ConnectionRefusedError:
            return Seen("reset")
        asking.settimeout(PATIENCE)
        answering, peer = listener.accept()
        with answering:
            answering.settimeout(PATIENCE)
            asking.sendall(b"how is the weather?")
            assert answering.recv(99) == b"how is the weather?"
            answering.sendall(b"raining")
            assert asking.recv(99) == b"raining"
            return Seen("answered", peer[0], answering.getsockname()[0])


def udp(site: Site, sender: str, source: str, to: str, port: int) -> Seen:
    """One datagram that nobody expects, and what the sender hears of it."""
    with end(site, sender, family_of(to), socket.SOCK_DGRAM, SILENCE) as asking:
        asking.bind((source, 0))
        asking.connect((to, port))
        asking.send(b"anybody there?")
        try:
            asking.recv(99)
        except TimeoutError:
            return Seen("silent")
        except ConnectionRefusedError:  # port unreachable: it got there
            return Seen("unreachable")
        except OSError as problem:  # EHOSTUNREACH for IPv4, EACCES for IPv6
            return Seen("prohibited" if problem.errno in (113, 13) else str(problem))
        return Seen("answered")
