"""What others have put among the choices and routes of a host that leads packets elsewhere than a
kit does.

All of them are asked for here, those too that a roll-out leaves alone: what DHCP, router
advertisements or routing programs brought, and what the kernel made of an address. A choice counts
that is asked before the last of the kit's, which refuses all that is left (ip-rule(8)). A route
counts where the kit looks for one, and the kernel would take it (ip-route(8)): the longer prefix
first, and of one prefix the lowest metric.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from ipaddress import IPv6Network, ip_network
from typing import Any, TypeVar

from netcharter.diagnostics.escape import terminal
from netcharter.rollout import network
from netcharter.rollout.contents import Contents, contents
from netcharter.rollout.escape import sayable
from netcharter.rollout.observe import Asking, Unobservable
from netcharter.rollout.shapes import Choice, Family, Held, HostState, Network, Route, Run

T = TypeVar("T")
Files = Mapping[str, bytes]
Beyond = Callable[[Network], bool]  # whether the plan sends any of it out by a line

KERNEL = "2"  # protocol of what the kernel makes itself (linux/rtnetlink.h)
BROUGHT = frozenset({"9", "16"})  # by router advertisements, by DHCP
LINK_LOCAL = IPv6Network("fe80::/10")
NARROWER = ("tos", "from")  # a route that has them is taken before one that has not
WHOLE: Mapping[Family, Network] = {4: ip_network("0.0.0.0/0"), 6: ip_network("::/0")}
METRIC: Mapping[Family, int] = {4: 0, 6: 1024}  # of a route that names none (linux/ipv6_route.h)


@dataclass(frozen=True, slots=True)
class Asked:
    """A choice as the kernel has it. kernel: it made it itself; place: its preference."""

    choice: Choice
    kernel: bool
    place: int

    @property
    def everything(self) -> frozenset[tuple[str, str]]:
        """What it asks and does, but for its place and who made it."""
        return frozenset(
            pair for pair in network.asked(self.choice) if pair[0] not in ("pref", "protocol")
        )


@dataclass(frozen=True, slots=True)
class Lying:
    """A route as the kernel has it. refuses: it leads nowhere; direct: to the segment itself, over no
    other machine; narrow: for some packets only; hops: next hop and device of each way."""

    route: Route
    network: Network
    table: str
    protocol: str
    kind: str
    metric: int
    narrow: bool
    hops: frozenset[tuple[str, str]]

    @property
    def devices(self) -> frozenset[str]:
        return frozenset(device for _, device in self.hops)

    @property
    def plain(self) -> bool:
        """To one machine or segment, or several; neither refused, nor the host's own."""
        return network.KINDS.get(self.kind) == ""

    @property
    def direct(self) -> bool:
        return self.plain and all(not hop for hop, _ in self.hops)


@dataclass(frozen=True, slots=True)
class Looked:
    """What was asked for, in the kernel's order."""

    choices: tuple[Asked, ...]
    routes: tuple[Lying, ...]


@dataclass(frozen=True, slots=True)
class Diverting:
    """Something that leads packets elsewhere. choice, network: which packets, by what it asks or by
    where they go; early: it is asked before the host's own addresses are."""

    sentence: str
    family: Family
    choice: Choice | None = None
    network: Network | None = None
    early: bool = False


# --- asking ---------------------------------------------------------------------------------------


def looking() -> Asking[Looked]:
    """Ask a host for all its choices and routes, as `observing` does. Raises Unobservable."""
    choices: list[Asked] = []
    routes: list[Lying] = []
    families: tuple[Family, ...] = (4, 6)
    for family in families:
        ip = ("ip", f"-{family}", "-j", "-d", "-N")
        for record in (yield from _rows((*ip, "rule", "show"))):
            choices.append(_told((*ip, "rule", "show"), _choice, family, record))
        for record in (yield from _rows((*ip, "route", "show", "table", "all"))):
            routes.append(_told((*ip, "route", "show", "table", "all"), _lying, family, record))
    return Looked(tuple(choices), tuple(routes))


