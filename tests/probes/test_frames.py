"""The bytes of probes beside scapy, which reads them as everybody else does and whose checksums
are its own; and what is read from bytes that scapy wrote.
"""

from __future__ import annotations

import io
from ipaddress import IPv4Address, IPv6Address
from typing import Any

import pytest
from scapy.layers.inet import ICMP, IP, TCP, UDP, IPerror, defragment, in4_chksum
from scapy.layers.inet6 import (
    ICMPv6DestUnreach,
    ICMPv6EchoRequest,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_RA,
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrRouting,
    defragment6,
)
from scapy.layers.l2 import Ether
from scapy.layers.sctp import SCTP, SCTPChunkInit
from scapy.packet import Raw
from scapy.utils import RawPcapNgReader

from netcharter.probes import frames
from netcharter.probes.captures import Taken, pcapng
from netcharter.probes.frames import data, framed, packets
from netcharter.probes.shapes import Answered, Packet, Shape
from netcharter.probes.sightings import in_frame, in_packet4, in_packet6

HOME4, AWAY4 = IPv4Address("192.0.2.10"), IPv4Address("198.51.100.70")
HOME6, AWAY6 = IPv6Address("2001:db8:1::10"), IPv6Address("2001:db8:2::70")
TOKEN = 0x1234_0400
PROTOCOLS = (1, 2, 6, 17, 33, 47, 50, 58, 132, 136, 255)


def packet(version: int, protocol: int, number: int = 0, port: int = 40_001) -> Packet:
    source, destination = (HOME4, AWAY4) if version == 4 else (HOME6, AWAY6)
    return Packet(source, destination, protocol, number, port, 0x0200_0000_0001)


def dissected(octets: bytes) -> Any:
    return (IP if octets[0] >> 4 == 4 else IPv6)(octets)


def rebuilt(octets: bytes) -> bytes:
    """The same packet with every checksum and length computed by scapy."""
    found = dissected(octets)
    for layer in [layer for layer in (found, *_layers(found)) if hasattr(layer, "chksum")]:
        if not isinstance(layer, IPerror):
            layer.chksum = None
    return bytes(found)


def _layers(found: Any) -> list[Any]:
    out = []
    while found.payload:
        found = found.payload
        out.append(found)
    return out


@pytest.mark.parametrize("version", (4, 6))
@pytest.mark.parametrize("shape", ("plain", "no-start", "no-question", "extension"))
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_checksums_and_lengths_are_those_that_scapy_computes(
    version: int, shape: Shape, protocol: int
) -> None:
    for number in (0, 53, 0x0300, 0x0800, 0x8000, 0x8600):
        for octets in packets(packet(version, protocol, number), shape, TOKEN):
            assert rebuilt(octets) == octets


def test_a_first_packet_of_tcp() -> None:
    found = dissected(packets(packet(4, 6, 443), "plain", TOKEN)[0])
    assert (found.src, found.dst, found.proto) == (str(HOME4), str(AWAY4), 6)
    assert (found[TCP].sport, found[TCP].dport) == (40_001, 443)
    assert (found[TCP].seq, str(found[TCP].flags)) == (TOKEN, "S")
    found = dissected(packets(packet(6, 6, 443), "no-start", TOKEN)[0])
    assert (found[TCP].seq, found[TCP].ack, str(found[TCP].flags)) == (TOKEN, TOKEN, "A")


def test_echo_requests_carry_their_identifier() -> None:
    found = dissected(packets(packet(4, 1, 0x0800, 77), "plain", TOKEN)[0])
    assert (found[ICMP].type, found[ICMP].code, found[ICMP].id) == (8, 0, 77)
    found = dissected(packets(packet(6, 58, 0x8000, 78), "plain", TOKEN)[0])
    assert found[ICMPv6EchoRequest].id == 78


def test_messages_of_neighbour_discovery_have_the_form_that_receivers_demand() -> None:
    """RFC 4861 sections 6.1 and 7.1: hop limit 255, options none of which is empty."""
    for kind, layer in ((134, ICMPv6ND_RA), (135, ICMPv6ND_NS), (136, ICMPv6ND_NA)):
        found = dissected(packets(packet(6, 58, kind << 8), "plain", TOKEN)[0])
        assert found.hlim == 255 and found[layer].type == kind
        assert found[layer].payload.type == 253 and found[layer].payload.len == 3
    assert dissected(packets(packet(6, 58, 134 << 8), "plain", TOKEN)[0])[ICMPv6ND_RA].prf == 0
    near = Packet(IPv6Address("fe80::1"), IPv6Address("ff02::1"), 58, 130 << 8, 1, 2)
    octets = packets(near, "plain", TOKEN)[0]
    assert dissected(octets).hlim == 1
    # RFC 2710 section 3: type, code, checksum, delay and nothing, group
    assert octets[40:42] == b"\x82\0" and octets[44:50] == b"\0\0\0\0\xff\x02"


