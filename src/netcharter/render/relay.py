"""Hosts of some areas find services of some kinds in another area, by multicast DNS, and no more.

This file is a program of its own: a kit holds its text, and a gateway runs it with nothing but
Python's standard library (`relay.py SETTINGS`). It hands on no message. It reads what is asked and
answered (RFC 6762, RFC 6763), keeps what the charter lets be found, and asks and answers in words
of its own. So what it was not told to let through can't come through, whatever somebody sends:

* asked is only in the areas that find, and answered only from the area in which is found;
* services are those of the kinds that were named; of hosts only those that offer them, and of
  their addresses only those that lie in that area;
* a name that hosts of the area that finds have themselves stays theirs.

Nobody is answered but by the group of all who listen; who asks from another port than theirs gets no
answer, since the gateway would have to be let to any port of any host.
"""

from __future__ import annotations

import json
import selectors
import signal
import socket
import struct
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any

PORT = 5353  # RFC 6762 section 2
GROUPS = {4: "224.0.0.251", 6: "ff02::fb"}
A, PTR, TXT, AAAA, SRV, ANY = 1, 12, 16, 28, 33, 255
INTERNET = 1
FLUSH = 0x8000  # in a class: of an answer, that this is all there is (RFC 6762 section 10.2)
ANSWER, AUTHORITY, OPCODE_AND_CODE = 0x8000, 0x0400, 0x780F
LONGEST = 9_000  # bytes of a message (RFC 6762 section 17)
ROOM = 1_400  # bytes of one of ours
MOST_PARTS = 400  # questions and records of a message
MOST_STEPS = 6_000  # labels and pointers that are read of a message; a sound name has a dozen
MOST_KEPT = 2_000  # records of one area
CROWDED, BRIEF = 1_000, 120  # of more records none lasts longer than so many seconds
MOST_NAMES = 4_000  # that are known to be taken in one area
LONGEST_DATA = 1_300  # bytes of a record (RFC 6763 section 6.2)
MOST_TTL = 4_500  # seconds (RFC 6762 section 10)
AGAIN = 1.0  # seconds in which nothing is asked or answered twice (RFC 6762 sections 5.2 and 6)
BURST = 100  # messages that may leave to one area in a second
FLOOD = 300  # and come from one: of more, none is heard in that second
FLOOD_PARTS = 3_000  # questions and records in these, likewise
LOCAL = b"local"
ENUMERATION = (b"_services", b"_dns-sd", b"_udp", LOCAL)  # RFC 6763 section 9
_HEADER = struct.Struct("!6H")
_FIXED = struct.Struct("!HHIH")
_SERVICE = struct.Struct("!3H")

Labels = tuple[bytes, ...]
Network = IPv4Network | IPv6Network
Key = tuple[Labels, int]  # a name in lower case, and a type
Said = tuple[str, str, int, Key]  # at which device, of which, in which family, and what


class Malformed(Exception):
    """A message that is none."""


@dataclass(frozen=True, slots=True)
class Question:
    name: Labels
    type: int


@dataclass(frozen=True, slots=True)
class Record:
    """data: as it is written in a message, with names in full; target: what a PTR or SRV leads to."""

    name: Labels
    type: int
    ttl: int
    data: bytes
    target: Labels = ()

    @property
    def key(self) -> Key:
        return lower(self.name), self.type


@dataclass(frozen=True, slots=True)
class Message:
    """records: of its answers, and what comes with them; probes: whether somebody asks only because
    they are about to take a name (RFC 6762 section 8.1); parts: how many questions and records there
    were, of use or not."""

    answer: bool
    probes: bool
    parts: int
    questions: tuple[Question, ...]
    records: tuple[Record, ...]


def lower(name: Labels) -> Labels:
    """As names are compared: letters of ASCII in lower case (RFC 6762 section 16)."""
    return tuple(label.lower() for label in name)


