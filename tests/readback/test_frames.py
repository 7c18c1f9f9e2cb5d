"""The packets that the kernel is tried with are what they should be: scapy reads and writes them."""

from __future__ import annotations

from random import Random

import pytest
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.inet6 import IPv6, _ICMPv6
from scapy.layers.l2 import GRE, Ether
from scapy.layers.sctp import SCTP, SCTPChunkInit
from scapy.packet import Packet

from tests.readback import frames
from tests.readback.frames import Sent
from tests.readback.packets import packets
from tests.readback.values import pool


@pytest.fixture(scope="module")
def many(seed: int) -> list[Sent]:
    rng = Random(f"frames/{seed}")
    found = [sent for _ in range(40) for sent in packets(pool(rng), rng, 25)]
    return [sent for sent in found if sent.entrance]


def test_scapy_reads_what_was_meant(many: list[Sent]) -> None:
    for mark, sent in enumerate(many):
        found: Packet = Ether(frames.frame(sent, mark))
        assert found.src == sent.hardware
        network = ends = found[IPv6 if ":" in sent.source else IP]
        assert (ends.src, ends.dst) == (sent.source, sent.destination)
        protocol = network.nh if ":" in sent.source else network.proto
        assert protocol == sent.protocol
        if sent.protocol == frames.TCP:
            segment = found[TCP]
            assert (segment.sport, segment.dport, segment.flags) == (sent.port, sent.number, "S")
        elif sent.protocol == frames.UDP:
            assert (found[UDP].sport, found[UDP].dport) == (sent.port, sent.number)
        elif sent.protocol == frames.SCTP:
            assert (found[SCTP].sport, found[SCTP].dport) == (sent.port, sent.number)
            assert found[SCTPChunkInit].init_tag == (mark or 1)
        elif sent.protocol == frames.GRE:
            assert found[GRE].proto == frames.CARRIED
        elif sent.protocol == frames.ICMP:
            assert (found[ICMP].type, found[ICMP].code) == divmod(sent.number, 256)


def test_scapy_computes_the_same_checksums(many: list[Sent]) -> None:
    for mark, sent in enumerate(many):
        data = frames.frame(sent, mark)
        found: Packet = Ether(data)
        for layer, name in ((IP, "chksum"), (TCP, "chksum"), (UDP, "chksum"), (ICMP, "chksum")):
            if layer in found:
                delattr(found[layer], name)
        if sent.protocol == frames.SCTP:
            del found[SCTP].chksum
        if sent.protocol == frames.ICMP6 and isinstance(found.payload.payload, _ICMPv6):
            del found.payload.payload.cksum
        assert bytes(found) == data, sent
