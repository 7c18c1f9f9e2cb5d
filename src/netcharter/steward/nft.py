"""What is loaded into the kernel to fill the timed sets."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from ipaddress import IPv4Address

from netcharter.render.escape import device
from netcharter.rollout.escape import set_name
from netcharter.steward.duties.hours import LASTING
from netcharter.steward.shapes import Fill

TABLE = "inet netcharter"
RESET = 30  # seconds for which a line is taken for gone of which nobody tells again
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
