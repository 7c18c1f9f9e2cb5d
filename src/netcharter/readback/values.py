"""What a field is compared with: nft's words for values, as sets of numbers.

A kind says what sort of value it is: "ip" and "ip6" (addresses coded as in `shapes`), "hardware",
"device" and "device name" (numbers of `devices`; a device may be written as its index, a
name not), "presence" (0 missing, 1 there), those of `symbols.NAMES`, and
"number" for everything else.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from ipaddress import IPv4Address, IPv6Address
from typing import Any

from netcharter.readback.devices import Devices
from netcharter.readback.shapes import ADDRESS_SIZE, SYMBOLS, V6
from netcharter.readback.symbols import NAMES
from netcharter.space.ranges import Ranges, ranges, subtract, union

DEVICE_KINDS = ("device", "device name")
SYMBOLS4 = ranges(*((n, n) for n in range(SYMBOLS, ADDRESS_SIZE, 2)))
SYMBOLS6 = ranges(*((n, n) for n in range(SYMBOLS + 1, ADDRESS_SIZE, 2)))
NUMBERS4: Ranges = ((0, V6 - 1),)
NUMBERS6: Ranges = ((V6, SYMBOLS - 1),)
ANY4: Ranges = union(NUMBERS4, SYMBOLS4)
ANY6: Ranges = union(NUMBERS6, SYMBOLS6)
WIDTHS: Mapping[str, int] = {
    "ip": 32,
    "ip6": 128,
    "hardware": 48,
    "port": 16,
    "protocol": 8,
    "icmp type": 8,
    "icmp code": 8,
    "icmpv6 type": 8,
    "icmpv6 code": 8,
    "flags": 8,
    "presence": 1,
}
BITS = frozenset({"flags", "state", "status"})
"""Kinds whose names are bits that may stand together."""
_HEX = re.compile(r"0[xX][0-9a-fA-F]+|\d+")
_HARDWARE = re.compile(r"[0-9a-fA-F]{2}(:[0-9a-fA-F]{2}){5}")


class NotUnderstood(Exception):
    """A value that is not of the kind it should be; carries what was listed."""


def width(kind: str) -> int:
    """Bits of a value of a kind."""
    return WIDTHS.get(kind, 32)


def base(kind: str) -> int:
    """What is added to a number to code it."""
    return V6 if kind == "ip6" else 0


def domain(kind: str, devices: Devices) -> Ranges:
    """All values of a kind."""
    if kind == "ip":
        return ANY4
    if kind == "ip6":
        return ANY6
    if kind in DEVICE_KINDS:
        return devices.all
    return ((0, (1 << width(kind)) - 1),)


# What an element of a set may say beside its value, without a part in what becomes of a packet: a
# limit may end the rule that finds it.
PLAIN = frozenset({"val", "comment", "counter", "last", "timeout", "expires"})


def opposite(found: Ranges, kind: str, devices: Devices) -> Ranges:
    """All values of a kind that are not in a set."""
    return subtract(domain(kind, devices), found)


def values(said: Any, kind: str, devices: Devices) -> Ranges:
    """The set that a right-hand side stands for (no named sets). Raises NotUnderstood."""
    if isinstance(said, dict) and len(said) == 1:
        ((form, parts),) = said.items()
        if form == "set" and isinstance(parts, list):
            return union(*(values(part, kind, devices) for part in parts))
        if form == "elem" and isinstance(parts, dict) and parts.keys() <= PLAIN:
            return values(parts.get("val"), kind, devices)
        if form == "range" and isinstance(parts, list) and len(parts) == 2:
            low, high = (number(part, kind, devices) for part in parts)
            if low > high:
                raise NotUnderstood(f"{parts[0]}-{parts[1]}")
            return _whole(((low, high),), kind)
        if form == "prefix" and isinstance(parts, dict):
            return _whole(_prefix(parts, kind, devices), kind)
    if kind == "device name" and isinstance(said, str):
        return devices.matching(said)
    if kind in DEVICE_KINDS:
        return _device(said, devices)
    value = number(said, kind, devices)
    return ((value, value),)


def _device(said: Any, devices: Devices) -> Ranges:
    """A device's name, or (of `fib`) whether there is one. A bare index says nothing here."""
    if isinstance(said, bool) or said == "0":
        return subtract(devices.all, devices.own) if said is True else devices.own
    if not isinstance(said, str) or said.isdigit():
        raise NotUnderstood(str(said))
    return devices.matching(said)


def _whole(found: Ranges, kind: str) -> Ranges:
    """All numeric addresses of a family: then those that nobody knows are among them."""
    if kind == "ip" and found == NUMBERS4:
        return ANY4
    return ANY6 if kind == "ip6" and found == NUMBERS6 else found


def _prefix(parts: dict[str, Any], kind: str, devices: Devices) -> Ranges:
    length, bits = parts.get("len"), width(kind)
    if not isinstance(length, int) or isinstance(length, bool) or not 0 <= length <= bits:
        raise NotUnderstood(str(parts))
    low = number(parts.get("addr"), kind, devices) - base(kind)
    low = low >> (bits - length) << (bits - length)
    return ((base(kind) + low, base(kind) + low + (1 << (bits - length)) - 1),)


def number(said: Any, kind: str, devices: Devices) -> int:
    """A single value. Raises NotUnderstood."""
    if isinstance(said, bool):
        if kind == "presence":
            return int(said)
        raise NotUnderstood(str(said))
    if isinstance(said, int):
        if kind in ("ip", "ip6", "hardware") or not 0 <= said < 1 << 64:
            raise NotUnderstood(str(said))
        return said
    if isinstance(said, list) or (isinstance(said, dict) and set(said) == {"|"}):
        parts = said if isinstance(said, list) else said["|"]
        if kind not in BITS or not isinstance(parts, list):
            raise NotUnderstood(str(said))
        out = 0
        for part in parts:
            out |= number(part, kind, devices)
        return out
    if isinstance(said, str):
        return _named(said, kind, devices)
    raise NotUnderstood(str(said))


def _ipv4(said: str) -> int:
    """An IPv4 address in the form in which nft always writes it; quicker than the library."""
    parts = said.split(".")
    if len(parts) == 4 and all(part.isdecimal() and part.isascii() for part in parts):
        a, b, c, d = map(int, parts)
        if max(a, b, c, d) < 256:
            return (a << 24) + (b << 16) + (c << 8) + d
    return int(IPv4Address(said))


def _named(said: str, kind: str, devices: Devices) -> int:
    try:
        if kind == "ip":
            return _ipv4(said)
        if kind == "ip6":
            return V6 + int(IPv6Address(said))
    except ValueError:
        raise NotUnderstood(said) from None
    if kind == "hardware" and _HARDWARE.fullmatch(said):
        return int(said.replace(":", ""), 16)
    if said in NAMES.get(kind, {}):
        return NAMES[kind][said]
    if kind not in ("hardware", *DEVICE_KINDS) and _HEX.fullmatch(said):
        return int(said, 0) if said[:2] in ("0x", "0X") else int(said)
    raise NotUnderstood(said)
