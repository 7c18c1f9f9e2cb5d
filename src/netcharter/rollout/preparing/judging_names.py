"""Port 53: whether somebody else listens where the kit's resolver is to answer, after proc(5).

The unbound and the dnsdist of Debian's packages are none of that: the kit's own units set them aside.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Collection, Iterator
from ipaddress import IPv4Address, IPv6Address

from netcharter.render import withholding
from netcharter.render.resolver import AT, PLAIN
from netcharter.rollout.preparing.asking import LISTENING
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted

OURS = frozenset({"unbound", "dnsdist"})
_WHERE = re.compile(
    r"^ *[0-9]+: ([0-9A-F]{8}|[0-9A-F]{32}):([0-9A-F]{4}) \S+ ([0-9A-F]{2}) ", re.MULTILINE
)
_TAKES = {"tcp": "0A", "udp": "07"}  # the state of who takes connections, or datagrams of anybody
# Where the kit's own listen: in settings of unbound, and in those of dnsdist, in which the brackets of
# IPv6 are written as numbers (render/escape.py).
_INTERFACE = re.compile(r"^ *interface: ([^\s@]+)$", re.MULTILINE)
_LOCAL = re.compile(r'^addLocal\("(?:\\091)?([0-9a-f.:]+?)(?:\\093)?:53"\)$', re.MULTILINE)


def names_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of it."""
    placed = [wanted.placed[at] for at in (AT, withholding.AT) if at in wanted.placed]
    if not placed or not OURS.isdisjoint(facts.running):
        return
    text = b"\n".join(placed).decode("ascii", "replace")
    ours = {*_INTERFACE.findall(text), *_LOCAL.findall(text), "0.0.0.0", "::"}
    for address in sorted(ours & {*listening(facts, PLAIN)}):
        yield Found(
            "port-of-names-taken",
            "error",
            f"somebody listens on {address} port {PLAIN} already, where the areas' resolver is to"
            " answer",
            "find out who with `ss -lnptu 'sport = :53'`, and end it: systemctl disable --now NAME",
            address,
        )


def listening(facts: Facts, port: int, kinds: Collection[str] = ("tcp", "udp")) -> Iterator[str]:
    """The addresses at which somebody takes what comes for a port."""
    for path in LISTENING:
        kind = path.rpartition("/")[2][:3]
        if kind not in kinds:
            continue
        text = facts.files.get(path, b"").decode("ascii", "replace")
        for address, number, state in _WHERE.findall(text):
            if int(number, 16) == port and state == _TAKES[kind]:
                yield _address(address)


def _address(told: str) -> str:
    """The kernel writes words of four bytes as this machine holds them."""
    words = [int(told[at : at + 8], 16) for at in range(0, len(told), 8)]
    data = b"".join(word.to_bytes(4, sys.byteorder) for word in words)
    return str(IPv4Address(data) if len(data) == 4 else IPv6Address(data))