# --- what is sent, as bytes (RFC 1035 section 4) -------------------------------------------------


def read(data: bytes) -> Message:
    """Raises Malformed for what is no question and no answer of multicast DNS."""
    if not _HEADER.size <= len(data) <= LONGEST:
        raise Malformed
    _, flags, questions, answers, authorities, further = _HEADER.unpack_from(data)
    parts = questions + answers + authorities + further
    if flags & OPCODE_AND_CODE or parts > MOST_PARTS:
        raise Malformed
    reading, at = _Reading(data), _HEADER.size
    asked = []
    for _ in range(questions):
        name, at = reading.name(at)
        if at + 4 > len(data):
            raise Malformed
        kind, group = struct.unpack_from("!HH", data, at)
        at += 4
        if group & ~FLUSH in (INTERNET, ANY):
            asked.append(Question(name, kind))
    found = []
    for number in range(parts - questions):
        record, at = reading.record(at)
        if record is not None and not answers <= number < answers + authorities:
            found.append(record)
    return Message(bool(flags & ANSWER), authorities > 0, parts, tuple(asked), tuple(found))


@dataclass(slots=True)
class _Reading:
    """A message that is being read. left: of so many labels and pointers its names may be yet, so
    that small messages do not make long work."""

    data: bytes
    left: int = MOST_STEPS

    def name(self, at: int) -> tuple[Labels, int]:
        """A name, and where what follows it begins. Pointers lead backwards only, so there is an
        end."""
        labels: list[bytes] = []
        data, end, least, length = self.data, None, at, 0
        while True:
            self.left -= 1
            if at >= len(data) or self.left < 0:
                raise Malformed
            size = data[at]
            if size >= 0xC0:
                if at + 1 >= len(data):
                    raise Malformed
                end = at + 2 if end is None else end
                at = (size & 0x3F) << 8 | data[at + 1]
                if at >= least:
                    raise Malformed
                least = at
                continue
            length += size + 1
            if size > 63 or at + 1 + size > len(data) or length > 255:
                raise Malformed
            if not size:
                return tuple(labels), at + 1 if end is None else end
            labels.append(data[at + 1 : at + 1 + size])
            at += 1 + size

    def record(self, at: int) -> tuple[Record | None, int]:
        """A record of a type that is of use here, else None; and where the next one begins."""
        data = self.data
        name, at = self.name(at)
        if at + _FIXED.size > len(data):
            raise Malformed
        kind, group, ttl, size = _FIXED.unpack_from(data, at)
        at += _FIXED.size
        end = at + size
        if end > len(data):
            raise Malformed
        if group & ~FLUSH != INTERNET:
            return None, end
        ttl = min(ttl, MOST_TTL)
        if kind in (PTR, SRV):
            fixed = _SERVICE.size if kind == SRV else 0
            if size < fixed:
                raise Malformed
            target, behind = self.name(at + fixed)
            if behind != end:
                raise Malformed
            return Record(name, kind, ttl, data[at : at + fixed] + written(target), target), end
        if kind == TXT or (kind, size) in ((A, 4), (AAAA, 16)):
            return Record(name, kind, ttl, data[at:end]), end
        return None, end


def written(name: Labels) -> bytes:
    return b"".join(bytes((len(label),)) + label for label in name) + b"\0"


def question(name: Labels, kind: int) -> bytes:
    head = _HEADER.pack(0, 0, 1, 0, 0, 0)
    return head + written(name) + struct.pack("!HH", kind, INTERNET)


def answers(records: Iterable[Record]) -> Iterator[bytes]:
    """Messages with these records, in order; what is larger than a message is left out."""
    parts: list[bytes] = []
    for record in records:
        group = INTERNET if record.type == PTR else INTERNET | FLUSH
        head = _FIXED.pack(record.type, group, record.ttl, len(record.data))
        part = written(record.name) + head + record.data
        if parts and sum(map(len, parts)) + len(part) > ROOM:
            yield _answer(parts)
            parts = []
        if _HEADER.size + len(part) <= LONGEST:
            parts.append(part)
    if parts:
        yield _answer(parts)


