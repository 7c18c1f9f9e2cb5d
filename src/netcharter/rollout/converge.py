"""From what a host is now to what it is to be: ordered steps.

The order: what is new comes first (devices, addresses), then the packet filter, which is the old
one or the new one at any moment, then settings, devices that are switched on, ways; what is no
longer wanted goes last. An address that is in both states is never touched. Nothing is passed on
before the rules stand: forwarding is switched on after the filter, and off before it. Being killed
between two steps does no harm: whoever comes next reads the host again and converges again.

What can't be put in place (a device that is not there) is left out, and told by `left_out`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace

from netcharter.diagnostics.escape import terminal
from netcharter.rollout import network, placing
from netcharter.rollout.escape import Unsayable, ip_line, sayable, setting_line
from netcharter.rollout.filtering import Classes, Exchange, exchange
from netcharter.rollout.listing import Unlisted
from netcharter.rollout.shapes import (
    FILTERING,
    Choice,
    Family,
    Held,
    HostState,
    Link,
    Route,
    Run,
    Step,
)
from netcharter.rollout.switching import Settings, switched_off, switched_on
from netcharter.rollout.unlike import unlike

__all__ = ["converge", "left_out", "possible", "rehearsal", "unlike"]

FILTER = ("nft", "-f", "-")
FAMILIES: tuple[Family, ...] = (4, 6)
PROMOTE = "net/ipv4/conf/{}/promote_secondaries"


class NotReached(ValueError):
    """A state that can't be written down safely for the programs that are to bring it about."""


def converge(
    now: HostState,
    wanted: HostState,
    *,
    at: float | None = None,
    classes: Classes | None = None,
    needs: placing.Needs | None = None,
) -> tuple[Step, ...]:
    """The steps from one state to another; none if nothing is to be done.

    at: the clock that counts from boot when the steps are taken (as read: now.at); classes: how
    the identity classes of people who are signed in are renumbered (`contents.classes`); needs: by
    which files services run (`wanted.needs`).
    Raises NotReached for tables or addresses that could not be written safely.
    """
    try:
        there = now.at if at is None else at
        return tuple(_steps(now, possible(now, wanted), there, classes, needs))
    except (Unsayable, Unlisted) as problem:
        raise NotReached(str(problem)) from None


def _steps(
    now: HostState,
    wanted: HostState,
    at: float,
    classes: Classes | None,
    needs: placing.Needs | None,
) -> Iterator[Step]:
    gone = _in_the_way(now, wanted)
    yield from _step("devices are made", _made(now, wanted, gone))
    now = _without(now, gone)
    yield from _step("new addresses are added", _new_addresses(now, wanted))
    yield from _step("preferred times of addresses are set", _preferred(now, wanted))
    off, known = switched_off(now.settings, wanted.settings)
    yield from _step("what is no longer to be passed on is not", _set(off))
    yield from _filtered(exchange(now, wanted, at, classes))
    on, known = switched_on(known, wanted.settings)
    yield from _step("kernel settings are made", _set(on))
    yield from _step("the size of packets is set", _sized(now, wanted))
    yield from _step("devices are switched on", _switched_on(now, wanted))
    yield from _step("new ways are added", _new_ways(now, wanted))
    yield from placing.steps(now, wanted, needs)
    yield from _step("old ways go", _old_ways(now, wanted))
    yield from _step("old addresses go", _old_addresses(now, wanted, known))
    yield from _step("old devices go", _old_devices(now, wanted))
    yield from _step("what the kernel took along comes back", _back(now, wanted))


def _step(name: str, effects: Iterable[Run]) -> Iterator[Step]:
    found = tuple(effects)
    if found:
        yield Step(name, found)


def _filtered(found: Exchange) -> Iterator[Step]:
    """One step, whose first run is tried with the whole of it in one transaction."""
    alone, *texts = (
        text.encode("utf-8", "surrogateescape") for text in (found.alone, *found.stages)
    )
    runs = [Run(FILTER, text, tried=b"" if n else alone) for n, text in enumerate(texts)]
    yield from _step(f"{FILTERING}: {'; '.join(found.words)}", runs)


def _batch(
    lines: Iterable[str], family: Family | None = None, force: bool = False
) -> Iterator[Run]:
    """One `ip -batch`. force: lines that fail keep nothing back, and are no failure."""
    text = "".join(lines)
    if text:
        of = (f"-{family}",) if family else ()
        how = ("-force",) if force else ()
        yield Run(("ip", *of, *how, "-batch", "-"), text.encode("ascii"), fails=not force)


