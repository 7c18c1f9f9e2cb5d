"""What a host is to be like: with a kit in place, or as it was before.

A kit speaks of its own devices, its table, its settings, its routes and choices. What else a host
has is somebody else's and is wanted as it is. What was ours is known from the kit that is leaving
(`previous`), word for word: a route or a choice of somebody else may have the same table, protocol
or preference, and is then kept. What leads packets elsewhere is named by `diverting`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from netcharter.diagnostics.escape import terminal
from netcharter.rollout import network, placing
from netcharter.rollout.contents import Contents, contents
from netcharter.rollout.listing import Unlisted, block
from netcharter.rollout.observe import OURS, in_turn
from netcharter.rollout.shapes import Choice, Held, HostState, Link, Route, Table

ETHERNET = 1500  # bytes
Files = Mapping[str, bytes]

_FOREIGN_MATCH = re.compile(r"^\s*(?:.* )?xt (?:match|target) ", re.MULTILINE)
_DEVICES4 = re.compile(r"net/ipv4/conf/[^/]+/forwarding\Z")
_DEVICES6 = re.compile(r"net/ipv6/conf/(?!all/)[^/]+/forwarding\Z")


class NotSetAside(ValueError):
    """A table of somebody else that can't be put aside, since it could not be brought back."""


def settings_of(*kits: Files) -> frozenset[str]:
    """The names of all settings, files and services that some kits speak of, for a look at a host.
    Raises KitBroken."""
    found = [contents(kit) for kit in kits]
    here = (placing.names(kit.placed, kit.services) for kit in found)
    return frozenset().union(*(kit.settings for kit in found), *here)


def needs(*kits: Files | None) -> placing.Needs:
    """By which files, with their paths, each service of some kits runs. Raises KitBroken."""
    found: dict[str, tuple[str, ...]] = {}
    for kit in kits:
        for unit, paths in contents(kit).services.items() if kit is not None else ():
            found[unit] = (*found.get(unit, ()), *paths)
    return found


def by_hand(new: Files | None, old: Files | None, now: HostState) -> tuple[str, ...]:
    """What is to be begun and ended by hand on a host where one kit takes the place of another; None
    for none. Raises KitBroken."""
    found = (contents(kit) if kit is not None else None for kit in (new, old))
    first, second = ((one.placed, one.services) if one else ({}, {}) for one in found)
    return tuple(dict.fromkeys(placing.by_hand(first, second, now)))


def wanted(
    files: Files, now: HostState, previous: Files | None = None, set_aside: Collection[str] = ()
) -> HostState:
    """The host with a kit in place of the previous one.

    files, previous: kits, contents by file name; set_aside: other people's tables of nftables that
    are to go, as `ip filter`; one that is not there is no mistake. On a device that carries a line
    or an area, whatever address the kit does not give goes, but for link-local ones and on lines
    whose address is automatic. Raises KitBroken, NotSetAside.
    """
    kit, left = contents(files), contents(previous) if previous is not None else None
    gone = _set_aside(now, set_aside)
    table = Table(*OURS, kit.text)
    kept = [t for t in now.tables if (t.family, t.name) != OURS and t not in gone]
    return HostState(
        at=now.at,
        links=_links(kit, left, now),
        addresses=_addresses(kit, left, now),
        routes=_routes(kit, left, now),
        choices=_choices(kit, left, now),
        tables=tuple(sorted([*kept, table], key=lambda t: (t.family, t.name))),
        settings=_settings(kit, now),
        shaping=now.shaping,
        lent=now.lent,
        files=placing.files_wanted(kit.placed, left.placed.keys() if left else (), now),
        services=placing.services_wanted(kit.services, left.services if left else (), now),
    )


