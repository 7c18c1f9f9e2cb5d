"""What the areas of an earlier kit have, so that a later plan keeps it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Network, IPv6Network
from typing import Any


@dataclass(frozen=True, slots=True)
class Kept:
    """name: the kit it comes from; areas: their prefixes by name, in the order of their numbers;
    delegated: the prefixes that providers had delegated when it was made, by line."""

    name: str
    areas: Mapping[str, IPv4Network | None]
    delegated: Mapping[str, IPv6Network] = field(default_factory=dict)


class NotAKit(ValueError):
    """The text is no manifest of a kit, or one that does not tell what its areas have."""


def kept_areas(name: str, manifest: bytes) -> Kept:
    """Read the manifest of a kit. Raises NotAKit."""
    try:
        said = json.loads(manifest)
    except (ValueError, RecursionError):
        raise NotAKit("it is not JSON") from None
    if not isinstance(said, dict) or "netcharter" not in said:
        raise NotAKit("it is not the manifest of a kit")
    areas = said.get("areas")
    if not isinstance(areas, list):
        raise NotAKit("it does not tell which prefixes its areas have")
    found = dict(map(_area, areas))
    if len(found) != len(areas):
        raise NotAKit("it names an area twice")
    _apart(network for network in found.values() if network is not None)
    return Kept(name, found, dict(_delegated(said.get("delegated", {}))))


def _delegated(said: Any) -> Iterator[tuple[str, IPv6Network]]:
    if not isinstance(said, dict):
        raise NotAKit("it does not tell which prefixes were delegated")
    for line, prefix in said.items():
        if not isinstance(prefix, str | None):
            raise NotAKit("it has a line with a delegated prefix that is none")
        if prefix is not None:  # the provider had not told it
            try:
                yield line, IPv6Network(prefix)
            except ValueError:
                raise NotAKit("it has a line with a delegated prefix that is none") from None


def _area(said: Any) -> tuple[str, IPv4Network | None]:
    name = said.get("name") if isinstance(said, dict) else None
    prefix = said.get("prefix") if isinstance(said, dict) else None
    if not isinstance(name, str) or not isinstance(prefix, str | None):
        raise NotAKit("it has an area without a name or with a prefix that is none")
    try:
        return name, None if prefix is None else IPv4Network(prefix)
    except ValueError:
        raise NotAKit("it has an area with a prefix that is none") from None


def _apart(networks: Iterator[IPv4Network]) -> None:
    last = None
    for network in sorted(networks):
        if last is not None and last.overlaps(network):
            raise NotAKit("it has areas that share addresses")
        last = network
