"""Prefixes of lines that failed: the gateway's own addresses in them lose their preferred time.

Router advertisements follow those addresses (`render/advertising.py`), so that hosts begin nothing
more with what comes from such a prefix (RFC 4862 section 5.5.4), but take another source (RFC 6724
rule 3), which leads by another line, or IPv4.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from netcharter.steward.ways import Key, Place, Ways

OVER = " preferred_lft 0"  # behind an address, for `ip`


def faded(ways: Ways, down: Collection[Key], out: Collection[Key]) -> frozenset[str]:
    """The lines that hosts are led away from in IPv6. down: legs that failed; out: those of them that
    new conversations are kept from.

    The last line of IPv6 is never among the latter; hosts are led away from it all the same where
    IPv4 has a line that works. Where nothing works, all stays as it is.
    """
    elsewhere = any(leg.key not in down for leg in ways.of(4))
    return frozenset(
        leg.line
        for leg in ways.of(6)
        if leg.line in ways.prefixes and (leg.key in out or (leg.key in down and elsewhere))
    )


def amiss(ways: Ways, lines: Collection[str], there: Mapping[Place, bool]) -> str:
    """The text for `ip -6 -batch` after which the addresses in the prefixes of these lines have no
    preferred time, and those of the others have one without end; "" where it is so already.

    there: the addresses that the kernel has, and of each whether its preferred time is over.
    """
    return "".join(_told(ways, lines, there))


def _told(ways: Ways, lines: Collection[str], there: Mapping[Place, bool]) -> Iterator[str]:
    for line, places in ways.prefixes.items():
        time = "0" if line in lines else "forever"
        for place in places:
            if there.get(place, line in lines) is not (line in lines):
                device, address = place
                yield f"address change {address} dev {device} preferred_lft {time}\n"


def without(text: str, ways: Ways, lines: Collection[str], there: Mapping[Place, bool]) -> str:
    """A kit's text of addresses as it is to be while hosts are led away from some lines, and the
    kernel has it so."""
    over = {
        f"address replace {address} dev {device}"
        for line in lines
        for device, address in ways.prefixes.get(line, ())
        if there.get((device, address))
    }
    return "".join(f"{line}{OVER * (line in over)}\n" for line in text.splitlines())
