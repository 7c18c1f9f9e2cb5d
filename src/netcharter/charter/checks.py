"""What the parts of a site must have in common: names, lines, areas, devices, people, services."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from typing import Any

from netcharter.charter.services import Part, builtin, parse_written
from netcharter.charter.shapes import GUESSED, MISSING, SAID, Fields, Path, Walk, first_line
from netcharter.charter.table import MOST_ADDRESSES, MOST_EXITS, MOST_LINES, MOST_RULES, NEEDED
from netcharter.charter.values import MOST_INTERFACE, MOST_TARGETS, interface_of, quoted
from netcharter.charter.words import suggest

NAMESPACE = ("areas", "lines", "devices", "people", "groups", "places")
KINDS = {
    "areas": "an area",
    "lines": "a line",
    "devices": "a device",
    "people": "a person",
    "groups": "a group",
    "places": "a place",
    "services": "a service",
    "hours": "hours",
    "terms": "a term",
}
MOST_PARTS = 1_000


def check_site(walk: Walk, doc: Fields) -> None:
    """Everything but rules, offers and promises."""
    _sections(walk, doc)
    _namespace(walk, doc)
    _interfaces(walk, doc)
    _lines(walk, doc)
    for name, area in entries(doc, "areas"):
        _area(walk, ("areas", name), area)
    _devices(walk, doc)
    for name, person in entries(doc, "people"):
        known_names(walk, doc, ("people", name, "groups"), person.get("groups", ()), "groups")
    for name, hours in entries(doc, "hours"):
        _hours(walk, doc, ("hours", name), hours)
    _managers(walk, doc)


def entries(doc: Fields, section: str) -> Iterator[tuple[str, Any]]:
    """The named things of a section that could be read."""
    found = doc.get(section, {})
    return (
        ((n, f) for n, f in found.items() if f is not MISSING) if found is not MISSING else iter(())
    )


def names_of(doc: Fields, section: str) -> Iterable[str]:
    found = doc.get(section, {})
    return () if found is MISSING else found


def at(walk: Walk, path: Path, index: int) -> Any:
    """The place of one item of a list, or of the value itself if it is no list."""
    return walk.where((*path, index))


def known_names(walk: Walk, doc: Fields, path: Path, names: Iterable[str], section: str) -> None:
    """Tell of each name that its section does not have."""
    known = doc.get(section, {})
    if known is MISSING:
        return
    for i, name in enumerate(names):
        if name in known:
            continue
        other = kind_of(doc, name)
        span = at(walk, path, i)
        if other is not None and section != other:
            walk.tell("wrong-kind", span, f"`{name}` is {KINDS[other]}, not {KINDS[section]}",
                      related=((walk.where((other, name)), "defined here"),))  # fmt: skip
        else:
            near = suggest(name, known)
            walk.tell("unknown-name", span, f"there is no {_bare(section)} {quoted(name)}",
                      f"write {near}" if near else f"define it below `{section}:`")  # fmt: skip


def _bare(section: str) -> str:
    return KINDS[section].removeprefix("an ").removeprefix("a ")


def kind_of(doc: Fields, name: str) -> str | None:
    """The section that defines a name."""
    return next((s for s in NAMESPACE if name in names_of(doc, s)), None)


def _sections(walk: Walk, doc: Fields) -> None:
    for section in NEEDED:
        if section not in doc and section not in doc[GUESSED]:
            walk.tell("missing-key", walk.where(()), f"a charter lacks `{section}`",
                      f"add `{section}:`" + (" 1" if section == "charter" else ""))  # fmt: skip
    for section in ("lines", "areas"):
        if doc.get(section) == {}:
            walk.tell("missing-key", walk.where((section,)),
                      f"there is not one entry below `{section}`", "add one")  # fmt: skip
    lines = list(names_of(doc, "lines"))
    if len(lines) > MOST_LINES:
        walk.tell("too-many-lines", walk.where(("lines", lines[MOST_LINES])),
                  f"this is line number {MOST_LINES + 1}; a site has at most {MOST_LINES}")  # fmt: skip
    if len(list(names_of(doc, "exits"))) > MOST_EXITS:
        walk.tell("too-many-exits", walk.where(("exits", MOST_EXITS)),
                  f"this is exit number {MOST_EXITS + 1}; a charter has at most {MOST_EXITS}",
                  "say with places and services what many exits say alike")  # fmt: skip
    if len(list(names_of(doc, "rules"))) > MOST_RULES:
        walk.tell("too-many-rules", walk.where(("rules", MOST_RULES)),
                  f"this is rule number {MOST_RULES + 1}; a charter has at most {MOST_RULES}",
                  "say with groups, places and services what many rules say alike")  # fmt: skip


def _namespace(walk: Walk, doc: Fields) -> None:
    first: dict[str, str] = {}
    for section in NAMESPACE:
        for name in names_of(doc, section):
            if name in first:
                walk.tell("name-clash", walk.where((section, name)),
                          f"`{name}` is {KINDS[first[name]]} already, so it can't be {KINDS[section]}",
                          "choose another name for one of them",
                          related=((walk.where((first[name], name)), "here first"),))  # fmt: skip
            else:
                first[name] = section


def _interfaces(walk: Walk, doc: Fields) -> None:
    taken: dict[str, Path] = {}
    for section in ("lines", "areas"):
        for name, fields in entries(doc, section):
            if "device" not in fields or ("vlan" in fields[SAID] and "vlan" not in fields):
                continue
            device, vlan = fields["device"], fields.get("vlan")
            key = interface_of(device, vlan)
            path = (section, name, "device")
            if len(key) > MOST_INTERFACE:
                walk.tell("bad-interface", walk.where((section, name, "vlan")),
                          f"with its VLAN this interface would be `{key}`,"
                          f" longer than {MOST_INTERFACE} characters",
                          "give the interface a shorter name on the gateway")  # fmt: skip
            elif key in taken:
                said = f"`{device}` with VLAN {vlan}, which is `{key}`," if vlan else f"`{key}`"
                walk.tell("interface-twice", walk.where(path),
                          f"{said} is taken by `{taken[key][1]}` already",
                          "give each its own interface, or tell them apart by `vlan`",
                          related=((walk.where(taken[key]), "taken here"),))  # fmt: skip
            else:
                taken[key] = path


def _lines(walk: Walk, doc: Fields) -> None:
    roles: dict[str, list[str]] = {"main": [], "standby": [], "balanced": []}
    for i, (name, line) in enumerate(entries(doc, "lines")):
        path = ("lines", name)
        _addresses(walk, (*path, "address"), line.get("address", ()))
        _one_per_family(walk, (*path, "next-hop"), line.get("next-hop", ()))
        _next_hops(walk, path, line)
        _targets(walk, path, line)
        role = line.get("role", "main" if i == 0 else "standby")
        roles[role].append(name)
        if "weight" in line and role != "balanced":
            walk.tell("weight-unused", walk.where((*path, "weight")),
                      f"a weight says nothing of a line that is `{role}`",
                      "write `role: balanced`, or leave the weight out", severity="warning")  # fmt: skip
    _sharing(walk, roles)
    if len(roles["main"]) > 1:
        first, second = roles["main"][:2]
        walk.tell("two-main-lines", walk.where(("lines", second)),
                  f"`{first}` is the main line already",
                  "write `role: standby`, or `role: balanced` for both",
                  related=((walk.where(("lines", first)), "the main line"),))  # fmt: skip
    elif roles["standby"] and not roles["main"] and not roles["balanced"]:
        walk.tell("no-main-line", walk.where(("lines",)), "every line is standby, so none is used",
                  "write `role: main` for one of them")  # fmt: skip


def _sharing(walk: Walk, roles: Mapping[str, list[str]]) -> None:
    """Balanced lines beside a main one, whose roles say two things at once."""
    if not roles["main"] or not roles["balanced"]:
        return
    main, balanced = roles["main"][0], roles["balanced"]
    if len(balanced) == 1:
        said = (
            f"`{balanced[0]}` shares with no other: it is used when `{main}`, the main line, fails"
        )
    else:
        both = ", ".join(f"`{name}`" for name in balanced)
        said = (
            f"{both} share all there is, and `{main}`, the main line, is used when they have failed"
        )
    walk.tell("main-beside-balanced", walk.where(("lines", balanced[0])), said,
              "write `role: balanced` for every line that is to share, `standby` for those that wait",
              severity="warning",
              related=((walk.where(("lines", main)), "the main line"),))  # fmt: skip


def _one_per_family(walk: Walk, path: Path, found: Iterable[Any]) -> None:
    first: dict[int, int] = {}
    for i, one in enumerate(found):
        if one.version in first:
            walk.tell("two-of-a-family", at(walk, path, i),
                      f"this is the second of IPv{one.version}; there can be one",
                      "keep one of them",
                      related=((at(walk, path, first[one.version]), "the first"),))  # fmt: skip
        first.setdefault(one.version, i)


def _addresses(walk: Walk, path: Path, found: Sequence[Any]) -> None:
    """One of IPv6; of IPv4 the first with its network, and further ones within it or alone."""
    six = [(i, one) for i, one in enumerate(found) if one.version == 6]
    for i, _ in six[1:]:
        walk.tell("two-of-a-family", at(walk, path, i),
                  "this is the second of IPv6; there can be one", "keep one of them",
                  related=((at(walk, path, six[0][0]), "the first"),))  # fmt: skip
    four = [(i, one) for i, one in enumerate(found) if one.version == 4]
    if len(four) > MOST_ADDRESSES:
        walk.tell("further-address", at(walk, path, four[MOST_ADDRESSES][0]),
                  f"this is IPv4 address number {MOST_ADDRESSES + 1} of the line; it may have"
                  f" {MOST_ADDRESSES}", "write those at which something is offered")  # fmt: skip
        return
    known = {one.ip for _, one in four[:1]}
    for i, one in four[1:]:
        first = four[0][1]
        alone = one.network.prefixlen == 32
        if one.ip in known:
            walk.tell("further-address", at(walk, path, i), f"`{one.ip}` stands here twice",
                      "keep one of them")  # fmt: skip
        elif one.network != first.network and not alone:
            walk.tell("further-address", at(walk, path, i),
                      f"`{one}` is not in the network of the line's first address, {first.network}",
                      f"write `{one.ip}/32` if the provider sends it to you all the same")  # fmt: skip
        known.add(one.ip)


def _next_hops(walk: Walk, path: Path, line: Fields) -> None:
    hops = line.get("next-hop", ())
    if "address" in line[SAID] and "address" not in line:
        return
    own = line.get("address", ())
    if hops and not own:
        walk.tell("next-hop-automatic", walk.where((*path, "next-hop")),
                  "the address is automatic, and so is the next hop",
                  "leave `next-hop` out, or write the line's `address`")  # fmt: skip
        return
    for i, hop in enumerate(hops):
        networks = [a for a in own if a.version == hop.version]
        span = at(walk, (*path, "next-hop"), i)
        if any(hop == a.ip for a in networks):
            walk.tell("next-hop-outside", span, f"`{hop}` is this line's own address",
                      "write the provider's router")  # fmt: skip
        elif any(hop in _edges(a.network) for a in networks):
            walk.tell("next-hop-outside", span,
                      f"`{hop}` is the network's own or its broadcast address",
                      "write the provider's router")  # fmt: skip
        elif not any(hop in a.network for a in networks) and not (networks and hop.is_link_local):
            near = " or ".join(str(a.network) for a in networks) or f"an IPv{hop.version} address"
            walk.tell("next-hop-outside", span,
                      f"`{hop}` is in no network of this line",
                      f"it must be in {near}" if networks else f"add {near} to `address`",
                      related=((walk.where((*path, "address")), "the line's addresses"),))  # fmt: skip


def _edges(network: IPv4Network | IPv6Network) -> tuple[IPv4Address | IPv6Address, ...]:
    """Addresses of a network that no host has: in IPv4, and unless it is a link of two (RFC 3021)."""
    if network.version == 6 or network.prefixlen > 30:
        return ()
    return network.network_address, network.broadcast_address


def _targets(walk: Walk, path: Path, line: Fields) -> None:
    """Whom the line is watched by: few, and in an IP version that it carries."""
    targets = line.get("watch", {}).get("targets", ())
    own = line.get("address", ())
    for version in (4, 6):
        found = [i for i, one in enumerate(targets) if one.version == version]
        if len(found) > MOST_TARGETS:
            walk.tell("too-many-targets", at(walk, (*path, "watch", "targets"), found[MOST_TARGETS]),
                      f"this is the fifth of IPv{version}; {MOST_TARGETS} are enough",
                      "keep some far apart, so that no single one of them decides")  # fmt: skip
        carries = not own or any(a.version == version for a in own)
        if found and not carries and (version == 4 or "prefix" not in line):
            walk.tell("target-not-carried", at(walk, (*path, "watch", "targets"), found[0]),
                      f"the line carries no IPv{version}",
                      "name one that it reaches")  # fmt: skip


def _area(walk: Walk, path: Path, area: Fields) -> None:
    prefixes = area.get("prefix", ())
    _one_per_family(walk, (*path, "prefix"), prefixes)
    unread = {"hosts", "prefix"} & area[SAID] - area.keys()
    if "hosts" not in area and not any(p.version == 4 for p in prefixes) and not unread:
        walk.tell("missing-key", first_line(walk.where(path)),
                  f"how large is the area `{path[-1]}`?",
                  "add `hosts:`, or an IPv4 prefix")  # fmt: skip


def _devices(walk: Walk, doc: Fields) -> None:
    hardware: dict[int, tuple[Path, int]] = {}
    addresses: dict[Any, tuple[Path, int]] = {}
    for name, device in entries(doc, "devices"):
        path: Path = ("devices", name)
        if "area" in device:
            known_names(walk, doc, (*path, "area"), (device["area"],), "areas")
        unread = {"hardware", "address"} & device[SAID] - device.keys()
        written = isinstance(device.get("address"), tuple)
        if not unread and "hardware" not in device and not written:
            walk.tell("device-unknowable", walk.where(path),
                      f"nothing says how to know `{name}` from other devices",
                      "add its `hardware:` address")  # fmt: skip
        elif device.get("sign-in") and "hardware" not in device and "hardware" not in unread:
            walk.tell("exempt-without-hardware", walk.where((*path, "sign-in")),
                      "only a device with a hardware address can be exempt from sign-in",
                      "add its `hardware:` address")  # fmt: skip
        _once(walk, (*path, "hardware"), device.get("hardware", ()), hardware, "hardware-twice")
        if written:
            _once(walk, (*path, "address"), device["address"], addresses, "address-twice")


def _once(
    walk: Walk, path: Path, found: Iterable[Any], taken: dict[Any, tuple[Path, int]], id: str
) -> None:
    for i, value in enumerate(found):
        if value in taken:
            other, index = taken[value]
            walk.tell(id, at(walk, path, i), f"`{other[1]}` has this address already",
                      "read the addresses off the devices once more",
                      related=((at(walk, other, index), "the other device"),))  # fmt: skip
        else:
            taken[value] = (path, i)


def _hours(walk: Walk, doc: Fields, path: Path, hours: Fields) -> None:
    said = hours[SAID] | hours[GUESSED]
    if not said & {"weekly", "dates"}:
        walk.tell("missing-key", walk.where(path), "these hours never come",
                  "add `weekly`, `dates` or both")  # fmt: skip
        return
    for key in ("terms", "outside"):
        known_names(walk, doc, (*path, key), hours.get(key, ()), "terms")
        if key in hours and "weekly" not in said:
            walk.tell("term-of-nothing", walk.where((*path, key)),
                      f"`{key}` is about weekly windows, and there are none",
                      f"add `weekly`, or leave `{key}` out")  # fmt: skip
            return
    for i, name in enumerate(hours.get("outside", ())):
        if name in hours.get("terms", ()):
            walk.tell("term-both-ways", at(walk, (*path, "outside"), i),
                      f"`{name}` stands in `terms` too", "leave it out of one of them",
                      related=((walk.where((*path, "terms")), "the other"),))  # fmt: skip


def _managers(walk: Walk, doc: Fields) -> None:
    site = doc.get("site", MISSING)
    if site is MISSING:
        return
    path = ("site", "managed-from")
    devices = doc.get("devices", {})
    for i, name in enumerate(site.get("managed-from", ())):
        kind = kind_of(doc, name)
        if kind == "devices" or devices is MISSING:
            continue
        if kind in ("people", "groups"):
            walk.tell("wrong-kind", at(walk, path, i),
                      f"`{name}` is {KINDS[kind]}; the gateway is looked after from a device",
                      "name a device for now",
                      related=((walk.where((kind, name)), "defined here"),))  # fmt: skip
        elif kind is not None:
            walk.tell("wrong-kind", at(walk, path, i),
                      f"`{name}` is {KINDS[kind]}, which is too much to trust with the gateway",
                      "name one or more devices",
                      related=((walk.where((kind, name)), "defined here"),))  # fmt: skip
        else:
            near = suggest(name, devices)
            walk.tell("unknown-name", at(walk, path, i), f"there is no device {quoted(name)}",
                      f"write {near}" if near else "define it below `devices:`")  # fmt: skip


def check_services(walk: Walk, doc: Fields) -> dict[str, tuple[Part, ...]]:
    """The charter's own services with their parts; unknown names and circles are told."""
    own = doc.get("services", {})
    if own is MISSING:
        return {}
    done: dict[str, tuple[Part, ...]] = {}
    for name in own:
        if name in builtin():
            walk.tell("service-shadowed", walk.where(("services", name)),
                      f"`{name}` is known everywhere; here it stands for what this charter says",
                      "choose another name if that is not meant", severity="warning")  # fmt: skip
        if name not in done:
            _resolve(walk, own, name, done)
    return done


