"""The first packets there are, as boxes, and what conntrack makes of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcharter.readback.devices import Devices
from netcharter.readback.keys import ICMP, ICMP6, PORTED, services
from netcharter.readback.sets import Sets
from netcharter.readback.shapes import HARDWARE_NONE, SERVICE
from netcharter.readback.state import Course, State, narrowed
from netcharter.readback.values import ANY4, ANY6
from netcharter.space.ranges import Ranges, ranges, subtract, union

# The kernel's nf_conntrack_proto_icmp.c and nf_conntrack_proto_icmpv6.c (from memory): messages
# that begin a conversation, and those of IPv6 that are left untracked (redirects, 137, in newer
# kernels only; older ones find them invalid).
BEGINNING = {4: (8, 13, 15, 17), 6: (128, 139)}
UNTRACKED6 = (130, 131, 132, 133, 134, 135, 136, 143)


def real_services(family: int) -> Ranges:
    """Ports and ICMP types where a protocol has them; the other family's ICMP has none here."""
    icmp, other = (ICMP, ICMP6) if family == 4 else (ICMP6, ICMP)
    numbered = services((*PORTED, icmp))
    bare = ranges(*((p << 16, p << 16) for p in range(256) if p not in (*PORTED, icmp, other)))
    return union(numbered, bare, ((other << 16, other << 16),))


def starts(sets: Sets, devices: Devices) -> Iterator[State]:
    """By family: what arrives at any device, and what the host itself sends."""
    for family, addresses in ((4, ANY4), (6, ANY6)):
        where, found = sets.of(addresses), sets.of(real_services(family))
        ports = sets.of(((0, 0xFFFF),))
        anywhere = sets.of(devices.all)
        hardware = sets.of(((0, HARDWARE_NONE),))
        none = sets.of(((HARDWARE_NONE, HARDWARE_NONE),))
        outside, own = sets.of(devices.outside), sets.of(devices.own)
        arriving = (outside, anywhere, hardware, where, where, found, ports)
        yield State(arriving, (), Course(family, False, "prerouting"))
        sending = (own, anywhere, none, where, where, found, ports)
        yield State(sending, (), Course(family, True, "output"))


def conntracked(sets: Sets, state: State) -> Iterator[State]:
    """The parts of a box by what conntrack makes of them: new, untracked, invalid."""
    family = state.course.family
    icmp = ICMP if family == 4 else ICMP6
    begin = _types(icmp, BEGINNING[family])
    untracked = _types(icmp, UNTRACKED6) if family == 6 else ()
    # All of the other family's ICMP is invalid, too.
    invalid = subtract(services((ICMP, ICMP6)), union(begin, untracked))
    new = subtract(((0, (256 << 16) - 1),), union(untracked, invalid))
    for track, found in (("new", new), ("untracked", untracked), ("invalid", invalid)):
        box = narrowed(sets, state.box, ((SERVICE, sets.of(found)),))
        if box is not None:
            yield State(box, state.held, replace(state.course, track=track))


def _types(protocol: int, types: tuple[int, ...]) -> Ranges:
    start = protocol << 16
    return ranges(*((start + t * 256, start + t * 256 + 255) for t in types))
