"""What a ruleset tells about lines and areas: what it hides, what it delivers, whom it names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from ipaddress import ip_address, ip_network, summarize_address_range
from typing import Any

from netcharter.charter.model import Address, Network
from netcharter.readback.devices import devices_of
from netcharter.readback.listing import Listing, Rule
from netcharter.readback.shapes import Host
from netcharter.readback.structure import Structure, has_statement, matches
from netcharter.tasks.inheriting.shapes import Delivering, Facts, Hiding

HIDING = ("masquerade", "snat")
DELIVERING = ("dnat",)
MOST_VALUES = 1000  # of one comparison


def facts_of(listing: Listing) -> Facts:
    """The facts of a ruleset as it is listed."""
    structure = Structure(listing)
    hiding: list[Hiding] = []
    delivering: list[Delivering] = []
    for chain in listing.chains.values():
        for rule in chain.rules:
            if not has_statement(rule, *HIDING, *DELIVERING):
                continue
            ways = tuple(_ways(structure, rule))
            for one in rule.expr:
                ((kind, said),) = one.items()
                if kind in HIDING:
                    hiding.append(_hiding(structure, rule, ways, said))
                elif kind in DELIVERING:
                    delivering += _delivering(structure, rule, ways, said)
    names = devices_of(listing, Host(known=False)).names[3:]
    known = tuple(name for name in names if not name.endswith("*"))
    return Facts(tuple(hiding), tuple(delivering), known)


def _ways(structure: Structure, rule: Rule) -> Iterator[Rule]:
    """The rule, and the rules that lead to its chain if there is only one way there."""
    yield rule
    name = (rule.family, rule.table, rule.chain)
    for _ in range(16):
        callers = [r for calls in structure.calls.values() for r, to in calls if to == name]
        if len(callers) != 1:
            return
        yield callers[0]
        name = (callers[0].family, callers[0].table, callers[0].chain)


def _hiding(structure: Structure, rule: Rule, ways: Sequence[Rule], said: Any) -> Hiding:
    exits = _devices(structure, ways, ("oifname", "oif"))
    sources = tuple(_networks(_compared(structure, ways, ("ip", "ip6"), "saddr")))
    by = said.get("addr") if isinstance(said, dict) else None
    return Hiding(exits, sources, _address(by), rule.span)


def _delivering(
    structure: Structure, rule: Rule, ways: Sequence[Rule], said: Any
) -> Iterator[Delivering]:
    entrances = _devices(structure, ways, ("iifname", "iif"))
    networks = list(_networks(_compared(structure, ways, ("ip", "ip6"), "daddr")))
    sent = tuple(n.network_address for n in networks if n.num_addresses == 1)
    to = said.get("addr") if isinstance(said, dict) else None
    for value in _flat(structure, rule, _map_data(to)):
        address = _address(value)
        if address is not None:
            yield Delivering(entrances, sent, address, rule.span)


def _map_data(said: Any) -> Any:
    """What a translation leads to: an address, or the right sides of a map's pairs."""
    if isinstance(said, dict) and isinstance(said.get("map"), dict):
        data = said["map"].get("data")
        pairs = data.get("set", []) if isinstance(data, dict) else []
        return {"set": [pair[1] for pair in pairs if isinstance(pair, list) and len(pair) == 2]}
    return said


def _devices(structure: Structure, ways: Sequence[Rule], keys: Sequence[str]) -> tuple[str, ...]:
    found: list[str] = []
    for rule in ways:
        for left, op, right in matches(rule):
            meta: Any = left.get("meta")
            if op in ("==", "in") and isinstance(meta, dict) and meta.get("key") in keys:
                found += [str(one) for one in _flat(structure, rule, right)]
    return tuple(dict.fromkeys(found))


def _compared(
    structure: Structure, ways: Sequence[Rule], protocols: Sequence[str], field: str
) -> Iterator[Any]:
    """The values that a field of the packet must have, by one of the rules on the way."""
    for rule in ways:
        for left, op, right in matches(rule):
            said: Any = left.get("payload")
            if not isinstance(said, dict) or said.get("protocol") not in protocols:
                continue
            if said.get("field") == field and op in ("==", "in"):
                yield from _flat(structure, rule, right)


def _flat(structure: Structure, rule: Rule, said: Any) -> Iterator[Any]:
    """The single values of a right side, named sets included; at most MOST_VALUES."""
    waiting, count = [said], 0
    while waiting and count < MOST_VALUES:
        one = waiting.pop(0)
        count += 1
        if isinstance(one, dict) and isinstance(one.get("set"), list):
            waiting += one["set"]
        elif isinstance(one, dict) and isinstance(one.get("elem"), dict):
            waiting.append(one["elem"].get("val"))
        elif isinstance(one, str) and one.startswith("@"):
            named = structure.listing.sets.get((rule.family, rule.table, one[1:]))
            waiting += named.elements[:MOST_VALUES] if named is not None else []
        else:
            yield one


def _networks(values: Iterator[Any]) -> Iterator[Network]:
    for value in values:
        try:
            if isinstance(value, str):
                yield ip_network(value)
            elif isinstance(value, dict) and isinstance(value.get("prefix"), dict):
                said = value["prefix"]
                yield ip_network(f"{said.get('addr')}/{said.get('len')}")
            elif isinstance(value, dict) and isinstance(value.get("range"), list):
                first, last = (ip_address(str(one)) for one in value["range"])
                yield from summarize_address_range(first, last)
        except (ValueError, TypeError):
            continue


def _address(value: Any) -> Address | None:
    try:
        return ip_address(value) if isinstance(value, str) else None
    except ValueError:
        return None