def _rows(argv: tuple[str, ...]) -> Asking[list[dict[str, Any]]]:
    said = yield Run(argv)
    command = " ".join(argv)
    if said.code != 0:
        raise Unobservable(command, f"it ended with {said.code}: {said.err[:300]!r}")
    try:
        rows = json.loads(said.out.decode("utf-8", "surrogateescape") or "[]", strict=False)
    except (ValueError, RecursionError) as problem:
        raise Unobservable(command, f"its answer is no JSON ({problem})") from None
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise Unobservable(command, "its answer is no list of objects")
    return [row for row in rows if row]


def _told(
    argv: tuple[str, ...],
    shape: Callable[[Family, dict[str, Any]], T],
    family: Family,
    record: dict[str, Any],
) -> T:
    try:
        return shape(family, record)
    except (ValueError, TypeError, KeyError, AttributeError) as problem:
        why = f"its answer is not what it is known to say ({type(problem).__name__}: {problem})"
        raise Unobservable(" ".join(argv), why[:300]) from None


def _choice(family: Family, record: dict[str, Any]) -> Asked:
    kernel = str(record.get("protocol", "")) == KERNEL
    found = network.choice(family, {**record, "protocol": network.UNSAID} if kernel else record)
    assert found is not None  # only what the kernel made is left out
    return Asked(found, kernel, int(record["priority"]))


def _lying(family: Family, record: dict[str, Any]) -> Lying:
    dst = str(record["dst"])
    hops = [record, *record.get("nexthops", ())]
    return Lying(
        network.told(family, {key: each for key, each in record.items() if key != "expires"}),
        WHOLE[family] if dst == "default" else ip_network(dst),
        str(record.get("table", network.MAIN)),
        str(record.get("protocol", "0")),
        str(record.get("type", "1")),
        int(record.get("metric", METRIC[family])),
        any(key in record for key in NARROWER),
        frozenset((_hop(hop), str(hop["dev"])) for hop in hops if "dev" in hop),
    )


def _hop(record: dict[str, Any]) -> str:
    if "gateway" in record:
        return str(record["gateway"])
    return str(record["via"]["host"]) if "via" in record else ""


# --- what counts ----------------------------------------------------------------------------------


def diverting(
    files: Files, now: HostState, looked: Looked, beyond: Beyond, previous: Files | None = None
) -> tuple[Diverting, ...]:
    """What of others leads packets elsewhere than a kit does, once that is in place.

    now: what the host is like; previous: the kit that leaves. Raises KitBroken.
    """
    kit, left = contents(files), contents(previous) if previous is not None else None
    return (
        *_choices(kit, left, looked.choices),
        *_routes(_Ground.of(kit, left, now, looked, beyond), looked.routes),
    )


def missing(files: Files, now: HostState, looked: Looked) -> tuple[Diverting, ...]:
    """Networks of a kit that is in place whose own route is gone: what goes there goes elsewhere.

    The kernel makes it with the address, and it goes with it; a device that is off has none.
    """
    kit = contents(files)
    on = {link.name for link in now.links if link.up}
    held = {(each.device, str(each.interface)) for each in now.addresses}
    found = []
    for each in kit.addresses:
        if each.device not in on or (each.device, str(each.interface)) not in held:
            continue  # that is told elsewhere
        where = [r for r in looked.routes if r.table == network.MAIN and each.device in r.devices]
        if not any(r.direct and r.network == each.interface.network for r in where):
            found.append(_no_way(each))
        elif each.interface.version == 4 and not _its_own(each, looked.routes):
            found.append(_not_own(each))
    return tuple(found)


def _its_own(held: Held, routes: Iterable[Lying]) -> bool:
    return any(
        route.table == network.LOCAL
        and network.KINDS.get(route.kind) == "local"
        and held.interface.ip in route.network
        for route in routes
    )


