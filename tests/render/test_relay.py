"""The relay: what it makes of messages, as scapy writes and reads them, and of hostile ones.

RFC 6762 (multicast DNS) and RFC 6763 (services) say what hosts send; scapy is the other reader.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.dns import DNS, DNSQR, DNSRR, DNSRRSRV

from netcharter.render import relay
from netcharter.render.relay import Malformed, Relay, Send, read, settings

TOLD = """# Netcharter: a remark
{"networks": {"hall": ["10.1.0.0/24", "fd00:0:0:1::/64"], "prints": ["10.2.0.0/24", "fd00:0:0:2::/64"],
 "shed": ["10.3.0.0/24"]},
 "own": ["10.1.0.1", "10.2.0.1"],
 "finds": [{"by": ["hall"], "in": "prints", "types": ["_ipp._tcp", "_printer._tcp"]},
           {"by": ["hall"], "in": "shed", "types": ["_ipp._tcp"]}]}
"""
IPP = "_ipp._tcp.local"


class Site:
    """A relay, and what it sends, told by place as names and types."""

    def __init__(self, told: str = TOLD) -> None:
        self.relay = Relay(settings(told))
        self.now = 100.0

    def hear(self, device: str, message: DNS, *, family: int = 4, port: int = 5353) -> list[str]:
        self.now += 0.001
        return shown(self.relay.heard(device, family, port, bytes(message), self.now))


def shown(sends: Iterable[Send]) -> list[str]:
    """Sorted: where, in which family, and what is asked (?) or told."""
    found = []
    for one in sends:
        message = DNS(one.data)
        at = f"{one.device}/{one.family} "
        found += [at + "?" + _text(q.qname) for q in message.qd or []]
        found += [at + _record(r) for r in message.an or []]
    return sorted(found)


def _text(name: Any) -> str:
    return (name if isinstance(name, str) else name.decode()).rstrip(".")


def _record(r: Any) -> str:
    data = _text(r.target) if r.type == relay.SRV else "" if r.type == relay.TXT else _text(r.rdata)
    return f"{_text(r.rrname)} {r.type} {data}".strip() + (" bye" if r.ttl == 0 else "")


def ask(name: str, kind: str | int = "PTR", known: Any = None, probe: bool = False) -> DNS:
    record = DNSRR(rrname=name, type="A", rdata="10.1.0.9")
    return DNS(
        id=0,
        rd=0,
        qd=[DNSQR(qname=name, qtype=kind)],
        an=[known] if known is not None else [],
        ns=[record] if probe else [],
    )


def service(
    kind: str = IPP, name: str = "Ink", host: str = "ink.local", address: str = "10.2.0.9",
    ttl: int = 120, more: Iterable[Any] = (),
) -> DNS:  # fmt: skip
    full = f"{name}.{kind}"
    family = "AAAA" if ":" in address else "A"
    records = [
        DNSRR(rrname=kind, type="PTR", ttl=ttl, rdata=full),
        DNSRRSRV(rrname=full, ttl=ttl, port=631, target=host, rclass=0x8001),
        DNSRR(rrname=full, type="TXT", ttl=ttl, rdata=[b"rp=print"], rclass=0x8001),
        DNSRR(rrname=host, type=family, ttl=ttl, rdata=address, rclass=0x8001),
        *more,
    ]
    return DNS(id=0, qr=1, aa=1, rd=0, qd=[], an=records)


def in_hall(*what: str, families: Iterable[int] = (4, 6)) -> list[str]:
    return sorted(f"hall/{family} {one}" for family in families for one in what)


WHOLE = (
    f"{IPP} 12 Ink.{IPP}",
    f"Ink.{IPP} 33 ink.local",
    f"Ink.{IPP} 16",
    "ink.local 1 10.2.0.9",
)


def test_a_question_is_asked_where_the_services_are_and_their_answers_are_told() -> None:
    site = Site()
    asked = site.hear("hall", ask(IPP))
    assert asked == sorted(f"{d}/{f} ?{IPP}" for d in ("prints", "shed") for f in (4, 6))
    assert site.hear("prints", service()) == in_hall(*WHOLE)


def test_what_is_known_is_told_at_once_with_all_that_belongs_to_it() -> None:
    """RFC 6763 section 12: with the list of services what they need to be reached."""
    site = Site()
    site.hear("prints", service())
    site.now += 2
    found = site.hear("hall", ask(IPP), family=6)
    assert [one for one in found if "?" not in one] == in_hall(*WHOLE, families=(6,))


def test_what_there_is_in_several_areas_is_told_together() -> None:
    site = Site()
    site.hear("prints", service())
    site.hear("shed", service(name="Saw", host="saw.local", address="10.3.0.9"))
    site.now += 2
    found = [one for one in site.hear("hall", ask(IPP)) if "?" not in one]
    saw = (
        f"{IPP} 12 Saw.{IPP}",
        f"Saw.{IPP} 33 saw.local",
        f"Saw.{IPP} 16",
        "saw.local 1 10.3.0.9",
    )
    assert found == in_hall(*WHOLE, *saw, families=(4,))
    assert site.hear("hall", ask(IPP)) == []


def test_who_knows_it_all_is_told_nothing() -> None:
    """RFC 6762 section 7.1: known answers with at least half of their time."""
    site = Site()
    site.hear("prints", service())
    site.now += 2
    for ttl, silent in ((100, True), (50, False)):
        site.now += 2
        known = DNSRR(rrname=IPP, type="PTR", ttl=ttl, rdata=f"Ink.{IPP}")
        found = site.hear("hall", ask(IPP, known=known))
        assert all("?" in one for one in found) is silent


def test_nothing_goes_the_other_way() -> None:
    site = Site()
    assert site.hear("prints", ask(IPP)) == []
    assert site.hear("hall", service(address="10.1.0.9")) == []
    assert site.hear("shed", ask(IPP)) == []


@pytest.mark.parametrize(
    "message",
    [
        ask("_ssh._tcp.local"),
        ask("ink.local", "A"),
        ask("Ink._ssh._tcp.local", "SRV"),
        ask("a.b._ipp._tcp.local", "SRV"),
        ask("_ipp._tcp.example"),
        ask("_ipp._udp.local"),
        ask(IPP, "A"),
        ask("Ink._ipp._tcp.local", "PTR"),
        ask("_services._dns-sd._udp.local"),
        ask("ink.local", 255, probe=True),
        ask(IPP, probe=True),
    ],
)
def test_other_questions_go_nowhere(message: DNS) -> None:
    assert Site().hear("hall", message) == []


def test_a_question_from_another_port_is_not_answered() -> None:
    site = Site()
    site.hear("prints", service())
    assert site.hear("hall", ask(IPP), port=40_000) == []


def test_hosts_are_asked_for_once_they_offer_something() -> None:
    site = Site()
    assert site.hear("hall", ask("ink.local", "AAAA")) == []
    site.hear("prints", service())
    asked = site.hear("hall", ask("INK.local", "AAAA"))
    assert asked == sorted(f"prints/{f} ?INK.local" for f in (4, 6))
    six = DNS(qr=1, aa=1, qd=[], an=[
        DNSRR(rrname="ink.local", type="AAAA", ttl=120, rdata=a, rclass=0x8001)
        for a in ("fd00:0:0:2::9", "fe80::9", "fd00:0:0:7::9")
    ])  # fmt: skip
    assert site.hear("prints", six) == in_hall("ink.local 28 fd00:0:0:2::9")


@pytest.mark.parametrize(
    "message",
    [
        service("_ssh._tcp.local"),
        service(name="x._ipp._tcp.local", kind="_ssh._tcp.local"),
        service(kind="_ssh._tcp.local", host="a._ipp._tcp.local"),
        DNS(qr=1, qd=[], an=[DNSRR(rrname="files.local", type="A", rdata="10.2.0.9")]),
        DNS(qr=1, qd=[], an=[DNSRR(rrname=IPP, type="PTR", rdata="x._ssh._tcp.local")]),
        DNS(qr=1, qd=[], an=[DNSRR(rrname="_services._dns-sd._udp.local", type="PTR", rdata=IPP)]),
    ],
)
def test_other_answers_are_told_to_nobody(message: DNS) -> None:
    assert Site().hear("prints", message) == []


@pytest.mark.parametrize("address", ["10.1.0.9", "10.2.0.1", "127.0.0.1", "224.0.0.1", "fe80::1"])
def test_addresses_elsewhere_are_not_told(address: str) -> None:
    """Of the other area, the gateway's own, and what is nobody's in that area."""
    assert not any(address in one for one in Site().hear("prints", service(address=address)))


def test_a_host_keeps_its_name_from_whoever_takes_it_elsewhere() -> None:
    site = Site()
    own = DNSRR(rrname="Files.local", type="A", ttl=120, rdata="10.1.0.7", rclass=0x8001)
    site.hear("hall", DNS(qr=1, aa=1, qd=[], an=[own]))
    found = site.hear("prints", service(host="files.LOCAL"))
    assert not any("files" in one.lower() for one in found) and found
    site.now += 121
    site.hear("prints", service())
    assert site.hear("prints", service(host="files.local", name="Two")) != []


def test_of_two_areas_the_first_has_a_name() -> None:
    site = Site()
    site.hear("prints", service())
    site.now += 2
    assert site.hear("shed", service(address="10.3.0.9", host="other.local")) == in_hall(
        "other.local 1 10.3.0.9"
    )
    assert site.hear("shed", service(name="Three", address="10.3.0.9", host="ink.local")) != []
    assert "10.3.0.9" not in " ".join(site.hear("hall", ask("ink.local", "A")))


def test_what_goes_is_told() -> None:
    """RFC 6762 section 10.1: a time of 0 is a goodbye; and what is over is not told any more."""
    site = Site()
    site.hear("prints", service())
    site.now += 2
    assert site.hear("prints", service(ttl=0)) == in_hall(*(f"{one} bye" for one in WHOLE))
    site.now += 2
    assert all("?" in one for one in site.hear("hall", ask(IPP)))
    site.hear("prints", service())
    site.now += 121
    assert all("?" in one for one in site.hear("hall", ask(IPP)))


def test_whoever_finds_it_is_told_what_goes() -> None:
    site = Site(
        TOLD.replace('"in": "shed"', '"in": "prints"').replace(
            '["hall"], "in": "prints", "types": ["_ipp._tcp"]',
            '["shed"], "in": "prints", "types": ["_ipp._tcp"]',
        )
    )
    both = sorted(f"{d}/{f} {one} bye" for d in ("hall", "shed") for f in (4, 6) for one in WHOLE)
    site.hear("prints", service())
    site.now += 2
    assert site.hear("prints", service(ttl=0)) == both
    assert not site.relay.hosts["prints"] and not site.hear("hall", ask("ink.local", "A"))


def test_an_address_that_changed_is_the_only_one() -> None:
    """RFC 6762 section 10.2: all but lists are said whole."""
    site = Site()
    site.hear("prints", service())
    site.now += 2
    assert site.hear("prints", service(address="10.2.0.10")) == in_hall(
        *WHOLE[:3], "ink.local 1 10.2.0.10"
    )


def test_the_kinds_that_there_are_are_told() -> None:
    """RFC 6763 section 9."""
    site = Site()
    site.hear("prints", service())
    site.hear("prints", service("_ssh._tcp.local"))
    found = site.hear("hall", ask("_services._dns-sd._udp.local"))
    assert found == in_hall(f"_services._dns-sd._udp.local 12 {IPP}", families=(4,))


def test_nothing_is_asked_or_told_twice_within_a_second() -> None:
    """RFC 6762 sections 5.2 and 6; but what is new is told."""
    site = Site()
    assert site.hear("hall", ask(IPP)) and not site.hear("hall", ask(IPP))
    assert site.hear("prints", service()) and not site.hear("prints", service())
    assert site.hear("prints", service(name="Two", host="two.local")) != []
    site.now += 1
    assert site.hear("hall", ask(IPP)) and site.hear("prints", service())


def test_a_flood_is_neither_handed_on_nor_kept() -> None:
    site = Site()
    sent, one = 0, bytes(service(name="n1000", host="n1000.local"))
    for number in range(1_000, 4_000):
        data = one.replace(b"n1000", f"n{number}".encode())
        sent += len(site.relay.heard("prints", 4, 5353, data, site.now + number / 4_000))
    assert sent <= relay.BURST
    area = site.relay.kept["prints"]
    assert sum(map(len, area.values())) <= relay.MOST_KEPT
    large = DNSRR(rrname=f"Ink.{IPP}", type="TXT", ttl=120, rdata=[b"x" * 255] * 9)
    assert site.hear("prints", DNS(qr=1, qd=[], an=[large])) == []


def test_large_messages_count_for_more() -> None:
    """One who asks much is not heard all the time, so that others are."""
    site, name = Site(), relay.written((b"_ipp", b"_tcp", b"local"))
    many = (
        struct.pack("!6H", 0, 0, 300, 0, 0, 0) + name + b"\0\x0c\0\1" + b"\xc0\x0c\0\x0c\0\1" * 299
    )
    heard = [read(many).parts for _ in range(20)]
    assert sum(heard) == 6_000
    for _ in heard:
        site.relay.heard("hall", 4, 5353, many, site.now)
    assert site.hear("prints", service()) and not site.hear("hall", ask(IPP))
    site.now += 1
    assert site.hear("hall", ask(IPP))


def test_who_fills_the_room_keeps_nobody_out_for_long() -> None:
    site, one = Site(), bytes(service(name="n1000", host="n1000.local", ttl=4_500))
    for number in range(1_000, 1_520):
        data = one.replace(b"n1000", f"n{number}".encode())
        site.relay.heard("prints", 4, 5353, data, site.now + number / 200)
    site.now += 1_520 / 200
    assert sum(map(len, site.relay.kept["prints"].values())) == relay.MOST_KEPT
    late = service(name="Late", host="late.local", ttl=4_500)
    assert not any("Late" in one for one in site.hear("prints", late))
    site.now += relay.BRIEF + 2
    assert any("Late" in one for one in site.hear("prints", late))


def test_many_services_are_told_in_several_messages() -> None:
    site = Site()
    more = [DNSRR(rrname=IPP, type="PTR", ttl=120, rdata=f"{'x' * 40}{n}.{IPP}") for n in range(60)]
    message = DNS(qr=1, aa=1, qd=[], an=more)
    sends = site.relay.heard("prints", 4, 5353, bytes(message), 5.0)
    assert len(sends) > 2 and all(len(one.data) <= relay.ROOM + 100 for one in sends)
    assert len(shown(sends)) == 2 * 60


NAMES = [
    *(IPP, "_printer._tcp.local", "_ssh._tcp.local", "_x._sub._ipp._tcp.local"),
    *(f"Ink.{IPP}", "Ink._ssh._tcp.local", "_ipp._tcp.local._ssh._tcp.local", f"a.b.{IPP}"),
    *("ink.local", "files.local", "ink.example", "_services._dns-sd._udp.local"),
]
ADDRESSES = ["10.2.0.9", "10.2.0.1", "10.3.0.9", "10.1.0.9", "fd00:0:0:2::9", "fe80::9"]


def anything(rng: random.Random) -> DNS:
    """A question or an answer, of names that may be found and others."""
    if rng.random() < 0.4:
        kinds: list[str | int] = ["PTR", "SRV", "TXT", "A", "AAAA", 255]
        return ask(rng.choice(NAMES), rng.choice(kinds))
    records = []
    for _ in range(rng.randint(2, 6)):
        name, ttl = rng.choice(NAMES), rng.choice((0, 1, 120, 120, 120))
        kind = rng.choice(("PTR", "SRV", "TXT", "A", "NSEC"))
        address = rng.choice(ADDRESSES)
        records.append(
            DNSRRSRV(rrname=name, ttl=ttl, target=rng.choice(NAMES))
            if kind == "SRV"
            else DNSRR(rrname=name, type="AAAA" if ":" in address else "A", ttl=ttl, rdata=address)
            if kind == "A"
            else DNSRR(rrname=name, type=kind, ttl=ttl, rdata=rng.choice(NAMES))
            if kind == "PTR"
            else DNSRR(rrname=name, type=kind, ttl=ttl, rdata=b"x")
        )
    return DNS(qr=1, aa=1, qd=[], an=records)


def test_whatever_is_sent_only_what_may_be_found_comes_through() -> None:
    """A second reading of what the relay may say, by text alone."""
    types = {"prints": (IPP, "_printer._tcp.local"), "shed": (IPP,)}
    nets = {"prints": ("10.2.0.9", "fd00:0:0:2::9"), "shed": ("10.3.0.9",)}
    rng, count = random.Random("anything"), 0
    for _ in range(20):
        site = Site()
        offering: dict[str, set[str]] = {"prints": set(), "shed": set()}
        for _ in range(30):
            site.now += rng.choice((0.01, 0.5, 2.0))
            device, message = rng.choice(("hall", "prints", "shed")), anything(rng)
            if device in types and message.qr:
                offering[device] |= {
                    _text(r.target) for r in message.an
                    if r.type == relay.SRV and _text(r.rrname) in [f"Ink.{t}" for t in types[device]]
                }  # fmt: skip
            for one in site.relay.heard(device, 4, 5353, bytes(message), site.now):
                said = DNS(one.data)
                count += 1
                if not said.qr:
                    assert device == "hall" and one.device in types, message.show(dump=True)
                    name = _text(said.qd[0].qname)
                    named = name.endswith(types[one.device]) and not name.startswith("a.b.")
                    assert named or name in offering[one.device], name
                    continue
                assert one.device == "hall"
                for r in said.an:
                    name = _text(r.rrname)
                    if r.type in (relay.A, relay.AAAA):
                        assert any(
                            name in offering[d] and r.rdata in nets[d]
                            for d in types
                            if device in ("hall", d)
                        ), (name, r.rdata)
                    else:
                        assert name.endswith(
                            ("._ipp._tcp.local", "._printer._tcp.local")
                        ) or name in (
                            *types["prints"],
                            "_services._dns-sd._udp.local",
                        )
    assert count > 40


@given(st.binary(max_size=400))
def test_what_is_no_message_is_nothing(data: bytes) -> None:
    Relay(settings(TOLD)).heard("hall", 4, 5353, data, 1.0)
    Relay(settings(TOLD)).heard("prints", 6, 5353, data, 1.0)


def test_damaged_messages_are_nothing() -> None:
    rng, known = random.Random("relay"), settings(TOLD)
    for whole in (bytes(service()), bytes(ask(IPP))):
        for _ in range(1_000):
            data = bytearray(whole[: rng.randint(0, len(whole))])
            for _ in range(rng.randint(0, 4)):
                if data:
                    data[rng.randrange(len(data))] = rng.randrange(256)
            Relay(known).heard("prints", 4, 5353, bytes(data), 1.0)


@pytest.mark.parametrize(
    "data",
    [
        b"\0" * 12 + b"\0" * 9_000,  # longer than any (RFC 6762 section 17)
        b"\0\0\0\0\0\1" + b"\0" * 6 + b"\xc0\x0c\0\x0c\0\1",  # a name that leads to itself
        b"\0\0\0\0\0\1" + b"\0" * 6 + b"\xc0\x0e\0\x0c\0\1",  # and forwards
        b"\0\0\0\0\0\1" + b"\0" * 6 + b"\x41" + b"x" * 65 + b"\0\0\x0c\0\1",  # a label of 65 bytes
        b"\0\0\0\0\xff\xff" + b"\0" * 6,  # as many questions as can be
        b"\0\0\x28\0\0\1" + b"\0" * 6 + b"\0\0\x0c\0\1",  # an update (RFC 2136)
    ],
)
def test_traps_are_refused(data: bytes) -> None:
    with pytest.raises(Malformed):
        read(data)


class Counted(bytes):
    """Bytes that count how often one of them is looked at."""

    looks = 0

    def __getitem__(self, place: Any) -> Any:
        Counted.looks += 1
        return super().__getitem__(place)


def test_a_small_message_makes_no_long_work() -> None:
    """Pointers that lead to pointers (RFC 1035 section 4.1.4 sets no bound to these), and names of
    as many labels as can be, in each of many records."""
    chain = b"\0" + b"".join(
        struct.pack("!H", 0xC000 | 23 + max(2 * n - 1, 0)) for n in range(1_600)
    )
    deep = b"\1x" * 127 + b"\0"
    for carried, place in ((chain, 23 + len(chain) - 2), (deep, 23)):
        parts = [b"\0" + struct.pack("!HHIH", 99, 1, 10, len(carried)) + carried]
        lead = struct.pack("!H", 0xC000 | place)
        parts += [lead + struct.pack("!HHIH", relay.PTR, 1, 10, 2) + lead] * 398
        Counted.looks = 0
        with pytest.raises(Malformed):
            read(Counted(struct.pack("!6H", 0, 0x8400, 0, len(parts), 0, 0) + b"".join(parts)))
        assert Counted.looks <= 3 * relay.MOST_STEPS


def test_sound_messages_of_many_records_are_read() -> None:
    """Addresses of a host backwards, as hosts tell them (RFC 6762 section 4; the name of one in IPv6
    has 34 labels, RFC 3596 section 2.5), and many services."""
    back = ".".join("0123456789abcdef" * 2) + ".ip6.arpa"
    records: list[Any] = [
        DNSRR(rrname=back, type="PTR", ttl=120, rdata="ink.local") for _ in range(20)
    ]
    for number in range(60):
        full = f"n{number}.{IPP}"
        records.append(DNSRR(rrname=IPP, type="PTR", ttl=120, rdata=full))
        records.append(DNSRRSRV(rrname=full, ttl=120, port=631, target=f"n{number}.local"))
    assert len(read(bytes(DNS(qr=1, aa=1, qd=[], an=records))).records) == 140


def test_every_byte_of_a_label_goes_through() -> None:
    """RFC 6763 section 4.1.1: an instance may be called anything, in UTF-8."""
    label = 'Büro. "2" \\ <i>'.encode()
    name = (label, b"_ipp", b"_tcp", b"local")
    record = relay.Record((b"_ipp", b"_tcp", b"local"), relay.PTR, 120, relay.written(name), name)
    (message,) = relay.answers([record])
    assert read(message).records == (record,)
    site = Site()
    (four, six) = site.relay.heard("prints", 4, 5353, message, 1.0)
    assert read(four.data).records == read(six.data).records == (record,)
