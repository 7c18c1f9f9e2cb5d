"""Which of the prefixes that were learnt a plan can be made with, and why not with the others."""

from __future__ import annotations

from collections.abc import Mapping
from ipaddress import IPv4Network, IPv6Network

from netcharter.charter.model import Charter
from netcharter.plan.addressing import resolve
from netcharter.plan.delegated import wrong


def usable(
    charter: Charter,
    learnt: Mapping[str, IPv6Network],
    held: Mapping[str, IPv6Network],
    previous: Mapping[str, IPv4Network | None] | None = None,
) -> tuple[dict[str, IPv6Network], dict[str, str]]:
    """By line, those that can be used, and why the others can't, in words.

    held: what lines have already: of two that overlap the newcomer is refused. previous: as for
    `make_plan`.
    """
    good: dict[str, IPv6Network] = {}
    refused: dict[str, str] = {}
    asking = [name for name, line in charter.lines.items() if line.delegated and name in learnt]
    for name in sorted(asking, key=lambda name: learnt[name] != held.get(name)):
        found = resolve(charter, previous or {}, {**good, name: learnt[name]}, stand_ins=False)
        line = next(one for one in found.lines if one.name == name)
        why = wrong(charter, line, learnt[name], found.lines, found.areas, found.local_prefix)
        if why:
            refused[name] = f"{learnt[name]}, delegated over {name}, {why}"
        else:
            good[name] = learnt[name]
    return good, refused
