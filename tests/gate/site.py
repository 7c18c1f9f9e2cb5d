"""A site with names withheld, as its kit tells the pages of it, and stores of its lists."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from functools import cache
from ipaddress import ip_address
from struct import pack

from netcharter.charter.read import read
from netcharter.gate import settings
from netcharter.gate.limits import Meter
from netcharter.gate.requests import Box
from netcharter.gate.settings import Settings
from netcharter.gate.stores import Open, Piece
from netcharter.gate.visits import Gate, Reply, Visit, answered
from netcharter.plan import make_plan
from netcharter.plan.hours import is_open, passed
from netcharter.plan.names.entries import Entries
from netcharter.plan.names.times import key_of
from netcharter.plan.shapes import Plan
from netcharter.render import gate as rendered
from netcharter.render.cdb import STORES, laid_out

CHARTER = """
charter: 1
site: {name: 'Tarn Hollow <b>Centre</b>', timezone: Europe/London, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas:
  office: {device: eth2, hosts: 5, prefix: 10.41.0.0/24}
  bunkrooms: {device: eth3, hosts: 90, prefix: 10.40.0.0/24}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: 10.41.0.9}
hours: {lessons: {weekly: {mon-fri: '08:00-16:00'}}}
lists:
  dice: {entries: [bets.example, xn--bcher-kva.example], topic: gambling, contact: duty warden,
         because: no games of chance in the house}
names:
  - {answer: open.bets.example, for: bunkrooms}
  - {withhold: gambling, for: bunkrooms, during: lessons}
  - {withhold: videos.example, for: bunkrooms, until: 2027-03-31, because: the line is <i>thin</i>,
     contact: 'office & co', name: evenings}
  - {withhold: desk-only.example, for: desk}
"""
LESSON = datetime(2026, 11, 26, 10, tzinfo=UTC)  # a Thursday
EVENING = datetime(2026, 11, 26, 19, tzinfo=UTC)
BUNK, BUNK6, OFFICE, DESK = "10.40.0.33", "", "10.41.0.44", "10.41.0.9"
SECRET = b"s" * 32


@cache
def plan(text: str = CHARTER) -> Plan:
    found = read(text, "hollow.yaml")
    assert found.charter is not None, found.diagnostics
    return make_plan(found.charter)


@cache
def told(text: str = CHARTER) -> Settings:
    return settings.read(rendered.settings(plan(text)).encode())


def stores_of(one: Plan) -> Callable[[str], Open]:
    """The stores of a plan's lists as this file writes them, by their folders."""
    folders = settings.read(rendered.settings(one).encode()).folders
    found = {
        folders[name]: made(known.entries)
        for name, known in one.names.lists.items()
        if known.entries is not None
    }
    return lambda folder: lambda store: found.get(folder, {}).get(store)


def made(entries: Entries) -> dict[str, Piece]:
    layout = laid_out(entries)
    return {store: piece(cdb(records(b"".join(layout.records(store))))) for store in STORES}


def records(text: bytes) -> list[tuple[bytes, bytes]]:
    """What the input of `cdb -c` says (cdb(1)): `+lengths:key->value`."""
    found = []
    while match := re.match(rb"\+(\d+),(\d+):", text):
        key, value = int(match[1]), int(match[2])
        rest = text[match.end() :]
        found.append((rest[:key], rest[key + 2 : key + 2 + value]))
        text = rest[key + 2 + value + 1 :]
    assert text == b"\n"
    return found


def cdb(pairs: Iterable[tuple[bytes, bytes]]) -> bytes:
    """A constant database by its format's description, as plain as can be."""
    body, tables = b"", [[] for _ in range(256)]  # type: tuple[bytes, list[list[tuple[int, int]]]]
    for key, value in pairs:
        hashed = 5381
        for byte in key:
            hashed = (hashed * 33) % 2**32 ^ byte
        tables[hashed % 256].append((hashed, 2048 + len(body)))
        body += pack("<II", len(key), len(value)) + key + value
    head, tail = b"", b""
    for table in tables:
        size = 2 * len(table)
        head += pack("<II", 2048 + len(body) + len(tail), size)
        slots = [(0, 0)] * size
        for hashed, place in table:
            at = hashed // 256 % size
            while slots[at] != (0, 0):
                at = (at + 1) % size
            slots[at] = hashed, place
        tail += b"".join(pack("<II", *slot) for slot in slots)
    return head + body + tail


def piece(data: bytes) -> Piece:
    return lambda place, size: data[place : place + size]


def gate(box: Box | None = None, meter: Meter | None = None) -> Gate:
    return Gate(
        told(),
        SECRET,
        meter or Meter(),
        stores_of(plan()),
        lambda now: times(told(), now),
        lambda: Box({}) if box is None else box,
    )


def times(known: Settings, now: datetime) -> dict[str, bool]:
    """What a steward tells whose clock is right."""
    return {
        key_of(row.during, row.until): (
            row.during is None or is_open(known.hours[row.during], known.zone, now)
        )
        and (row.until is None or not passed(row.until, known.zone, now))
        for row in known.names.rows
    }


def visit(host: str = "www.bets.example", source: str = BUNK, method: str = "GET",
          path: str = "/", **more: str | bytes | None) -> Visit:  # fmt: skip
    return Visit(method, host, path, ip_address(source), **more)  # type: ignore[arg-type]


def asked(one: Visit, now: datetime = LESSON, at: Gate | None = None, clock: float = 0.0) -> Reply:
    return answered(at or gate(), one, now, clock)
