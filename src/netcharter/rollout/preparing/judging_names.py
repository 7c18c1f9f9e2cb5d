"""Port 53: whether somebody else listens where the kit's resolver is to answer, after proc(5).

The unbound of Debian's package is none of that: the kit's own unit sets it aside.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv6Address

from netcharter.render.resolver import AT, PLAIN
from netcharter.rollout.preparing.asking import LISTENING
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted

OURS = "unbound"
_WHERE = re.compile(
    r"^ *[0-9]+: ([0-9A-F]{8}|[0-9A-F]{32}):([0-9A-F]{4}) \S+ ([0-9A-F]{2}) ", re.MULTILINE
)
_TAKES = {"tcp": "0A", "udp": "07"}  # the state of who takes connections, or datagrams of anybody
_INTERFACE = re.compile(r"^ *interface: (\S+)$", re.MULTILINE)


def names_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of it."""
    text = wanted.placed.get(AT)
    if text is None or OURS in facts.running:
        return
    ours = {*_INTERFACE.findall(text.decode("ascii", "replace")), "0.0.0.0", "::"}
    for address in sorted(ours & {*_listening(facts)}):
        yield Found(
            "port-of-names-taken",
            "error",
            f"somebody listens on {address} port {PLAIN} already, where the areas' resolver is to"
            " answer",
            "find out who with `ss -lnptu 'sport = :53'`, and end it: systemctl disable --now NAME",
            address,
        )


def _listening(facts: Facts) -> Iterator[str]:
    """The addresses at which somebody takes what comes for port 53."""
    for path in LISTENING:
        wanted = _TAKES[path.rpartition("/")[2][:3]]
        text = facts.files.get(path, b"").decode("ascii", "replace")
        for address, port, state in _WHERE.findall(text):
            if int(port, 16) == PLAIN and state == wanted:
                yield _address(address)


def _address(told: str) -> str:
    """The kernel writes words of four bytes as this machine holds them."""
    words = [int(told[at : at + 8], 16) for at in range(0, len(told), 8)]
    data = b"".join(word.to_bytes(4, sys.byteorder) for word in words)
    return str(IPv4Address(data) if len(data) == 4 else IPv6Address(data))
