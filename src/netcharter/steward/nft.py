"""What is loaded into the kernel to fill the timed sets."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from netcharter.render.escape import device
from netcharter.rollout.escape import set_name
from netcharter.steward.shapes import Fill

TABLE = "inet netcharter"
_MILLISECOND = timedelta(milliseconds=1)


def filled(fills: Iterable[Fill], now: datetime) -> str:
    """The text for `nft -f`: one transaction, in which each set is emptied and filled anew, since
    adding an element that is there would leave its time limit as it is (nft(8), "add element").

    now: when it is loaded, as exactly as can be had: elements are told how long they last. Raises
    ValueError for names that no kit has.
    """
    lines = []
    for fill in fills:
        name = set_name(fill.set)
        lines.append(f"flush set {TABLE} {name}")
        left = (fill.until - now) // _MILLISECOND
        if fill.devices and left > 0:
            elements = ", ".join(f"{device(one)} timeout {left}ms" for one in fill.devices)
            lines.append(f"add element {TABLE} {name} {{ {elements} }}")
    return "\n".join(lines) + "\n"
