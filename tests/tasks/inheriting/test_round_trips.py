"""Invented sets of reservations and leases, written in every format and read back equal."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from ipaddress import IPv4Address

from hypothesis import given
from hypothesis import strategies as st

from netcharter.diagnostics import Span
from netcharter.plan.coding import hardware_text
from netcharter.tasks.inheriting.held import kind_of, read_held
from netcharter.tasks.inheriting.shapes import FileKind, Held, Lease, Reservation

NOWHERE = Span("", 1, 1, 1, 2)
letters = "abcdefghijklmnopqrstuvwxyz"
hostnames = st.from_regex(r"[a-z][a-z0-9-]{0,20}[a-z0-9]", fullmatch=True).filter(
    lambda name: name not in ("ignore", "infinite", "deprecated")
)
hardware = st.integers(1, 2**46 - 1).map(lambda n: (n & 0xFEFFFFFFFFFF) | 1 << 41)
addresses = st.integers(0x0A000001, 0x0AFFFFFE).map(IPv4Address)
notes = st.text(letters + " ,.;:'#{}ä", max_size=30).map(lambda text: " ".join(text.split()))


@st.composite
def reservations(draw: st.DrawFn) -> list[Reservation]:
    count = draw(st.integers(1, 8))
    names = draw(st.lists(hostnames, min_size=count, max_size=count, unique=True))
    numbers = draw(st.lists(hardware, min_size=3 * count, max_size=3 * count, unique=True))
    places = draw(st.lists(addresses, min_size=count, max_size=count, unique=True))
    out = []
    for i in range(count):
        mine = tuple(numbers[3 * i : 3 * i + draw(st.integers(1, 3))])
        address = (places[i],) if draw(st.booleans()) else ()
        note = draw(notes).strip("#;, ")
        ignored = draw(st.booleans())
        out.append(Reservation(names[i], mine, address, NOWHERE, note=note, ignored=ignored))
    return out


def placeless(found: Held) -> list[Reservation]:
    """What was read, wherever it stood."""
    assert found.problems == ()
    return [replace(one, span=NOWHERE) for one in found.reservations]


def told_right(text: str, kind: FileKind) -> Held:
    """The text read, its kind told from its content."""
    assert kind_of(text) == kind_of(text.encode()) == kind
    return read_held(text, "file")


@given(reservations())
def test_settings_of_dnsmasq(some: list[Reservation]) -> None:
    text = "interface=eth2\n"
    for one in some:
        parts = [*map(hardware_text, one.hardware), *map(str, one.addresses), one.name]
        ignored = ",ignore" if one.ignored else ",12h"
        text += f"dhcp-host={','.join(parts)}{ignored}" + (f"  # {one.note}" if one.note else "")
        text += "\n"
    assert placeless(told_right(text, "dnsmasq")) == some


@given(reservations(), st.sampled_from([" ", "\n  ", "\t"]))
def test_settings_of_dhcpd(some: list[Reservation], gap: str) -> None:
    text = "authoritative;\ngroup {\n"
    for one in some:
        parts = [f"hardware ethernet {hardware_text(number)};" for number in one.hardware]
        if one.addresses:
            parts.append(f"fixed-address {', '.join(map(str, one.addresses))};")
        if one.ignored:
            parts.append("deny booting;")
        text += f"host{gap}{one.name}{gap}{{{gap}{gap.join(parts)}{gap}}}"
        text += (f" # {one.note}" if one.note else "") + "\n"
    assert placeless(told_right(text + "}\n", "dhcpd")) == some


@given(reservations(), st.sampled_from(",;\t|"), st.booleans())
def test_tables(some: list[Reservation], separator: str, every: bool) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    if every:
        writer = csv.writer(out, delimiter=separator, quoting=csv.QUOTE_ALL)
    writer.writerow(["name", "mac", "ip", "area", "notes"])
    for one in some:
        numbers = " ".join(map(hardware_text, one.hardware))
        writer.writerow([one.name, numbers, " ".join(map(str, one.addresses)), "", one.note])
    found = placeless(told_right(out.getvalue(), "csv"))
    assert found == [replace(one, ignored=False) for one in some]


@dataclass(frozen=True)
class Lent:
    """One lease as it is drawn."""

    address: IPv4Address
    number: int
    name: str
    until: datetime | None
    active: bool


@st.composite
def lent(draw: st.DrawFn) -> list[Lent]:
    places = draw(st.lists(addresses, min_size=1, max_size=8, unique=True))
    moments = st.none() | st.integers(1, 4_000_000_000).map(
        lambda n: datetime.fromtimestamp(n, UTC)
    )
    names = st.just("") | hostnames
    return [
        Lent(a, draw(hardware), draw(names), draw(moments), draw(st.booleans())) for a in places
    ]


def expected(some: list[Lent], active: bool = True) -> list[Lease]:
    return [
        Lease(one.address, one.number, one.name, NOWHERE, "", one.until, active or one.active)
        for one in some
    ]


@given(lent())
def test_leases_of_dnsmasq(some: list[Lent]) -> None:
    text = "".join(
        f"{int(one.until.timestamp()) if one.until else 0} {hardware_text(one.number)}"
        f" {one.address} {one.name or '*'} *\n"
        for one in some
    )
    found = told_right(text, "dnsmasq-leases")
    assert found.problems == ()
    assert [replace(lease, span=NOWHERE) for lease in found.leases] == expected(some)


@given(lent(), st.booleans())
def test_leases_of_dhcpd(some: list[Lent], epoch: bool) -> None:
    text = "authoring-byte-order little-endian;\n"
    for one in some:
        ends = "never"
        if one.until and epoch:
            ends = f"epoch {int(one.until.timestamp())}; # {one.until:%a %b %d}\n"
        elif one.until:
            ends = f"{one.until.isoweekday() % 7} {one.until:%Y/%m/%d %H:%M:%S}"
        text += f"lease {one.address} {{\n  starts 4 2026/01/01 00:00:00;\n  ends {ends};\n"
        text += f"  binding state {'active' if one.active else 'free'};\n"
        text += f"  hardware ethernet {hardware_text(one.number)};\n"
        text += f'  client-hostname "{one.name}";\n}}\n' if one.name else "}\n"
    found = told_right(text, "dhcpd-leases")
    assert found.problems == ()
    assert [replace(lease, span=NOWHERE) for lease in found.leases] == expected(some, False)