def _answer(parts: list[bytes]) -> bytes:
    return _HEADER.pack(0, ANSWER | AUTHORITY, 0, len(parts), 0, 0) + b"".join(parts)


# --- what may be found ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Find:
    """Hosts at the devices `by` find services of these types at the device `within`."""

    by: frozenset[str]
    within: str
    types: tuple[Labels, ...]

    def type_of(self, name: Labels) -> Labels | None:
        """The type among these that the end of a name is, in lower case."""
        end = lower(name[-3:])
        return end if end in self.types else None

    def lists(self, name: Labels) -> bool:
        """Whether it is the name under which services of a type, or of a part of one, are listed
        (RFC 6763 sections 4 and 7.1)."""
        kind = self.type_of(name)
        between = lower(name[:-3])
        return kind is not None and (not between or (len(between) == 2 and between[1] == b"_sub"))

    def is_service(self, name: Labels) -> bool:
        """Whether it is the name of one service: one label of any kind before its type."""
        return len(name) == 4 and self.type_of(name) is not None


@dataclass(frozen=True, slots=True)
class Settings:
    """networks: what the addresses of hosts at each device lie in; own: the gateway's among them."""

    networks: Mapping[str, tuple[Network, ...]]
    own: frozenset[str]
    finds: tuple[Find, ...]