def _set_aside(now: HostState, names: Collection[str]) -> list[Table]:
    gone = [t for t in now.tables if f"{t.family} {t.name}" in names]
    if " ".join(OURS) in names:
        raise NotSetAside("inet netcharter is our own table; it is exchanged, not put aside")
    for table in gone:
        if (why := _can_not_return(table)) is not None:
            raise NotSetAside(
                f"{terminal(table.family)} {terminal(table.name)} can't be put aside: {why}"
            )
    return gone


def _can_not_return(table: Table) -> str | None:
    """Why a table could not be loaded again from what `nft` says of it; None: it can."""
    if not table.text:
        return "nft does not list it"
    if _FOREIGN_MATCH.search(table.text):
        return "it holds matches that nft prints but can't read; remove it by the tool that made it"
    try:
        found = block(table.text)
    except Unlisted as problem:
        return str(problem)
    return None if (found.family, found.name) == (table.family, table.name) else "it is misnamed"


def _links(kit: Contents, left: Contents | None, now: HostState) -> tuple[Link, ...]:
    found = {link.name: link for link in now.links}
    for name, link in left.links.items() if left else ():
        if link.parent is not None and found.get(name, link).parent is not None:
            found.pop(name, None)
    taken = {(link.parent, link.tag) for link in kit.links.values() if link.parent is not None}
    found = {n: each for n, each in found.items() if (each.parent, each.tag) not in taken}
    there = {link.name: link for link in now.links}
    for name, link in kit.links.items():
        known = there.get(name, link)
        plain = link.parent is None  # whatever it is, it is there and only to be switched on
        found[name] = Link(name, link.up, known.parent, known.tag) if plain else link
    for name, link in found.items():
        found[name] = replace(link, mtu=_size(name, kit, left, there.get(name)))
    return tuple(sorted(found.values(), key=lambda link: link.name))


def _size(name: str, kit: Contents, left: Contents | None, there: Link | None) -> int | None:
    """How large the packets of a device are to be: as the kit says, or else as they are, or again
    as Ethernet has them (RFC 894) where an earlier kit had made them smaller or larger."""
    asked = kit.links[name].mtu if name in kit.links else None
    ours = left.links[name].mtu if left and name in left.links else None
    now = there.mtu if there else None
    if asked is None and ours is not None and ours == now:
        return ETHERNET
    return asked or now


def _addresses(kit: Contents, left: Contents | None, now: HostState) -> tuple[Held, ...]:
    devices = kit.devices | (left.devices if left else frozenset())
    theirs = kit.automatic | ((left.automatic if left else frozenset()) - kit.devices)
    given = {_place(held) for held in left.addresses} if left else set()
    asked = {_place(held) for held in kit.addresses}
    there = {_place(held): held for held in now.addresses}
    gone_links = {link.name for link in now.links} - {link.name for link in _links(kit, left, now)}
    kept = [
        held
        for held in now.addresses
        if _place(held) not in asked
        and held.device not in gone_links
        and _place(held) not in given
        and (held.device not in devices or held.device in theirs or held.interface.ip.is_link_local)
    ]
    # The kit's first: the kernel sends from the first of several in one network.
    ours = (_as_there(h, there.get(_place(h))) for h in kit.addresses)
    return network.in_order([*ours, *kept])


def _as_there(asked: Held, there: Held | None) -> Held:
    """An address that is there stays as it is, but for its preferred time."""
    return asked if there is None else network.with_time(there, network.deprecated(asked))


def _place(held: Held) -> tuple[str, str]:
    return held.device, str(held.interface)


def _routes(kit: Contents, left: Contents | None, now: HostState) -> tuple[Route, ...]:
    taken = {network.key(route) for route in kit.routes}
    leaving = set(left.routes) if left else set()
    kept = {r for r in now.routes if r not in leaving and network.key(r) not in taken}
    return tuple(sorted({*kept, *kit.routes}, key=lambda r: (r.family, r.words)))


def _choices(kit: Contents, left: Contents | None, now: HostState) -> tuple[Choice, ...]:
    leaving = set(left.choices) if left else set()
    return in_turn({*(c for c in now.choices if c not in leaving), *kit.choices})


