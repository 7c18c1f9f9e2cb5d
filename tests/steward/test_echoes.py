"""Echoes as they are on the line, against scapy and against what RFC 1071 works out itself."""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP
from scapy.layers.inet6 import ICMPv6EchoReply, ICMPv6EchoRequest
from scapy.packet import Raw

from netcharter.steward.loop.echoes import answered, checksum, patience, question
from netcharter.steward.ways import Leg, Limits

TOKEN = b"\x01\x02\x03\x04\x05\x06\x07\x08"


def test_the_checksum_is_that_of_the_worked_example() -> None:
    """RFC 1071 section 3: the sum of 0001 f203 f4f5 f6f7 is ddf2; the checksum is its complement."""
    assert checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF


@given(st.binary(max_size=40))
def test_a_sum_with_its_checksum_is_nothing(data: bytes) -> None:
    padded = data + b"\0" * (len(data) % 2)
    assert checksum(padded + struct.pack(">H", checksum(padded))) == 0


def test_questions_are_echo_requests() -> None:
    read = ICMP(question(4, 0x1234, 3, TOKEN))
    assert (read.type, read.code, read.id, read.seq, bytes(read.payload)) == (
        8,
        0,
        0x1234,
        3,
        TOKEN,
    )
    assert bytes(ICMP(type=8, id=0x1234, seq=3) / Raw(TOKEN)) == question(4, 0x1234, 3, TOKEN)
    six = ICMPv6EchoRequest(question(6, 0x1234, 3, TOKEN))
    assert (six.type, six.code, six.id, six.seq, six.data) == (128, 0, 0x1234, 3, TOKEN)


def test_only_answers_to_our_own_questions_count() -> None:
    header = IP(src="198.51.100.1", dst="203.0.113.10", options=[])
    good = bytes(header / ICMP(type=0, id=7, seq=2) / Raw(TOKEN))
    assert answered(4, good, 7, TOKEN) == 2
    assert answered(4, good, 8, TOKEN) is None and answered(4, good, 7, TOKEN[::-1]) is None
    assert answered(4, bytes(header / ICMP(type=8, id=7, seq=2) / Raw(TOKEN)), 7, TOKEN) is None
    assert answered(6, bytes(ICMPv6EchoReply(id=7, seq=2, data=TOKEN)), 7, TOKEN) == 2


@given(st.sampled_from((4, 6)), st.binary(max_size=80))
def test_whatever_comes_does_no_harm(family: int, data: bytes) -> None:
    assert answered(family, data, 7, TOKEN) in (None, *range(1 << 16))


def test_answers_are_waited_for_longer_than_the_charter_allows() -> None:
    plain = Leg("copper", 4, 1, "eth0", "101")
    slow = Leg("copper", 4, 1, "eth0", "101", limits=Limits(delay=3.0))
    assert patience(plain) == 1.0 and patience(slow) == 4.5
