"""Whom a loaded ruleset tells how large a TCP segment may be; it is no part of any decision.

Only the plainest form counts: in a base chain of the forward hook, a rule that asks for a family, for
devices and for an opening packet (SYN without RST), and writes a number. What stands behind a rule
of any other form in its chain does not count, since that one may have ended it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from netcharter.readback.listing import Chain, Listing, Rule

_OPENING = ({"&": [{"payload": {"protocol": "tcp", "field": "flags"}}, ["syn", "rst"]]}, "syn")
_SIZE = {"tcp option": {"name": "maxseg", "field": "size"}}
_FAMILIES: Mapping[str, int] = {"ipv4": 4, "ipv6": 6}
_WAYS = ("iifname", "oifname")


class Told(NamedTuple):
    """way: `iifname` of what comes by the device, `oifname` of what leaves by it; size: bytes."""

    family: int
    way: str
    device: str
    size: int


def told(listing: Listing) -> frozenset[Told]:
    """All that is told."""
    chains = (c for c in listing.chains.values() if c.hook == "forward" and c.family == "inet")
    return frozenset(one for chain in chains for one in _of_chain(chain))


def _of_chain(chain: Chain) -> Iterator[Told]:
    for rule in chain.rules:
        found = _of_rule(rule)
        if not found:
            return
        yield from found


def _of_rule(rule: Rule) -> list[Told]:
    """One for each device; none where the rule is of another form."""
    *tests, last = rule.expr
    mangle = last.get("mangle", {})
    matches = [test["match"] for test in tests if test.get("match", {}).get("op") in ("==", "in")]
    size = mangle.get("value")
    if mangle.get("key") != _SIZE or not isinstance(size, int) or len(matches) != len(tests):
        return []
    pairs = [(match["left"], match["right"]) for match in matches]
    if len(pairs) != 3 or _OPENING not in pairs:
        return []
    families = [_FAMILIES.get(str(r)) for left, r in pairs if left == {"meta": {"key": "nfproto"}}]
    found = [
        (way, right) for left, right in pairs for way in _WAYS if left == {"meta": {"key": way}}
    ]
    if len(families) != 1 or families[0] is None or len(found) != 1:
        return []
    way, devices = found[0]
    return [Told(families[0], way, device, size) for device in _names(devices)]


def _names(right: Any) -> list[str]:
    named = right["set"] if isinstance(right, dict) and "set" in right else [right]
    return [name for name in named if isinstance(name, str)]
