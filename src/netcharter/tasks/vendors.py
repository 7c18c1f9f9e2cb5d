"""To whom IEEE gave a hardware address, by the registry that netaddr ships; read when it is asked.

It is as old as that release, and of the smaller blocks it knows those of 36 bits that were given out
as IABs; of a block that IEEE handed out in parts (MA-M, MA-S) it can't tell whose part it is.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from netcharter.plan.hardware import is_group, is_local

PARTS = "ieee registration authority"  # to whom a block that is handed out in parts belongs


def registry() -> str:
    """Which registry answers, as a person may look it up."""
    import netaddr

    return f"IEEE's, as netaddr {netaddr.__version__} ships it"


def vendor(hardware: int) -> str | None:
    """The name in the registry, as it stands there; None where nobody is registered, as with every
    address that is drawn."""
    if is_local(hardware) or is_group(hardware):
        return None
    return _part(hardware >> 12) or _block(hardware >> 24)


@lru_cache(maxsize=4096)
def _part(prefix: int) -> str | None:
    """Of 36 bits, the longest that the registry knows."""
    from netaddr import EUI, NotRegisteredError

    address: Any = EUI(prefix << 12, version=48)
    try:
        return _told(address.iab.registration().org) if address.is_iab() else None
    except NotRegisteredError:
        return None


@lru_cache(maxsize=4096)
def _block(prefix: int) -> str | None:
    """Of 24 bits."""
    from netaddr import OUI, NotRegisteredError

    try:
        registered: Any = OUI(prefix).registration()
        return _told(registered.org)
    except NotRegisteredError:
        return None


def _told(name: str) -> str | None:
    plain = " ".join(name.split())
    return None if not plain or plain.lower() == PARTS else plain