def _set(settings: Settings) -> Iterator[Run]:
    text = "".join(setting_line(name, value) for name, value in settings)
    if text:
        yield Run(("sysctl", "-e", "-q", "-p", "-"), text.encode("ascii"))


def rehearsal(steps: Iterable[Step]) -> tuple[Run, ...]:
    """The exchanges of the packet filter among some steps, tried without effect (`nft -c`)."""
    runs = [effect for step in steps for effect in step.effects if isinstance(effect, Run)]
    filters = [run for run in runs if run.argv == FILTER]
    texts = [run.stdin if run.tried is None else run.tried for run in filters]
    return tuple(Run(("nft", "-c", "-f", "-"), text) for text in texts if text)


# --- what can be had -----------------------------------------------------------------------------


def _available(now: HostState, wanted: HostState) -> set[str]:
    """Devices that are there or can be made."""
    found = {link.name for link in now.links}
    asked = [link for link in wanted.links if link.parent is not None and link.name not in found]
    while ready := [link for link in asked if link.parent in found]:
        found |= {link.name for link in ready}
        asked = [link for link in asked if link not in ready]
    return found & ({link.name for link in wanted.links} | _plain(now))


def _plain(state: HostState) -> set[str]:
    return {link.name for link in state.links if link.parent is None}


def possible(now: HostState, wanted: HostState) -> HostState:
    """The wanted state without what can't be had."""
    there = _available(now, wanted)
    return replace(
        placing.possible(now, wanted),
        links=tuple(link for link in wanted.links if link.name in there),
        addresses=tuple(held for held in wanted.addresses if held.device in there),
        routes=tuple(r for r in wanted.routes if r in now.routes or _can_go(r, there)),
        choices=tuple(c for c in wanted.choices if c in now.choices or sayable(c.words)),
        settings={n: v for n, v in wanted.settings.items() if _of_absent(n, there) is None},
    )


def _can_go(route: Route, there: Collection[str]) -> bool:
    return sayable(route.words) and network.devices(route.words) <= set(there)


def _of_absent(name: str, there: Collection[str]) -> str | None:
    """The device a setting is about, if that is neither there nor can be made."""
    parts = name.split("/")
    if parts[0] != "net" or len(parts) != 5 or parts[2] != "conf":
        return None
    return None if parts[3] in {*there, "all", "default", "lo"} else parts[3]


def left_out(now: HostState, wanted: HostState) -> tuple[str, ...]:
    """What of a wanted state `converge` leaves out, in words; nothing else is held up by it."""
    there = _available(now, wanted)
    words: list[str] = []
    for name in sorted(_named(wanted) - there):
        held = sorted(str(each.interface) for each in wanted.addresses if each.device == name)
        count = sum(_of_absent(setting, there) == name for setting in wanted.settings)
        more = [f"its addresses {', '.join(held)}"] if held else []
        more += [f"its {count} settings"] if count else []
        more += (
            ["routes by it"] if any(name in network.devices(r.words) for r in wanted.routes) else []
        )
        what = f"; left out: {', '.join(more)}" if more else ""
        words.append(f"there is no device {name}{what}")
    lost = [r.words for r in wanted.routes if r not in now.routes]
    lost += [c.words for c in wanted.choices if c not in now.choices]
    for said in lost:
        if not sayable(said):
            words.append(f"`{' '.join(said)}` can't be written for ip; it is left out")
    words += placing.left_out(now, wanted)
    return tuple(terminal(text) for text in words)


def _named(wanted: HostState) -> set[str]:
    said = {link.name for link in wanted.links} | {held.device for held in wanted.addresses}
    of = (_of_absent(name, ()) for name in wanted.settings)
    routed = (name for route in wanted.routes for name in network.devices(route.words))
    return said | {name for name in of if name is not None} | (set(routed) - {"lo"})


# --- devices -------------------------------------------------------------------------------------


def _in_the_way(now: HostState, wanted: HostState) -> set[str]:
    """VLAN devices that keep another one of the same name, or of the same tag, from being made."""
    asked = {link.name: link for link in wanted.links if link.parent is not None}
    tags = {(link.parent, link.tag): name for name, link in asked.items()}
    found = set()
    for link in now.links:
        if link.parent is None:
            continue
        other = asked.get(link.name)
        same = tags.get((link.parent, link.tag), link.name)
        changed = other is not None and (other.parent, other.tag) != (link.parent, link.tag)
        if changed or same != link.name:
            found.add(link.name)
    return found