def _no_way(held: Held) -> Diverting:
    where, family = held.interface.network, _family(held)
    sentence = (
        f"the kernel's own route to {where} by {held.device} is missing: what goes there goes "
        f"elsewhere; to have it back, switch the device off and on, or `ip route add {where} dev "
        f"{held.device} src {held.interface.ip}`"
    )
    return Diverting(terminal(sentence), family, network=where)


def _not_own(held: Held) -> Diverting:
    sentence = (
        f"the host does not take {held.interface.ip} on {held.device} for its own, since the route "
        f"of the local table is missing; take the address away and add it again (`netcharter holds "
        f"--mend`)"
    )
    return Diverting(terminal(sentence), _family(held), network=held.interface.network)


def _family(held: Held) -> Family:
    return 4 if held.interface.version == 4 else 6


# --- choices --------------------------------------------------------------------------------------


def _choices(kit: Contents, left: Contents | None, there: Iterable[Asked]) -> Iterator[Diverting]:
    every = tuple(there)
    ours = {*kit.choices, *(left.choices if left else ())}
    families: tuple[Family, ...] = (4, 6)
    for family in families:
        places = [network.preference(c) for c in kit.choices if c.family == family]
        own = [a for a in every if a.choice.family == family and _looks_local(a)]
        first = min((a.place for a in own), default=-1)
        if places and (first < 0 or first > min(places)):
            yield _never_local(family)
        for asked in every:
            if asked.choice.family != family or asked.choice in ours or asked in own:
                continue
            if places and asked.place <= max(places) and _can_count(kit, asked):
                yield _before_ours(asked, early=asked.place <= first or first < 0)


def _looks_local(asked: Asked) -> bool:
    return asked.everything == {("lookup", network.LOCAL)}


def _can_count(kit: Contents, asked: Asked) -> bool:
    """Whether it may concern what a kit lets.

    A choice for what comes in by another device does not, since nothing that does is let. Neither
    does that for members of a VRF: what is not one goes on as if it were not there, and a device of
    the kit that is one has its routes elsewhere, which is told (`missing`).
    """
    said = asked.everything
    if ("not", "") in said or asked.choice.words[0] == network.UNWRITTEN:
        return True
    if ("l3mdev", "") in said:
        return False
    incoming = {device for word, device in said if word == "iif"}
    return not incoming or bool(incoming & {*kit.devices, "lo"})


def _before_ours(asked: Asked, early: bool) -> Diverting:
    choice = asked.choice
    said, gone = _said(choice), ""
    if sayable(choice.words):
        gone = f"; if nobody needs it: `ip -{choice.family} rule del {' '.join(choice.words)}`"
    sentence = (
        f"the choice `{said}` (IPv{choice.family}) is not ours and is asked before ours end: what it "
        f"matches goes as it says, whatever the charter says{gone}"
    )
    return Diverting(terminal(sentence), choice.family, choice=choice, early=early)


def _never_local(family: Family) -> Diverting:
    sentence = (
        f"no choice looks for the host's own IPv{family} addresses before ours are asked, as the "
        f"kernel's does: nobody reaches the gateway itself; to have it back: "
        f"`ip -{family} rule add pref 0 lookup local`"
    )
    return Diverting(sentence, family, network=WHOLE[family], early=True)


def _said(way: Choice | Route) -> str:
    return " ".join(way.words[way.words[0] == network.UNWRITTEN :])


