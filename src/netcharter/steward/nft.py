"""What is loaded into the kernel to fill the timed sets, and to keep those of places filled."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from ipaddress import IPv4Address, ip_address

from netcharter.render.escape import device
from netcharter.render.leading import LASTING as LED
from netcharter.rollout.escape import set_name
from netcharter.steward.duties.hours import LASTING
from netcharter.steward.shapes import Fill, Renewal

TABLE = "inet netcharter"
RESET = 30  # seconds for which a line is taken for gone of which nobody tells again
AT_ONCE = 500  # addresses in one transaction
STAYING = 60  # seconds for which somebody stays whom nobody tells again
_MILLISECOND = timedelta(milliseconds=1)


def filled(fills: Iterable[Fill], now: datetime) -> str:
    """The text for `nft -f`: one transaction, in which each set is emptied and filled anew, since
    adding an element that is there would leave its time limit as it is (nft(8), "add element").

    now: when it is loaded, as exactly as can be had: elements are told how long they last, and none
    lasts longer than `LASTING`, though the clock was put back meanwhile. Raises ValueError for names
    that no kit has.
    """
    lines = []
    for fill in fills:
        name = set_name(fill.set)
        lines.append(f"flush set {TABLE} {name}")
        left = min(fill.until - now, LASTING) // _MILLISECOND
        if fill.devices and left > 0:
            elements = ", ".join(f"{device(one)} timeout {left}ms" for one in fill.devices)
            lines.append(f"add element {TABLE} {name} {{ {elements} }}")
    return "\n".join(lines) + "\n"


def elements(listing: bytes) -> dict[str, float]:
    """The addresses of one set with the seconds each has left, as `nft -j list set` tells them; nothing
    for what is no such listing."""
    try:
        found = json.loads(listing)["nftables"]
        held = [one for each in found if "set" in each for one in each["set"].get("elem", ())]
        return {
            str(ip_address(one["elem"]["val"])): float(one["elem"]["expires"])
            for one in held
            if isinstance(one, dict) and "expires" in one.get("elem", {})
        }
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}


def renewed(renewal: Renewal) -> Iterator[str]:
    """The texts for `nft -f`, each one transaction, by which addresses of a place get their whole time
    again, and count as asked for no more. To go they have to be there, so they are put in first. Raises
    ValueError for what is no name of a set, or no address."""
    led, asked = set_name(renewal.set), set_name(renewal.asked)
    each = [str(ip_address(one)) for one in renewal.renewed]
    for place in range(0, len(each), AT_ONCE):
        some = ", ".join(each[place : place + AT_ONCE])
        anew = ", ".join(f"{one} timeout {LED}s" for one in each[place : place + AT_ONCE])
        yield (
            f"add element {TABLE} {led} {{ {some} }}\n"
            f"delete element {TABLE} {led} {{ {some} }}\n"
            f"add element {TABLE} {led} {{ {anew} }}\n"
            f"add element {TABLE} {asked} {{ {some} }}\n"
            f"delete element {TABLE} {asked} {{ {some} }}\n"
        )


def dropped(renewal: Renewal, address: str) -> str:
    """The text for `nft -f` by which one address goes, in one transaction; it fails where the address
    has been asked for meanwhile, since what is there can't be created. Raises ValueError as above."""
    led, asked, one = set_name(renewal.set), set_name(renewal.asked), ip_address(address)
    return (
        f"create element {TABLE} {asked} {{ {one} }}\n"
        f"delete element {TABLE} {asked} {{ {one} }}\n"
        f"add element {TABLE} {led} {{ {one} }}\n"
        f"delete element {TABLE} {led} {{ {one} }}\n"
    )


def resetting(sets: Iterable[tuple[str, Iterable[int]]]) -> str:
    """The text for `nft -f` by which sets hold just these marks for a while. Raises ValueError for what
    is no name of a set."""
    lines = []
    for name, numbers in sets:
        lines.append(f"flush set {TABLE} {set_name(name)}")
        elements = ", ".join(f"{int(number):#x} timeout {RESET}s" for number in numbers)
        if elements:
            lines.append(f"add element {TABLE} {set_name(name)} {{ {elements} }}")
    return "\n".join(lines) + "\n"


def staying(sets: Iterable[tuple[str, Iterable[str]]]) -> str:
    """The text for `nft -f` by which sets hold just these IPv4 addresses for a while. Raises ValueError
    for what is no name of a set, or no address."""
    lines = []
    for name, members in sets:
        lines.append(f"flush set {TABLE} {set_name(name)}")
        found = [str(IPv4Address(one)) for one in members]
        if found:
            elements = ", ".join(f"{one} timeout {STAYING}s" for one in found)
            lines.append(f"add element {TABLE} {set_name(name)} {{ {elements} }}")
    return "\n".join(lines) + "\n"