def _made(now: HostState, wanted: HostState, gone: Collection[str]) -> Iterator[Run]:
    lines = [ip_line(("link", "del", "dev", name)) for name in sorted(gone)]
    there = {link.name for link in now.links} - set(gone)
    for link in _parents_first(wanted.links):
        if link.parent is not None and link.name not in there:
            made = ("link", "add", "link", link.parent, "name", link.name)
            lines.append(ip_line((*made, "type", "vlan", "id", str(link.tag))))
    yield from _batch(lines)


def _sized(now: HostState, wanted: HostState) -> Iterator[Run]:
    """Devices before the VLANs on them, which come as large, and then only go down with them
    (Linux)."""
    sizes = {link.name: link.mtu for link in now.links}
    asked = {link.name: link.mtu for link in wanted.links}
    lines = []
    for link in _parents_first(wanted.links):
        size = sizes.get(link.name)
        if link.parent is not None:
            size = size or sizes.get(link.parent)
            above = asked.get(link.parent)
            size = min(size, above) if size and above else size
        if link.mtu is not None and link.mtu != size:
            lines.append(ip_line(("link", "set", "dev", link.name, "mtu", str(link.mtu))))
    yield from _batch(lines)


def _switched_on(now: HostState, wanted: HostState) -> Iterator[Run]:
    """Once the rules and the settings stand: a device may come into the world forwarding."""
    on = {link.name for link in now.links if link.up}
    yield from _batch(
        ip_line(("link", "set", "dev", link.name, "up"))
        for link in _parents_first(wanted.links)
        if link.up and link.name not in on
    )


def _parents_first(links: Iterable[Link]) -> Iterator[Link]:
    waiting = list(links)
    done: set[str] = {link.name for link in waiting if link.parent is None}
    yield from (link for link in waiting if link.parent is None)
    waiting = [link for link in waiting if link.parent is not None]
    while waiting:
        ready = [link for link in waiting if link.parent in done] or waiting
        yield from ready
        done |= {link.name for link in ready}
        waiting = [link for link in waiting if link not in ready]


def _without(now: HostState, gone: Collection[str]) -> HostState:
    """A state after some devices went, with all that the kernel takes along."""
    if not gone:
        return now
    return replace(
        now,
        links=tuple(link for link in now.links if link.name not in gone),
        addresses=tuple(held for held in now.addresses if held.device not in gone),
        routes=tuple(r for r in now.routes if not network.devices(r.words) & set(gone)),
        settings={n: v for n, v in now.settings.items() if _of_absent(n, ()) not in gone},
        lent=tuple(held for held in now.lent if held.device not in gone),
    )


def _old_devices(now: HostState, wanted: HostState) -> Iterator[Run]:
    asked = {link.name: link for link in wanted.links}
    lines = [
        ip_line(("link", "del", "dev", link.name))
        for link in now.links
        if link.parent is not None and link.name not in asked
    ]
    lines += [ip_line(("link", "set", "dev", name, "down")) for name in _going_down(now, wanted)]
    yield from _batch(lines)


def _going_down(now: HostState, wanted: HostState) -> list[str]:
    """What is to be off and is on, or comes on with the device its VLAN stands on (Linux)."""
    on = {link.name for link in now.links if link.up}
    coming = {link.name for link in wanted.links if link.up} - on
    off = (link for link in wanted.links if not link.up)
    return [link.name for link in off if link.name in on or link.parent in coming]


# --- addresses -----------------------------------------------------------------------------------


def _place(held: Held) -> tuple[str, str]:
    return held.device, str(held.interface)


def _missing(now: HostState, wanted: HostState) -> list[Held]:
    known = {_place(held) for held in (*now.addresses, *now.lent)}
    return [held for held in wanted.addresses if _place(held) not in known]


def _leaving(now: HostState, wanted: HostState) -> list[Held]:
    """What is to go and does not go with its device."""
    asked = {_place(held) for held in wanted.addresses}
    deleted = {link.name for link in now.links if link.parent is not None}
    deleted -= {link.name for link in wanted.links}
    return [
        h
        for h in now.addresses
        if _place(h) not in asked and h.device not in deleted and sayable((h.device,))
    ]


