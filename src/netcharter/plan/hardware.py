"""What a hardware address of 48 bits tells of itself.

In the first octet the lowest bit says that it means a group, the next that nobody gave it out: it is
locally administered (RFC 9542 section 2.1, after IEEE Std 802). Phones and computers that do not want
to be followed draw such an address for each network, and draw a new one when they see fit (RFC 9797);
virtual machines and bridges bear one, too, which stays.
"""

from __future__ import annotations

from netcharter.charter.values import MULTICAST_BIT

LOCAL_BIT = 0x02 << 40
_REST_OF_PREFIX = 0xFC_FF_FF << 24  # of the first three octets all but the two bits


def is_group(number: int) -> bool:
    """Does it mean a group of devices, so that none can have it?"""
    return bool(number & MULTICAST_BIT)


def is_local(number: int) -> bool:
    """Did nobody give it out?"""
    return bool(number & LOCAL_BIT)


def may_change(number: int) -> bool:
    """May it have been drawn, so that the device has another one some day?

    One whose first three octets are 02:00:00 was chosen by somebody: among drawn ones only one of four
    million begins so.
    """
    return is_local(number) and not is_group(number) and bool(number & _REST_OF_PREFIX)