def settings(text: str) -> Settings:
    """From the text of a kit: lines that begin with # are remarks, the rest is JSON."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    told: dict[str, Any] = json.loads("\n".join(lines))
    return Settings(
        {
            device: tuple(ip_network(one) for one in networks)
            for device, networks in told["networks"].items()
        },
        frozenset(told["own"]),
        tuple(
            Find(
                frozenset(one["by"]),
                one["in"],
                tuple((*kind.encode("ascii").lower().split(b"."), LOCAL) for kind in one["types"]),
            )
            for one in told["finds"]
        ),
    )


@dataclass(frozen=True, slots=True)
class Send:
    """A message for the group at a device, in a family."""

    device: str
    family: int
    data: bytes


@dataclass(slots=True)
class Kept:
    record: Record
    until: float


@dataclass(slots=True)
class Relay:
    """What is known, and what becomes of it. Times are seconds of a clock that does not go back."""

    told: Settings
    # By device: records by key and data; hosts with the services that they offer; the names that its
    # own hosts have, until when; and those that hosts elsewhere have there, with the device of these.
    kept: dict[str, dict[Key, dict[bytes, Kept]]] = field(default_factory=dict)
    hosts: dict[str, dict[Labels, set[Labels]]] = field(default_factory=dict)
    taken: dict[str, dict[Labels, float]] = field(default_factory=dict)
    lent: dict[str, dict[Labels, tuple[str, float]]] = field(default_factory=dict)
    # What was asked and answered within the last second, and how much came and went in it.
    asked: dict[tuple[str, Key], float] = field(default_factory=dict)
    answered: dict[Said, tuple[float, frozenset[bytes]]] = field(default_factory=dict)
    pace: dict[tuple[str, str], tuple[float, int]] = field(default_factory=dict)
    forgot: float = 0.0

    def begin(self, now: float) -> list[Send]:
        """Ask for everything that may be found, so that it is known."""
        found: list[Send] = []
        for find in self.told.finds:
            for kind in find.types:
                found += self._ask(find.within, kind, PTR, now)
        return found

    def heard(self, device: str, family: int, port: int, data: bytes, now: float) -> list[Send]:
        """What is to be sent after a message to the group was heard at a device. port: whence."""
        if port != PORT or not self._within((device, "heard"), FLOOD, now):
            return []
        try:
            message = read(data)
        except Malformed:
            return []
        if not self._within((device, "read"), FLOOD_PARTS, now, message.parts):
            return []
        self._forget(now)
        if message.answer:
            self._take(device, message.records, now)
            return self._answered(device, message.records, now)
        if message.probes:
            return []
        by = (find for find in self.told.finds if device in find.by)
        return [one for find in by for one in self._reply(find, device, family, message, now)]

    # --- somebody asks ---

    def _reply(
        self, find: Find, device: str, family: int, message: Message, now: float
    ) -> list[Send]:
        found: list[Send] = []
        wanted: dict[Key, None] = {}
        for asked in message.questions:
            name = lower(asked.name)
            if name == ENUMERATION and asked.type in (PTR, ANY):
                found += self._kinds(find, device, family, now)
                continue
            types = [kind for kind in self._types(find, name) if asked.type in (kind, ANY)]
            wanted |= {(name, kind): None for kind in types}
            if types:
                found += self._ask(find.within, asked.name, asked.type, now)
        known = {(*record.key, record.data): record.ttl for record in message.records}
        keys: dict[Key, None] = {}
        for key in wanted:
            at, _ = self.answered.get((device, find.within, family, key), (-AGAIN, None))
            if at + AGAIN <= now and not self._knows(find, key, known, now):
                keys |= {each: None for each in (key, *self._belonging(find, key, now))}
        return found + self._tell(find, device, (family,), keys, now)

    def _types(self, find: Find, name: Labels) -> tuple[int, ...]:
        """The types of records under a name, in lower case, that may be found."""
        if find.lists(name):
            return (PTR,)
        if find.is_service(name):
            return (SRV, TXT)
        return (A, AAAA) if self._offers(find, name) else ()

    def _offers(self, find: Find, host: Labels) -> bool:
        """Whether a host, its name in lower case, offers anything that may be found."""
        return any(map(find.is_service, self.hosts.get(find.within, {}).get(host, ())))

    def _knows(
        self, find: Find, key: Key, known: Mapping[tuple[Labels, int, bytes], int], now: float
    ) -> bool:
        """Whether who asks says all of that already, and for long enough (RFC 6762 section 7.1)."""
        those = self._records(find, key, now)
        return bool(those) and all(
            known.get((*one.key, one.data), 0) * 2 >= one.ttl for one in those
        )

    def _belonging(self, find: Find, key: Key, now: float) -> Iterator[Key]:
        """What is told along with a record (RFC 6763 section 12)."""
        for record in self._records(find, key, now):
            target = lower(record.target)
            if record.type == PTR:
                yield target, SRV
                yield target, TXT
                yield from self._belonging(find, (target, SRV), now)
            elif record.type == SRV:
                yield target, A
                yield target, AAAA

    def _kinds(self, find: Find, device: str, family: int, now: float) -> list[Send]:
        """Which kinds there are: of those that may be found, of which there is one."""
        there = [kind for kind in find.types if self._records(find, (kind, PTR), now)]
        records = [Record(ENUMERATION, PTR, MOST_TTL, written(kind), kind) for kind in there]
        if not self._is_news((device, find.within, family, (ENUMERATION, PTR)), records, now):
            return []
        return self._sent(device, (family,), answers(records), now)

    def _ask(self, device: str, name: Labels, kind: int, now: float) -> list[Send]:
        key = (lower(name), kind)
        if self.asked.get((device, key), -AGAIN) + AGAIN > now:
            return []
        self.asked[device, key] = now
        return self._sent(device, GROUPS, [question(name, kind)], now)

    # --- somebody answers ---

    def _take(self, device: str, records: Iterable[Record], now: float) -> None:
        """The names that hosts at a device have themselves: nobody elsewhere has them there."""
        mine = self.taken.setdefault(device, {})
        for record in records:
            name = lower(record.name)
            if record.type != PTR and record.ttl and (name in mine or len(mine) < MOST_NAMES):
                mine[name] = now + record.ttl

    def _answered(self, device: str, records: tuple[Record, ...], now: float) -> list[Send]:
        """Keep what may be found at a device, forget what has gone, and tell those who find."""
        finds = [find for find in self.told.finds if find.within == device]
        gone = [self._leaving(find, records) for find in finds]
        for one in (each for those in gone for each in those):
            self._drop(device, one.key, one.data)
        keys = [self._learn(find, records, now) for find in finds]
        return [
            send
            for find, lost, known in zip(finds, gone, keys, strict=True)
            for by in sorted(find.by)
            for send in self._tell(find, by, GROUPS, known, now, lost)
        ]

    def _leaving(self, find: Find, records: tuple[Record, ...]) -> list[Record]:
        """What was known and has gone (RFC 6762 section 10.1); of addresses, with their services."""
        mine = self.kept.get(find.within, {})
        over = [one for one in records if not one.ttl and one.data in mine.get(one.key, {})]
        found = [one for one in over if one.type not in (A, AAAA) and self._fits(find, one)]
        hosts = {lower(one.target) for one in found if one.type == SRV}
        return found + [o for o in over if o.type in (A, AAAA) and lower(o.name) in hosts]

    def _learn(self, find: Find, records: tuple[Record, ...], now: float) -> dict[Key, None]:
        """Keep what is there: services first, then their hosts. What of it was said."""
        room = MOST_KEPT - sum(map(len, self.kept.get(find.within, {}).values()))
        there = [one for one in records if one.ttl]
        fit = [one for one in there if one.type not in (A, AAAA) and self._fits(find, one)]
        room = self._keep_all(find, fit, room, now)
        near = [one for one in there if one.type in (A, AAAA) and self._is_near(find, one)]
        near = [one for one in near if self._offers(find, lower(one.name))]
        self._keep_all(find, near, room, now)
        return {one.key: None for one in (*fit, *near)}

    def _fits(self, find: Find, record: Record) -> bool:
        """Whether a record that is no address is one that may be found."""
        if len(record.data) > LONGEST_DATA:
            return False
        if record.type == PTR:
            listed = find.lists(record.name) and find.is_service(record.target)
            return listed and find.type_of(record.name) == find.type_of(record.target)
        host = lower(record.target)
        named = record.type == TXT or (len(host) >= 2 and host[-1] == LOCAL)
        return named and find.is_service(record.name)

    def _is_near(self, find: Find, record: Record) -> bool:
        """Whether an address is one of hosts where is found, and none of the gateway's."""
        address = ip_address(record.data)
        inside = any(address in network for network in self.told.networks[find.within])
        return inside and str(address) not in self.told.own

    def _keep_all(self, find: Find, records: list[Record], room: int, now: float) -> int:
        here = {(one.key, one.data) for one in records}
        for record in records:
            room -= self._keep(find.within, record, here, room, now)
        return room

    def _keep(
        self, device: str, record: Record, here: set[tuple[Key, bytes]], room: int, now: float
    ) -> int:
        """Of what only one has (all but lists), what is not said any more goes. How many more
        records there are now. Where there are many, none lasts long: whoever says many that are none
        keeps those of others out for no longer than that, for they are asked for again."""
        those = self.kept.setdefault(device, {}).setdefault(record.key, {})
        before = len(those)
        if record.type != PTR:
            for data in [data for data in those if (record.key, data) not in here]:
                self._drop(device, record.key, data)
        if record.data in those or room > 0:
            most = BRIEF if room < MOST_KEPT - CROWDED else MOST_TTL
            those[record.data] = Kept(record, now + min(record.ttl, most))
            if record.type == SRV:
                hosts = self.hosts.setdefault(device, {})
                hosts.setdefault(lower(record.target), set()).add(record.key[0])
        return len(those) - before

    def _drop(self, device: str, key: Key, data: bytes) -> bool:
        """Whether it was known."""
        those = self.kept.get(device, {}).get(key, {})
        one = those.pop(data, None)
        if one is not None and key[1] == SRV:
            host = lower(one.record.target)
            if host not in {lower(other.record.target) for other in those.values()}:
                services = self.hosts.get(device, {}).get(host, set())
                services.discard(key[0])
                if not services:
                    self.hosts.get(device, {}).pop(host, None)
        return one is not None

    # --- what is told ---

    def _records(self, find: Find, key: Key, now: float) -> list[Record]:
        those = self.kept.get(find.within, {}).get(key, {})
        return [
            Record(one.record.name, key[1], round(one.until - now), data, one.record.target)
            for data, one in those.items()
            if one.until - now >= 1
        ]

    def _tell(
        self,
        find: Find,
        device: str,
        families: Iterable[int],
        keys: Iterable[Key],
        now: float,
        gone: Iterable[Record] = (),
    ) -> list[Send]:
        """Tell what is known under these keys. gone: what is not there any more."""
        bye = [one for one in gone if self._may_tell(find, device, one, now)]
        told = [
            [one for one in self._records(find, key, now) if self._may_tell(find, device, one, now)]
            for key in keys
        ]
        found: list[Send] = []
        for family in families:
            news = [*bye]
            for records in told:
                if records and self._is_news(
                    (device, find.within, family, records[0].key), records, now
                ):
                    news += records
            found += self._sent(device, (family,), answers(news), now)
        return found

    def _may_tell(self, find: Find, device: str, record: Record, now: float) -> bool:
        """What has, or leads to, a name that somebody else has at a device is not told there."""
        names = [lower(record.name)] if record.type != PTR else []
        names += [lower(record.target)] if record.target else []
        return all(self._may_have(find, device, name, now + record.ttl, now) for name in names)

    def _may_have(self, find: Find, device: str, name: Labels, until: float, now: float) -> bool:
        """Whether a name is free at a device for what is at another one; then that has it."""
        lent = self.lent.setdefault(device, {})
        holder, held = lent.get(name, (find.within, 0.0))
        if name in self.taken.get(device, {}) or (holder != find.within and held > now):
            return False
        if name not in lent and len(lent) >= MOST_NAMES:
            return False
        lent[name] = (find.within, max(held, until))
        return True

    def _is_news(self, what: Said, records: Iterable[Record], now: float) -> bool:
        """Whether not all of it was told within the last second; then it is now."""
        data = frozenset(record.data for record in records)
        at, told = self.answered.get(what, (-AGAIN, frozenset()))
        if not data or (at + AGAIN > now and data <= told):
            return False
        self.answered[what] = (now, data)
        return True

    def _sent(
        self, device: str, families: Iterable[int], messages: Iterable[bytes], now: float
    ) -> list[Send]:
        """As much of it as may leave to a device within a second."""
        return [
            Send(device, family, message)
            for message in messages
            for family in families
            if self._within((device, "told"), BURST, now)
        ]

    def _within(self, what: tuple[str, str], most: int, now: float, more: int = 1) -> bool:
        """Whether so many more do not make it more than `most` within a second."""
        begun, count = self.pace.get(what, (now, 0))
        begun, count = (begun, count + more) if begun + 1 > now else (now, more)
        self.pace[what] = (begun, count)
        return count <= most

    def _forget(self, now: float) -> None:
        """What is over; looked at once a second."""
        if self.forgot + 1 > now:
            return
        self.forgot = now
        for device, area in self.kept.items():
            for key, those in [*area.items()]:
                for data in [data for data, one in those.items() if one.until <= now]:
                    self._drop(device, key, data)
                if not those:
                    del area[key]
        for device, names in self.taken.items():
            self.taken[device] = {name: end for name, end in names.items() if end > now}
        for device, lent in self.lent.items():
            self.lent[device] = {name: held for name, held in lent.items() if held[1] > now}
        self.asked = {what: at for what, at in self.asked.items() if at + AGAIN > now}
        self.answered = {what: one for what, one in self.answered.items() if one[0] + AGAIN > now}