def _resolve(walk: Walk, own: Fields, name: str, done: dict[str, tuple[Part, ...]]) -> None:
    """Resolve a service and all it is made of; `open_` is the chain that leads there."""
    open_: dict[str, set[Part]] = {name: set()}
    waiting = [(name, iter(list(enumerate(_items(own, name)))))]
    while waiting:
        current, items = waiting[-1]
        step = next(items, None)
        if step is None:
            waiting.pop()
            parts = open_.pop(current)
            if len(parts) > MOST_PARTS:
                walk.tell("service-too-large", walk.where(("services", current)),
                          f"`{current}` has more than {MOST_PARTS} parts",
                          "write ranges: udp/5000-5999")  # fmt: skip
                parts = set()
            done[current] = tuple(sorted(parts))
            if waiting:
                open_[waiting[-1][0]] |= parts
            continue
        index, item = step
        found = parts_of(item, done, own)
        if found is not None:
            open_[current] |= set(found)
        elif item in open_:
            chain = list(open_)[list(open_).index(item) :]
            walk.tell("service-circle", at(walk, ("services", current), index),
                      f"`{item}` is made of itself: {' -> '.join([*chain, item][:6])}",
                      "take it out of this list")  # fmt: skip
        elif item in own:
            open_[item] = set()
            waiting.append((item, iter(list(enumerate(_items(own, item))))))
        else:
            unknown_service(walk, ("services", current), index, item, own)


def _items(own: Fields, name: str) -> tuple[str, ...]:
    return () if own[name] is MISSING else own[name]


def parts_of(item: str, done: dict[str, tuple[Part, ...]], own: Fields) -> tuple[Part, ...] | None:
    """The parts of a service that is resolved, written out or known everywhere."""
    if item in done:
        return done[item]
    written = parse_written(item)
    if written is not None:
        return (written,)
    return builtin().get(item) if item not in own else None


def unknown_service(walk: Walk, path: Path, index: int, item: str, own: Iterable[str]) -> None:
    span = at(walk, path, index)
    if item == "anything":
        walk.tell("wrong-term", span, "`anything` can't be part of a service",
                  "write the services out")  # fmt: skip
        return
    near = suggest(item, {*own, *builtin(), "anything"})
    walk.tell("unknown-name", span, f"there is no service {quoted(item)}",
              f"write {near}" if near else "define it below `services:`, or write tcp/8443")  # fmt: skip