def _new_addresses(now: HostState, wanted: HostState) -> Iterator[Run]:
    lines = []
    for held in _missing(now, wanted):
        for old in _leaving(now, wanted):  # IPv6 holds an address once, whatever its prefix length
            if held.interface.version == 6 and _same(held, old):
                lines.append(_address("del", old))
        lines.append(_address("add", held))
    yield from _batch(lines)


def _same(one: Held, other: Held) -> bool:
    return one.device == other.device and one.interface.ip == other.interface.ip


def _address(verb: str, held: Held) -> str:
    words = list(held.words)
    if verb == "change" and not network.deprecated(held):
        words += [network.OVER[0], "forever"]
    if "peer" not in words:
        own = [str(held.interface)]
    elif verb != "del":
        own = [str(held.interface.ip)]
    else:
        own = [str(held.interface.ip), *words[:2]]
    return ip_line(("address", verb, *own, *(words if verb != "del" else ()), "dev", held.device))


def _preferred(now: HostState, wanted: HostState) -> Iterator[Run]:
    """IPv6 addresses that stay, and whose preferred time ends or has no end any more."""
    there = {_place(held): held for held in now.addresses}
    yield from _batch(
        _address("change", held)
        for held in wanted.addresses
        if held.interface.version == 6
        and (old := there.get(_place(held))) is not None
        and network.deprecated(old) is not network.deprecated(held)
        and sayable((held.device,))
    )


def _old_addresses(now: HostState, wanted: HostState, known: Mapping[str, str]) -> Iterator[Run]:
    """Where the first of several addresses of a network goes, the kernel takes the others along
    unless it is told to promote the next (Linux, ip-sysctl: promote_secondaries)."""
    moved = {_place(h) for h in _missing(now, wanted)}
    new = [held for held in wanted.addresses if _place(held) in moved]
    leaving = [
        held
        for held in _leaving(now, wanted)
        if not (held.interface.version == 6 and any(_same(held, other) for other in new))
    ]
    behind = _behind(now, wanted)
    shared = _shared([*now.addresses, *now.lent, *new], [*leaving, *behind])
    names = [PROMOTE.format(device) for device in shared]
    yield from _set([(name, "1") for name in names if known.get(name) != "1"])
    yield from _batch(_address("del", held) for held in [*leaving, *behind])
    yield from _batch(_address("add", held) for held in behind)
    yield from _set([(name, known.get(name, "0")) for name in names if known.get(name) != "1"])


def _behind(now: HostState, wanted: HostState) -> list[Held]:
    """IPv4 addresses that stay, but behind the one of their network that the kernel is to send from:
    they are taken away and added again."""
    leaving = {_place(held) for held in _leaving(now, wanted)}
    staying = [h for h in now.addresses if _place(h) not in leaving]
    there: dict[tuple[str, str], list[Held]] = {}
    for held in [*staying, *_missing(now, wanted)]:
        there.setdefault((held.device, str(held.interface.network)), []).append(held)
    first: dict[tuple[str, str], Held] = {}
    for held in wanted.addresses:
        first.setdefault((held.device, str(held.interface.network)), held)
    found: list[Held] = []
    for where, several in there.items():
        places = [_place(held) for held in several]
        leading = first.get(where)
        if leading is not None and leading.interface.version == 4 and _place(leading) in places:
            found += several[: places.index(_place(leading))]
    asked = {_place(held) for held in found}
    return [held for held in wanted.addresses if _place(held) in asked]


def _shared(held: Iterable[Held], leaving: Iterable[Held]) -> list[str]:
    """Devices on which an IPv4 address goes that has others of its network beside it."""
    count: dict[tuple[str, str], int] = {}
    for each in held:
        where = (each.device, str(each.interface.network))
        count[where] = count.get(where, 0) + 1
    going = (h for h in leaving if h.interface.version == 4)
    return sorted({h.device for h in going if count[h.device, str(h.interface.network)] > 1})


# --- ways ----------------------------------------------------------------------------------------


def _new_ways(now: HostState, wanted: HostState) -> Iterator[Run]:
    """Routes before the choices that lead to them, choices in the order in which they are asked:
    the last one refuses everything that found no way."""
    for family in FAMILIES:
        yield from _batch(
            [*_new_routes(now, wanted, family), *_new_choices(now, wanted, family)], family
        )