def test_an_init_of_sctp_and_a_request_of_dccp() -> None:
    """The CRC is that of RFC 9260 appendix A; the check value is the published one of CRC-32C."""
    assert frames.crc32c(b"123456789") == 0xE3069283
    found = dissected(packets(packet(4, 132, 443), "plain", TOKEN)[0])
    octets = bytes(found[SCTP])
    found[SCTP].chksum = None
    assert bytes(found[SCTP]) == octets
    assert (found[SCTP].tag, found[SCTPChunkInit].init_tag) == (0, TOKEN)
    found = dissected(packets(packet(4, 33, 80), "plain", TOKEN)[0])
    request = bytes(found.payload)
    # RFC 4340 section 5.1: ports, data offset in words, ..., type 0 and X = 1 in the ninth byte
    assert request[:5] == (40_001).to_bytes(2, "big") + bytes((0, 80, 5)) and request[8] == 1
    assert in4_chksum(33, found, request) == 0


@pytest.mark.parametrize("backwards", (False, True))
def test_fragments_are_one_datagram(backwards: bool) -> None:
    said = data(TOKEN)
    pieces = packets(packet(4, 17, 53), "fragments", TOKEN, backwards)
    assert len(pieces) > 1
    ordered = sorted((IP(piece) for piece in pieces), key=lambda piece: piece.frag)
    whole = defragment(ordered)  # type: ignore[no-untyped-call]
    assert len(whole) == 1 and bytes(whole[0][UDP].payload) == said
    assert rebuilt(bytes(whole[0])) == bytes(whole[0])
    pieces = packets(packet(6, 17, 53), "fragments", TOKEN, backwards)
    whole6 = defragment6([IPv6(piece) for piece in pieces])  # type: ignore[no-untyped-call]
    assert bytes(IPv6(bytes(whole6))[UDP].payload) == said
    offsets = [IP(piece).frag for piece in packets(packet(4, 17, 53), "fragments", 1, backwards)]
    assert offsets == sorted(offsets, reverse=backwards)


def test_extension_headers_stand_before_the_transport() -> None:
    found = dissected(packets(packet(6, 6, 80), "extension", TOKEN)[0])
    assert found[IPv6ExtHdrDestOpt].nh == 6 and found[TCP].dport == 80
    found = dissected(packets(packet(6, 17, 80), "source-routed", TOKEN)[0])
    header = found[IPv6ExtHdrRouting]
    assert (header.type, header.segleft, header.addresses) == (0, 1, [str(HOME6)])
    assert found[UDP].dport == 80


def test_frames_to_many_go_to_their_group() -> None:
    """Hardware addresses of groups: RFC 1112 section 6.4, RFC 2464 section 7."""
    for end, hardware in (
        ("198.51.100.70", "02:00:00:00:00:09"),
        ("255.255.255.255", "ff:ff:ff:ff:ff:ff"),
        ("224.129.2.3", "01:00:5e:01:02:03"),
    ):
        octets = packets(Packet(HOME4, IPv4Address(end), 17, 67, 68, 1), "plain", TOKEN)[0]
        assert Ether(framed(octets, 1, 0x0200_0000_0009)).dst == hardware
    octets = packets(Packet(HOME6, IPv6Address("ff02::1:ff00:7"), 17, 7, 7, 1), "plain", 0)[0]
    assert Ether(framed(octets, 1, 2)).dst == "33:33:ff:00:00:07"


@pytest.mark.parametrize("version", (4, 6))
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_probe_is_known_by_its_token(version: int, protocol: int) -> None:
    own = {4: 1, 6: 58}[version]
    for number in (80, 0x0800, 0x8000, 0x0301, 0x0101, 0x8700, 0x8200, 0x8F00, 0x0D00, 0x0500):
        asked = packet(version, protocol, number)
        octets = packets(asked, "plain", TOKEN)[0]
        seen = in_frame(framed(octets, 1, 2))
        assert seen is not None and seen.token == TOKEN
        assert (seen.source, seen.destination) == (asked.source, asked.destination)
        ported = protocol in (6, 17, 33, 132, 136) or protocol == own
        assert seen.number == number or not ported


