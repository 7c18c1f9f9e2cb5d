"""What a gateway advertises, frame by frame: `python -m tests.kernel.advertisements DNSMASQ CONF LAST`.

In a network namespace of its own. It plays a story with the gateway's addresses and prints, as
JSON, the advertisement that tells of each step, or the last one that came: step -> frames in
hexadecimal; and those that came at the end. LAST: the step after which it ends.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from ipaddress import ip_interface

DEVICE, PEER = "eth3", "peer"
LOCAL, OLD, NEW = "fd00:db8:1:3::1/64", "2001:db8:a:3::1/64", "2001:db8:b:3::1/64"
PATIENCE, QUIET = 15.0, 1.2  # seconds until one comes; in which a farewell would have come
ETHERNET_IPV6, ICMPV6, ADVERTISEMENT = 0x86DD, 58, 134
# step -> what is told `ip`, and of which prefix an advertisement then tells whether it is preferred
STORY = {
    "begin": ("", OLD, True),
    "failed": (f"address change {OLD} dev {DEVICE} preferred_lft 0", OLD, False),
    "back": (f"address change {OLD} dev {DEVICE} preferred_lft forever", OLD, True),
    "renumbered": (
        f"address add {NEW} dev {DEVICE} nodad\naddress del {OLD} dev {DEVICE}",
        OLD,
        False,
    ),
}


def ip(text: str) -> None:
    subprocess.run(["ip", "-batch", "-"], input=text, text=True, check=True, timeout=PATIENCE)


def is_advertisement(frame: bytes) -> bool:
    """Ethernet, IPv6 without extension headers (RFC 8200 section 3), ICMPv6 type 134."""
    return len(frame) > 54 and frame[20] == ICMPV6 and frame[54] == ADVERTISEMENT


def preferred(frame: bytes, address: str) -> bool | None:
    """Whether the network of an address is told with a preferred lifetime, None where it is not told
    (RFC 4861 section 4.6.2: that lifetime, four reserved bytes, the prefix)."""
    place = frame.find(ip_interface(address).network.network_address.packed, 54)
    return None if place < 0 else frame[place - 8 : place - 4] != bytes(4)


def heard(ear: socket.socket, seconds: float) -> Iterator[bytes]:
    """The advertisements that come within some seconds."""
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        ear.settimeout(left)
        try:
            frame = ear.recv(2000)
        except TimeoutError:
            return
        if is_advertisement(frame):
            yield frame


def main(dnsmasq: str, conf: str, last: str) -> None:
    for key, value in (("all/forwarding", 1), ("default/accept_dad", 0)):
        with open(f"/proc/sys/net/ipv6/conf/{key}", "w", encoding="ascii") as file:
            file.write(str(value))
    ip(
        f"link set dev lo up\nlink add name {DEVICE} type veth peer name {PEER}\n"
        f"link set dev {PEER} up\nlink set dev {DEVICE} up\n"
        f"address add {LOCAL} dev {DEVICE} nodad\naddress add {OLD} dev {DEVICE} nodad\n"
    )
    ear = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ETHERNET_IPV6))
    ear.bind((PEER, 0))
    own = ("--keep-in-foreground", "--user=root", "--group=", "--pid-file=", "--log-facility=-")
    running = subprocess.Popen(
        [dnsmasq, *own, f"--conf-file={conf}"], stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    told: dict[str, list[str]] = {}
    try:
        for step, (text, address, wanted) in STORY.items():
            if text:
                ip(text + "\n")
            for frame in heard(ear, PATIENCE):
                told[step] = [frame.hex()]
                if preferred(frame, address) is wanted:
                    break
            if step == last:
                break
    finally:
        running.terminate()
        running.wait(PATIENCE)
    told["ended"] = [frame.hex() for frame in heard(ear, QUIET)]
    print(json.dumps(told))


if __name__ == "__main__":
    main(*sys.argv[1:4])