def _settings(kit: Contents, now: HostState) -> dict[str, str]:
    """Forwarding in general sets it on every device; what the kit says of one counts more."""
    found = dict(now.settings)
    asked = {n: v for n, v in kit.settings.items() if n not in kit.optional or n in now.settings}
    for general, each in FORWARDING.items():
        if (value := asked.get(general)) is not None and value != now.settings.get(general):
            found |= {name: value for name in found if each.match(name)}
    return found | asked


FORWARDING: Mapping[str, re.Pattern[str]] = {
    "net/ipv4/ip_forward": _DEVICES4,
    "net/ipv6/conf/all/forwarding": _DEVICES6,
}


# --- as before -----------------------------------------------------------------------------------


def as_before(before: HostState, now: HostState, *kits: Files) -> HostState:
    """The host as it was before, but for what others did since then where a kit has no part.

    kits: the one that was being put in place, and the one before it: what they speak of is to be as
    before, and so is what went with it. Other devices, other tables, queues and what was added
    elsewhere stay as they are now, unless they stand in the way of what is wanted back. An address
    of a kit whose device is gone, and which stands on one that was not there before, goes: the
    device was renamed. Raises KitBroken.
    """
    ours = [contents(kit) for kit in kits]
    before = _without_sessions(before, now, {name for kit in ours for name in kit.sessions})
    links = _links_before(before, now, ours)
    paths = [path for kit in ours for path in kit.placed]
    units = [unit for kit in ours for unit in kit.services]
    return replace(
        placing.before(before, now, paths, units),
        links=links,
        addresses=_addresses_before(before, now, ours, {link.name for link in links}),
        routes=_routes_before(before, now, ours),
        choices=in_turn(
            {*before.choices, *(c for c in now.choices if not any(c in k.choices for k in ours))}
        ),
        tables=_tables_before(before, now),
        settings={**now.settings, **before.settings},
        shaping=now.shaping,
        lent=now.lent,
    )


def _without_sessions(before: HostState, now: HostState, devices: Collection[str]) -> HostState:
    """What came with a session is as now: who brings it brings it again, and perhaps another."""
    routes = [r for r in before.routes if not network.devices(r.words) & set(devices)]
    addresses = [held for held in before.addresses if held.device not in devices]
    return replace(
        before,
        routes=(*routes, *(r for r in now.routes if network.devices(r.words) & set(devices))),
        addresses=(*addresses, *(held for held in now.addresses if held.device in devices)),
    )


def _links_before(
    before: HostState, now: HostState, ours: Collection[Contents]
) -> tuple[Link, ...]:
    """As now, but what a kit speaks of as before, with VLAN devices that had to go."""
    named = {name for kit in ours for name in kit.links}
    there = {link.name for link in now.links}
    found = {link.name: link for link in now.links if link.name not in named}
    found |= {
        link.name: link
        for link in before.links
        if link.name in named or (link.name not in there and link.parent is not None)
    }
    for link in now.links:  # a device that others brought, of a name that only the kit knows
        if link.name not in found and link.parent is None:
            found[link.name] = link
    return tuple(sorted(found.values(), key=lambda link: link.name))


def _addresses_before(
    before: HostState, now: HostState, ours: Collection[Contents], links: Collection[str]
) -> tuple[Held, ...]:
    """On a kit's devices and those that were away as before, elsewhere as now."""
    devices = {name for kit in ours for name in kit.devices}
    theirs = {name for kit in ours for name in kit.automatic}
    given = {_place(held) for kit in ours for held in kit.addresses}
    away = {link.name for link in before.links} - {link.name for link in now.links}
    old = [held for held in before.addresses if held.device in devices | away]
    known = {_place(held) for held in old}
    there = {link.name for link in now.links}
    new_devices = there - {link.name for link in before.links}
    lost = {h.interface for kit in ours for h in kit.addresses if h.device not in there}
    new = [
        held
        for held in now.addresses
        if held.device in links
        and _place(held) not in known
        and not (held.device in new_devices and held.interface in lost)
        and (
            held.device not in devices
            or (
                _place(held) not in given
                and (held.device in theirs or held.interface.ip.is_link_local)
            )
        )
    ]
    return network.in_order([*old, *new])


