"""Places that are made of names, in a lab: the kit's own dnsmasq looks where names lead.

The lab chooses where (`world`). For the probes the sets are filled as if that had been asked; then, when
hosts look names up, they are emptied, and what dnsmasq has put there in the end is compared.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping

from netcharter.lab.messages import AAAA, HTTPS, A
from netcharter.lab.site import Site
from netcharter.lab.withheld import BELOW, Answered
from netcharter.plan import labels
from netcharter.plan.leading import place_of
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import World

TABLE = "inet netcharter"
KINDS: Mapping[int, int] = {4: A, 6: AAAA}
MOST = 2  # names of each place that are asked for


def fill(plan: Plan, where: World, site: Site) -> None:
    """The sets hold where names lead in this world. Raises CommandFailed."""
    text = "".join(
        f"add element {TABLE} {name} {{ {', '.join(sorted(held))} }}\n"
        for name, held in _wanted(plan, where).items()
        if held
    )
    if text:
        site.nft(text)


def empty(plan: Plan, site: Site) -> None:
    """The sets hold nothing. Raises CommandFailed."""
    site.nft("".join(f"flush set {TABLE} {name}\n" for name in _sets(plan)))


def _sets(plan: Plan) -> Iterator[str]:
    for place in plan.by_names:
        for family in KINDS:
            yield labels.led_set(place.name, family)
            yield labels.asked_set(place.name, family)


def _wanted(plan: Plan, where: World) -> dict[str, frozenset[str]]:
    """The addresses of each set, all those that names lead to."""
    return {
        named(place.name, family): frozenset(
            str(one) for one in where.led.get(place.name, ()) if one.version == family
        )
        for place in plan.by_names
        for family in KINDS
        for named in (labels.led_set, labels.asked_set)
    }


def told(plan: Plan, where: World) -> dict[str, dict[int, str]]:
    """What name servers outside say of the names that are asked for, and of one below each, by kind: of
    each place the first address there is, and a record of services, which nobody is to be told."""
    found: dict[str, dict[int, str]] = {}
    for place in plan.by_names:
        kinds = {HTTPS: ""}
        for family, kind in KINDS.items():
            mine = [one for one in where.led.get(place.name, ()) if one.version == family]
            if mine:
                kinds[kind] = str(mine[0])
        for name in place.domains[:MOST]:
            found |= {name: kinds, f"{BELOW}.{name}": kinds}
    return found


def differing(plan: Plan, site: Site, answered: Collection[Answered]) -> Iterator[str]:
    """How what somebody was to be told is not what the sets hold, in sentences."""
    held = _held(site.listing())
    for place in plan.by_names:
        for family, kind in KINDS.items():
            mine = frozenset(
                address
                for name, asked, address in answered
                if asked == kind and place_of(plan.by_names, name) == place
            )
            for name in (labels.led_set(place.name, family), labels.asked_set(place.name, family)):
                if held.get(name, frozenset()) != mine:
                    yield (
                        f"the names of {place.name} led to {' and '.join(sorted(mine)) or 'nowhere'}, "
                        f"and the set {name} holds "
                        f"{' and '.join(sorted(held.get(name, ()))) or 'nothing'}"
                    )


def _held(listing: str) -> dict[str, frozenset[str]]:
    """The addresses of every set that has a time for them."""
    found: dict[str, frozenset[str]] = {}
    for each in json.loads(listing)["nftables"]:
        said = each.get("set", {})
        if "timeout" in said:
            found[said["name"]] = frozenset(str(one["elem"]["val"]) for one in said.get("elem", ()))
    return found
