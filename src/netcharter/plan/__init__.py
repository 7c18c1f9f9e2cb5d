"""All that follows from a charter: addresses, ordered decisions, hours, labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import IPv4Network, IPv6Network

from netcharter.charter.model import Charter
from netcharter.plan.addressing import resolve
from netcharter.plan.coding import network, with_translated
from netcharter.plan.decisions import decide
from netcharter.plan.discovery import discovery
from netcharter.plan.exits import exits
from netcharter.plan.hostile import Site, held, of_addresses, refused
from netcharter.plan.hostile import doubts as of_lists
from netcharter.plan.leading import by_names
from netcharter.plan.leading import doubts as of_places
from netcharter.plan.leases import doubts
from netcharter.plan.listed import Listed
from netcharter.plan.local_names import domain_of_others, local_names, unnamed
from netcharter.plan.names.rules import doubts as of_names
from netcharter.plan.names.rules import names_plan
from netcharter.plan.registry import internet
from netcharter.plan.shapes import Plan
from netcharter.plan.terms import Ground
from netcharter.plan.watching import no_names, no_time, unaskable
from netcharter.space.ranges import intersect, subtract, union

__all__ = ["make_plan"]


def make_plan(
    charter: Charter,
    previous: Mapping[str, IPv4Network | None] | None = None,
    learnt: Mapping[str, IPv6Network] = {},
    stand_ins: bool = True,
    lists: Mapping[str, Listed] = {},
) -> Plan:
    """Resolve a charter.

    `previous`: the prefixes that areas already have, in the order of their numbers, as an earlier
    plan's `numbered` tells them; with it no area is renumbered, wherever another one is added.
    learnt: the prefixes that providers have delegated, by line; of lines whose prefix is not
    delegated they are left aside. stand_ins: whether others stand in for those that nobody has told
    yet, so that what the charter says of them can be proven; not so on a machine. lists: what lists
    hold, by name, where the charter does not say it itself; one of addresses that is not known is
    empty, and whatever depends on one of names that is not known may be so or otherwise.
    """
    found = resolve(charter, previous or {}, learnt, stand_ins)
    own = union(
        found.gateway,
        network(found.local_prefix),
        *(network(line.prefix) for line in found.lines if line.prefix is not None),
        *(area.whole for area in found.areas),
    )
    known = of_addresses(charter, lists)
    written = {
        name: subtract(
            with_translated(subtract(network(*place.prefixes), own), charter.translators), own
        )
        for name, place in charter.places.items()
    }
    outside = internet(charter, own)
    places = {
        name: written[name]
        if place.list is None
        else intersect(held(charter, known, place.list), outside)
        for name, place in charter.places.items()
        if not place.domains
    }
    site = Site(charter, found.lines, found.devices, own, outside, written)
    cut = refused(site, known)
    ground = Ground(
        charter, found.lines, found.areas, found.devices, found.gateway, outside, places, cut,
        by_names(charter),
    )  # fmt: skip
    plan = Plan(
        charter=charter,
        site=charter.site.name,
        timezone=charter.site.timezone,
        local_prefix=found.local_prefix,
        lines=found.lines,
        areas=found.areas,
        devices=found.devices,
        people=tuple(charter.people.values()),
        hours=charter.hours,
        gateway=found.gateway,
        internet=outside,
        rows=decide(ground),
        places=places,
        by_names=ground.by_names,
        hostile=cut,
        lists={name: one for name, one in known.items() if one is not None},
        exits=exits(ground),
        discovery=discovery(ground),
        notes=(
            *found.diagnostics,
            *doubts(charter, found.areas, found.devices),
            *domain_of_others(charter),
            *unnamed(charter, found.devices),
            *of_lists(site, known, cut),
            *of_names(ground),
            *of_places(charter),
            *unaskable(charter, found.lines, outside),
            *no_time(charter, found.areas, outside),
            *no_names(charter, outside),
        ),
        numbered=found.numbered,
    )
    return replace(plan, names=names_plan(ground, lists, local_names(plan), found.local_prefix))