# --- routes ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Ground:
    """What a kit routes, and where it looks. segments: networks with their devices, and the metric of
    the route that leads there (None: there is none so far); leaving: addresses that go once it is in
    place; tables: of the kit's own; replacing: the
    places in tables where routes of the kit are to be put yet; unrestricted: the families for which
    it takes default routes of the main table."""

    kit: Contents
    ours: frozenset[Route]
    segments: tuple[tuple[Network, str, int | None], ...]
    held: tuple[Held, ...]
    leaving: tuple[Held, ...]
    tables: frozenset[str]
    replacing: frozenset[object]
    unrestricted: frozenset[Family]
    beyond: Beyond

    @classmethod
    def of(
        cls, kit: Contents, left: Contents | None, now: HostState, looked: Looked, beyond: Beyond
    ) -> _Ground:
        asked = [(c.family, network.pairs(c.words)) for c in kit.choices]
        places = {str(said["lookup"]) for _, said in asked if "lookup" in said}
        lent = [held for held in (*now.addresses, *now.lent) if held.device in kit.automatic]
        lent += [held for held in now.lent if held.device in kit.devices]
        lying = {each.route for each in looked.routes}
        segments = {(_segment(h), h.device): None for h in (*kit.addresses, *lent)}
        staying = {(h.device, h.interface) for h in (*kit.addresses, *lent)}
        return cls(
            kit,
            frozenset({*kit.routes, *(left.routes if left else ())}),
            tuple((where, device, _metric(where, device, looked)) for where, device in segments),
            (*now.addresses, *now.lent, *kit.addresses),
            tuple(
                h
                for h in now.addresses
                if h.device in kit.devices and (h.device, h.interface) not in staying
            ),
            frozenset(places - {network.MAIN, network.LOCAL}),
            frozenset(network.key(r) for r in kit.routes if r not in lying),
            frozenset(
                family
                for family, said in asked
                if said.get("lookup") == network.MAIN and "suppress_prefixlength" not in said
            ),
            beyond,
        )


def _segment(held: Held) -> Network:
    """Where the kernel leads with an address: its network, or the other end."""
    if "peer" in held.words:
        return ip_network(held.words[held.words.index("peer") + 1], strict=False)
    return held.interface.network


def _metric(where: Network, device: str, looked: Looked) -> int | None:
    found = [
        route.metric
        for route in looked.routes
        if route.table == network.MAIN
        and route.network == where
        and route.direct
        and not route.narrow
        and route.devices == {device}
    ]
    return min(found, default=None)


def _routes(ground: _Ground, there: Iterable[Lying]) -> Iterator[Diverting]:
    for route in there:
        if route.route in ground.ours:
            continue
        if route.table == network.LOCAL:
            where = _in_local(ground, route)
        elif route.table == network.MAIN:
            where = _in_main(ground, route)
        elif route.table in ground.tables:
            where = _in_ours(ground, route)
        else:
            continue
        if where:
            yield _leading_away(route, where)


def _in_local(ground: _Ground, route: Lying) -> str:
    """A route of the table that is asked first. What it leads away, in words; "" if nothing."""
    if route.protocol == KERNEL and _made_with(ground, route, ground.kit.devices):
        return ""
    if _link_local(route):
        return _on_a_link(route)
    for where, device, _ in ground.segments:
        if _overlap(route.network, where):
            return f"what goes to {where} ({device})"
    return _outwards(ground, route)


def _made_with(ground: _Ground, route: Lying, devices: Collection[str]) -> bool:
    """Whether the kernel made it for an address of one of these devices: the address itself, the
    broadcast addresses of IPv4, the subnet-router anycast address (RFC 4291 section 2.6.1)."""
    if route.network.prefixlen != route.network.max_prefixlen:
        return False
    address = route.network.network_address
    for held in ground.held:
        if held.device in devices and held.device in route.devices:
            whole, kind = held.interface.network, network.KINDS.get(route.kind)
            edges = {whole.network_address, whole.broadcast_address}
            said = network.pairs(held.words).get("broadcast")
            if kind == "local" and address == held.interface.ip:
                return True
            if kind == "broadcast" and (address in edges or str(address) == said):
                return True
            if kind == "anycast" and address == whole.network_address:
                return True
    return False