# --- at the devices ------------------------------------------------------------------------------

LOOK = 5.0  # seconds between two looks whether devices have come or gone
BIND_TO_DEVICE = getattr(socket, "SO_BINDTODEVICE", 25)


@dataclass(frozen=True, slots=True)
class Ear:
    """A socket of the group at a device. index: the kernel's number of the device."""

    device: str
    family: int
    index: int
    socket: socket.socket


def listening(device: str, family: int, index: int) -> Ear:
    """It hears what is sent to the group at that device, and nothing else. Raises OSError."""
    group = GROUPS[family]
    one = socket.socket(socket.AF_INET if family == 4 else socket.AF_INET6, socket.SOCK_DGRAM)
    try:
        one.setblocking(False)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        one.setsockopt(socket.SOL_SOCKET, BIND_TO_DEVICE, device.encode("ascii") + b"\0")
        if family == 4:
            where = struct.pack("4s4si", socket.inet_aton(group), bytes(4), index)
            one.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, where)
            one.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, where)
            one.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 0)
            one.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 255)
            one.bind((group, PORT))
        else:
            where = socket.inet_pton(socket.AF_INET6, group) + struct.pack("i", index)
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, where)
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, index)
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_LOOP, 0)
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, 255)
            one.bind((group, PORT, 0, index))
    except OSError:
        one.close()
        raise
    return Ear(device, family, index, one)


