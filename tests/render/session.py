"""A device as a PPP session's, of type 512 and without a hardware address, joined to an Ethernet device.

Run in a namespace: `python -m tests.render.session SESSION ETHERNET FILE`. Says "ready" when both are
there, and ends with whoever ends it. What asks for DHCPv6 is written to the file, a line for each.
After Linux' Documentation/networking/tuntap.rst and if_tun.h.
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import sys
from contextlib import suppress
from pathlib import Path

SET_IFF, SET_LINK = 0x400454CA, 0x400454CD
TUN, TAP, BARE = 1, 2, 0x1000
PPP = 512  # if_arp.h
OWN = bytes.fromhex("020000000009")  # by which the session's side is known on Ethernet
IPV6, UDP, SERVERS = b"\x86\xdd", 17, (547).to_bytes(2, "big")


def device(name: str, kind: int) -> int:
    """Open it anew."""
    opened = os.open("/dev/net/tun", os.O_RDWR)
    fcntl.ioctl(opened, SET_IFF, struct.pack("16sH22x", name.encode(), kind | BARE))
    return opened


def framed(packet: bytes, other: bytes) -> bytes:
    """RFC 2464 section 7 for groups."""
    to = b"\x33\x33" + packet[36:40] if packet[24] == 0xFF else other
    return to + OWN + IPV6 + packet


def main(session: str, ethernet: str, file: Path) -> None:
    """Pass packets until it is ended."""
    inside, outside = device(session, TUN), device(ethernet, TAP)
    fcntl.ioctl(inside, SET_LINK, PPP)
    other = OWN
    print("ready", flush=True)
    while True:
        for one in select.select([inside, outside], [], [])[0]:
            packet = os.read(one, 2000)
            with suppress(OSError):  # a device that is not up
                if one == inside and packet[0] >> 4 == 6:
                    if packet[6] == UDP and packet[42:44] == SERVERS:
                        with file.open("a") as asked:
                            asked.write(f"{packet.hex()}\n")
                    os.write(outside, framed(packet, other))
                elif one == outside and packet[12:14] == IPV6:
                    other = packet[6:12]
                    os.write(inside, packet[14:])


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], Path(sys.argv[3]))
