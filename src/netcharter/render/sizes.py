"""The largest segment of a TCP conversation, told to both ends where a line is narrow.

Both ends say in their first packet how large a segment they take (RFC 9293 section 3.7.1, before
that RFC 879 and RFC 6691): the size of a packet without the fixed headers of IP and TCP, whatever
options they use. A host behind a wide cable says so in good faith, and the errors that would tell
it better may be lost on the way (RFC 2923 section 2.1). So what goes through a line narrower than
Ethernet is told the line's own size: 1452 bytes in IPv4 and 1432 in IPv6 for the 1492 of PPPoE.

The kernel only ever lowers what a packet says (nft_exthdr.c), and leaves one alone that says
nothing. Nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan.shapes import LinePlan, Plan
from netcharter.render import escape
from netcharter.render.wording import braces

HEADERS = {4: 20 + 20, 6: 40 + 20}  # of IP (RFC 791, RFC 8200) and of TCP (RFC 9293), bytes


def segment(mtu: int, family: int) -> int:
    """Bytes of a TCP segment that fit into a packet of so many bytes."""
    return mtu - HEADERS[family]


def told_sizes(plan: Plan) -> Iterator[str]:
    """The rules of a chain that is asked when a packet is passed on; none where no line is narrow.

    An opening packet on its way out speaks of what comes in, and its answer the other way round.
    """
    narrow: dict[int, list[LinePlan]] = {}
    for line in plan.lines:
        if line.mtu is not None and line.narrow:
            narrow.setdefault(line.mtu, []).append(line)
    for mtu, lines in sorted(narrow.items()):
        devices = braces(dict.fromkeys(escape.device(line.device) for line in lines))
        for way in ("iifname", "oifname"):
            for family in (4, 6):
                yield (
                    f"meta nfproto ipv{family} {way} {devices} tcp flags & (syn | rst) == syn "
                    f"tcp option maxseg size set {segment(mtu, family)}"
                )