@dataclass(slots=True)
class Program:
    """The relay with its sockets."""

    relay: Relay
    ears: dict[tuple[str, int], Ear] = field(default_factory=dict)
    waiting: selectors.BaseSelector = field(default_factory=selectors.DefaultSelector)

    def look(self) -> bool:
        """Listen at each device that is there, and at none that is gone; whether anything is new."""
        new = False
        for device in sorted(self.relay.told.networks):
            for family in GROUPS:
                new |= self._look_at(device, family)
        return new

    def _look_at(self, device: str, family: int) -> bool:
        try:
            index = socket.if_nametoindex(device)
        except OSError:
            index = 0
        ear = self.ears.get((device, family))
        if ear is not None and ear.index != index:
            self.waiting.unregister(ear.socket)
            ear.socket.close()
            del self.ears[device, family]
            ear = None
        if ear is not None or not index:
            return False
        try:
            ear = listening(device, family, index)
        except OSError:  # it has no address yet, or is going
            return False
        self.ears[device, family] = ear
        self.waiting.register(ear.socket, selectors.EVENT_READ, ear)
        return True

    def run(self, seconds: float) -> None:
        """Hear for so long, and say what is to be said."""
        for key, _ in self.waiting.select(seconds):
            ear: Ear = key.data
            try:
                data, source = ear.socket.recvfrom(LONGEST + 1)
            except OSError:
                continue
            self.send(self.relay.heard(ear.device, ear.family, source[1], data, time.monotonic()))

    def send(self, sends: Iterable[Send]) -> None:
        """What can't be sent is lost, as everything may be that is sent to a group."""
        for one in sends:
            ear = self.ears.get((one.device, one.family))
            if ear is not None:
                end = (ear.index,) if one.family == 6 else ()
                to = (GROUPS[one.family], PORT, 0, *end) if end else (GROUPS[one.family], PORT)
                try:
                    ear.socket.sendto(one.data, to)
                except OSError:
                    continue


def main(path: str) -> None:
    """Run until the service manager ends it."""
    with open(path, encoding="ascii") as file:
        program = Program(Relay(settings(file.read())))
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        while True:
            if program.look():
                program.send(program.relay.begin(time.monotonic()))
            end = time.monotonic() + LOOK
            while (left := end - time.monotonic()) > 0:
                program.run(left)
    except KeyboardInterrupt:
        return


if __name__ == "__main__":
    main(sys.argv[1])