def _routes_before(
    before: HostState, now: HostState, ours: Collection[Contents]
) -> tuple[Route, ...]:
    known = {network.key(route) for route in before.routes}
    asked = {route for kit in ours for route in kit.routes}
    new = {r for r in now.routes if r not in asked and network.key(r) not in known}
    return tuple(sorted({*before.routes, *new}, key=lambda r: (r.family, r.words)))


def _tables_before(before: HostState, now: HostState) -> tuple[Table, ...]:
    """Our own as before; others as they are now, and those that are away as before."""
    found = {(t.family, t.name): t for t in before.tables}
    found |= {(t.family, t.name): t for t in now.tables if (t.family, t.name) != OURS}
    return tuple(found[name] for name in sorted(found))


# --- in words ------------------------------------------------------------------------------------


def clashes(files: Files, now: HostState, previous: Files | None = None) -> tuple[str, ...]:
    """What of others a kit meets on a host, one sentence each. Raises KitBroken.

    Routes in the place of its own, devices and addresses of its names and values that somebody else
    looks after. What is kept and what has to go is said; what leads packets elsewhere says
    `diverting`.
    """
    kit, left = contents(files), contents(previous) if previous is not None else None
    words = [
        *_clashing_links(kit, left, now),
        *_clashing_addresses(kit, now),
        *_leaving_addresses(kit, left, now),
        *_clashing_routes(kit, left, now),
    ]
    return tuple(terminal(text) for text in words)


def _clashing_links(kit: Contents, left: Contents | None, now: HostState) -> Iterator[str]:
    ours = left.links if left else {}
    for link in now.links:
        asked = kit.links.get(link.name)
        if asked is not None and asked.parent is not None and link.parent is None:
            yield (
                f"{link.name} is there and is no VLAN device; it is taken for VLAN {asked.tag} of "
                f"{asked.parent}"
            )
        elif asked is not None and link.parent is not None and _vlan(link) != _vlan(asked):
            if link.name not in ours:
                yield f"{link.name} is VLAN {link.tag} of {link.parent}; it is made anew"
        elif asked is None and link.name not in ours:
            same = [
                n for n, each in kit.links.items() if each.parent and _vlan(each) == _vlan(link)
            ]
            if same:
                yield f"{link.name} is VLAN {link.tag} of {link.parent}; it gives way to {same[0]}"


def _vlan(link: Link) -> tuple[str | None, int | None]:
    return link.parent, link.tag


def _clashing_addresses(kit: Contents, now: HostState) -> Iterator[str]:
    lent = {_place(held) for held in now.lent}
    for held in kit.addresses:
        if _place(held) in lent:
            yield (
                f"{held.device} holds {held.interface} only for a time (from DHCP or router "
                "advertisements); it is left so, and ends when that ends"
            )


def _leaving_addresses(kit: Contents, left: Contents | None, now: HostState) -> Iterator[str]:
    stay = {_place(held) for held in _addresses(kit, left, now)}
    ours = {_place(held) for held in left.addresses} if left else set()
    for held in now.addresses:
        if _place(held) not in stay | ours:
            yield (
                f"{held.device} holds {held.interface}, which the charter does not give it; it goes, "
                "and comes back when this is undone"
            )


def _clashing_routes(kit: Contents, left: Contents | None, now: HostState) -> Iterator[str]:
    ours = {*kit.routes, *(left.routes if left else ())}
    taken = {network.key(route) for route in kit.routes}
    for route in now.routes:
        if route in ours:
            continue
        said = " ".join(route.words)
        if network.key(route) in taken:
            yield f"the route `{said}` is not ours, but stands where one of ours goes; it has to go"