def test_a_probe_is_known_in_all_its_shapes() -> None:
    for version in (4, 6):
        read = in_packet4 if version == 4 else in_packet6
        for shape, protocol in (("no-start", 6), ("fragments", 17), ("extension", 6)):
            asked = packet(version, protocol, 80)
            seen = [read(each) for each in packets(asked, shape, TOKEN)]  # type: ignore[arg-type]
            assert seen[0] is not None and seen[0].token == TOKEN and seen[0].answer is None
            assert all(each is None for each in seen[1:])


def answers() -> list[tuple[str, Any, Answered]]:
    """What scapy builds as answers to a SYN, to a datagram and to an echo request."""
    syn4, udp4 = (packets(packet(4, p, 80), "plain", TOKEN)[0] for p in (6, 17))
    syn6, udp6 = (packets(packet(6, p, 80), "plain", TOKEN)[0] for p in (6, 17))
    back4, back6 = IP(src=str(AWAY4), dst=str(HOME4)), IPv6(src=str(AWAY6), dst=str(HOME6))
    tcp: Any = {"sport": 80, "dport": 40_001, "ack": TOKEN + 1}
    return [
        ("syn-ack", back4 / TCP(flags="SA", seq=7, **tcp), "answered"),
        ("reset", back4 / TCP(flags="RA", seq=0, **tcp), "reset"),
        ("reset of an ack", back6 / TCP(flags="R", sport=80, dport=40_001, seq=TOKEN), "reset"),
        ("reply", back4 / UDP(sport=80, dport=40_001) / Raw(data(TOKEN, frames.REPLY)), "answered"),
        ("echo reply", back4 / ICMP(type=0, id=9) / Raw(data(TOKEN)), "answered"),
        ("timestamp", back4 / ICMP(type=14, ts_ori=TOKEN), "answered"),
        *(
            (f"3/{code}", back4 / ICMP(type=3, code=code) / Raw(quoted), told)
            for code, told in _codes()
            for quoted in (syn4, udp4, syn4[:28])
        ),
        ("hops", back4 / ICMP(type=11) / Raw(udp4), "unreachable"),
        ("1/1", back6 / ICMPv6DestUnreach(code=1) / Raw(syn6), "prohibited"),
        ("1/4", back6 / ICMPv6DestUnreach(code=4) / Raw(udp6), "unreachable"),
    ]


def _codes() -> list[tuple[int, Answered]]:
    """RFC 1122 section 3.2.2.1 and RFC 1812 section 5.2.7.1: 9, 10 and 13 say "prohibited"."""
    return [(code, "prohibited" if code in (9, 10, 13) else "unreachable") for code in range(16)]


@pytest.mark.parametrize("answer", answers(), ids=lambda said: said[0])
def test_answers_lead_back_to_their_probe(answer: tuple[str, Any, Answered]) -> None:
    _, built, told = answer
    seen = in_frame(bytes(Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02") / built))
    assert seen is not None
    assert (seen.token, seen.answer) == (TOKEN, told)


def test_an_error_that_nobody_asked_for_quotes_what_its_receiver_might_have_sent() -> None:
    found = dissected(packets(packet(4, 1, 0x0303), "no-question", TOKEN)[0])
    assert (found[IPerror].src, found[IPerror].dst) == (str(AWAY4), str(HOME4))


def test_foreign_and_damaged_bytes_say_nothing() -> None:
    whole = framed(packets(packet(6, 58, 0x0101), "no-question", TOKEN)[0], 1, 2)
    for end in range(len(whole)):
        in_frame(whole[:end])
    for octets in (b"", b"\0" * 14, b"\0" * 12 + frames.IP4 + b"\x45" + bytes(40)):
        assert in_frame(octets) is None
    stranger = Ether() / IP(src="192.0.2.1", dst="192.0.2.2") / UDP() / Raw(b"not ours")
    assert in_frame(bytes(stranger)) is None


def test_two_families_in_one_packet_are_refused() -> None:
    with pytest.raises(ValueError, match="two families"):
        packets(Packet(HOME4, AWAY6, 6, 80, 1, None), "plain", TOKEN)


def test_captures_are_read_by_others() -> None:
    second = 1_790_000_000 * 10**9
    taken = [Taken("barn", second + 5, b"b" * 61), Taken("office laptop", second, b"a" * 60)]
    file: Any = io.BytesIO(pcapng(taken, "rule 3: nothing came"))
    reader: Any = RawPcapNgReader(file)
    found = [(octets, said.ifname, said.tshigh << 32 | said.tslow) for octets, said in reader]
    assert found == [
        (b"a" * 60, b"office laptop", second),
        (b"b" * 61, b"barn", second + 5),
    ]