def _new_routes(now: HostState, wanted: HostState, family: Family) -> Iterator[str]:
    staying = {network.key(r) for r in now.routes if r in wanted.routes}
    leaving = {network.key(r) for r in now.routes if r not in wanted.routes} - staying
    for route in wanted.routes:
        if route.family != family or route in now.routes:
            continue
        place = network.key(route)
        verb = "replace" if place in leaving else "add"
        if place in staying and family == 4:
            verb = "append"  # IPv4 may have several of one key
        leaving.discard(place)
        staying.add(place)
        yield ip_line(("route", verb, *route.words))


def _replaced(now: HostState, wanted: HostState) -> set[Route]:
    """Routes that are gone once those of the same key have been put in their place."""
    new = {network.key(route) for route in wanted.routes if route not in now.routes}
    kept = {network.key(route) for route in now.routes if route in wanted.routes}
    found: dict[object, Route] = {}
    for route in now.routes:
        place = network.key(route)
        if route not in wanted.routes and place in new - kept:
            found.setdefault(place, route)
    return set(found.values())


def _by_preference(choices: Iterable[Choice], family: Family) -> dict[int, list[Choice]]:
    found: dict[int, list[Choice]] = {}
    for choice in choices:
        if choice.family == family:
            found.setdefault(network.preference(choice), []).append(choice)
    return found


def _new_choices(now: HostState, wanted: HostState, family: Family) -> Iterator[str]:
    there, asked = _by_preference(now.choices, family), _by_preference(wanted.choices, family)
    for place in sorted(asked):
        old, new = there.get(place, []), asked[place]
        if _alike(old, new):
            yield from (ip_line(("rule", "del", "pref", str(place))) for _ in old)
            yield from (_rule("add", choice) for choice in _widest_first(new))
        else:
            yield from (_rule("add", choice) for choice in new if choice not in old)


def _alike(old: list[Choice], new: list[Choice]) -> bool:
    """Whether the kernel would take one choice for another while these become those.

    It looks only at what it is told: `pref 9 lookup 7` means any choice there that leads to 7, so
    adding it beside a narrower one fails, and deleting it may hit the narrower one (measured).
    """
    if set(old) == set(new) or not all(sayable(c.words) for c in (*old, *new)):
        return False
    every = [network.asked(choice) for choice in {*old, *new}]
    return any(a < b for a in every for b in every)


def _widest_first(choices: Iterable[Choice]) -> list[Choice]:
    return sorted(choices, key=lambda choice: (len(choice.words), choice.words))


def _rule(verb: str, choice: Choice) -> str:
    return ip_line(("rule", verb, *choice.words))


def _old_ways(now: HostState, wanted: HostState) -> Iterator[Run]:
    """Choices from the last one, which refuses, to the first; then routes."""
    replaced = _replaced(now, wanted)
    for family in FAMILIES:
        there, asked = _by_preference(now.choices, family), _by_preference(wanted.choices, family)
        lines = []
        for place in sorted(there, reverse=True):
            old, new = there[place], asked.get(place, [])
            if new and _alike(old, new):
                continue  # they have been exchanged as a whole
            if not new and _alike(old, new):
                lines += [ip_line(("rule", "del", "pref", str(place))) for _ in old]
            else:
                gone = [choice for choice in old if choice not in new]
                lines += [_rule("del", choice) for choice in gone if sayable(choice.words)]
        lines += [
            ip_line(("route", "del", *route.words))
            for route in now.routes
            if route.family == family
            and route not in wanted.routes
            and route not in replaced
            and sayable(route.words)
        ]
        yield from _batch(lines, family)


def _back(now: HostState, wanted: HostState) -> Iterator[Run]:
    """What the kernel may have taken along, put back where it is missing.

    Where a device goes down its IPv6 addresses go and all routes by it; where the last IPv4 address
    of a device goes all IPv4 routes by it, and where an address goes the routes that send from it.
    """
    down = set(_going_down(now, wanted))
    leaving = [*_leaving(now, wanted), *_behind(now, wanted)]
    devices = down | {held.device for held in leaving}
    sources = {str(held.interface.ip) for held in leaving}
    v6 = [h for h in wanted.addresses if h.device in down and h.interface.version == 6]
    yield from _batch((_address("add", held) for held in v6), force=True)
    for family in FAMILIES:
        lines = [
            ip_line(("route", "add", *route.words))
            for route in wanted.routes
            if route.family == family
            and sayable(route.words)
            and (
                network.devices(route.words) & devices
                or network.pairs(route.words).get("src") in sources
            )
        ]
        yield from _batch(lines, family, force=True)