def _in_main(ground: _Ground, route: Lying) -> str:
    """The same for the table that is asked next, for all but default routes."""
    brought = ground.kit.automatic
    if route.network.prefixlen == 0:
        if route.network.version not in ground.unrestricted:
            return ""
        return "" if route.plain and route.devices <= brought else "what is to go out by a line"
    if _link_local(route):
        return _on_a_link(route)
    if _leaving(ground, route):
        return ""
    for where, device, metric in ground.segments:
        if _inside(route.network, where):
            if route.direct and route.devices == {device}:
                return ""
            taken = metric is None or route.narrow or route.metric <= metric
            if route.network != where or taken:
                return f"what goes to {where} ({device})"
            return ""
    learnt = route.protocol in BROUGHT or (route.protocol == KERNEL and route.direct)
    if learnt and route.devices and route.devices <= brought:
        return ""
    if route.protocol in BROUGHT and brought and network.REFUSALS.get(route.kind):
        return ""  # of a delegated prefix, what is not used (RFC 7084, WPD-5)
    if _going(ground, route):
        return ""
    return _outwards(ground, route)


def _leaving(ground: _Ground, route: Lying) -> bool:
    """Whether the kernel made it for addresses all of which go from a device of the kit."""
    made_for = [
        held
        for held in ground.held
        if route.devices == {held.device} and route.network == _segment(held)
    ]
    return route.protocol == KERNEL and bool(made_for) and set(made_for) <= set(ground.leaving)


def _going(ground: _Ground, route: Lying) -> bool:
    """Whether it goes with an address that is to go, and is told by that."""
    return route.protocol == KERNEL and any(
        held.device in ground.kit.devices and route.network == _segment(held)
        for held in ground.held
        if route.devices == {held.device}
    )


def _in_ours(ground: _Ground, route: Lying) -> str:
    """The same for the kit's own tables, in which nobody else has business but who brings the
    default route of an automatic line; and with some of its lines the balanced route is ours."""
    if network.key(route.route) in ground.replacing:
        return ""
    if route.network.prefixlen == 0 and route.plain and route.devices:
        known = {
            (said.get("via", ""), said["dev"])
            for ours in ground.kit.routes
            for said in _ways(ours)
            if ours.family == route.route.family
        }
        if all(hop in known or hop[1] in ground.kit.automatic for hop in route.hops):
            return ""
    return "what is to go out by a line"


def _ways(route: Route) -> Iterator[dict[str, str]]:
    words = list(route.words)
    while words:
        end = words.index("nexthop", 1) if "nexthop" in words[1:] else len(words)
        said = network.pairs(words[:end])
        if "dev" in said:
            yield said
        words = words[end:]


def _outwards(ground: _Ground, route: Lying) -> str:
    return "what is to go out by a line" if ground.beyond(route.network) else ""


def _link_local(route: Lying) -> bool:
    return isinstance(route.network, IPv6Network) and route.network.subnet_of(LINK_LOCAL)


def _on_a_link(route: Lying) -> str:
    """On every device of its own: only what leads nowhere, or over another machine, counts."""
    mild = route.protocol == KERNEL or route.direct
    return "" if mild else "what goes to link-local addresses"


def _overlap(one: Network, other: Network) -> bool:
    return one.version == other.version and one.overlaps(other)


def _inside(one: Network, other: Network) -> bool:
    if isinstance(one, IPv6Network):
        return isinstance(other, IPv6Network) and one.subnet_of(other)
    return not isinstance(other, IPv6Network) and one.subnet_of(other)


def _leading_away(route: Lying, where: str) -> Diverting:
    found = route.route
    sentence = f"the route `{_said(found)}` (IPv{found.family}) is not ours and leads away {where}"
    if route.protocol == KERNEL and route.devices:
        by = ", ".join(sorted(route.devices))
        sentence += f"; it comes with an address of {by}: give that another, or take it away"
    elif sayable(found.words):
        sentence += f"; if nobody needs it: `ip -{found.family} route del {' '.join(found.words)}`"
    return Diverting(terminal(sentence), found.family, network=route.network)
