"""Network devices: those of the charter against those of the machine, and who else sets them up."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from difflib import get_close_matches

from netcharter.diagnostics import Severity
from netcharter.diagnostics.escape import terminal
from netcharter.rollout.preparing.shapes import Facts, Found, Managed, NetDevice, Use, Wanted

NEAR = 0.6  # likeness from which a name may be a misspelt other; common practice, no source


def device_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of devices."""
    if facts.devices is None:
        yield Found(
            "devices-unknown",
            "error",
            "which network devices this machine has is not known: `ip` did not tell",
            "install iproute2, run `ip -d link`, and prepare again",
        )
        return
    suggested = suggestions(wanted.uses, facts.devices, wanted.left)
    for device in _ports(wanted.uses):
        uses = [one for one in wanted.uses if one.device == device]
        found = facts.devices.get(device)
        if found is None:
            yield _missing(device, uses, suggested.get(device), facts.devices)
        else:
            yield from _there(found, uses)
    yield from _tagged(wanted.uses, facts.devices)
    yield from _shared(wanted.uses)
    yield from _of_others(wanted.uses, facts)
    yield from _left(wanted, facts.devices)


def _ports(uses: Sequence[Use]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.device for one in uses))


def told(uses: Sequence[Use]) -> str:
    return ", ".join(one.called for one in uses)


# --- there or not --------------------------------------------------------------------------------


def suggestions(
    uses: Sequence[Use], devices: Mapping[str, NetDevice], left: Sequence[Use] = ()
) -> dict[str, str]:
    """For devices that are missing the one that may be meant: by the nearest name, or because only
    one is missing and only one is to spare. Nothing is suggested twice, nor what areas have that
    are left."""
    missing = [one for one in _ports(uses) if one not in devices]
    taken = _ports([*uses, *left])
    spare = [name for name, device in devices.items() if device.real and name not in taken]
    found: dict[str, str] = {}
    for name in missing:
        near = get_close_matches(name, [one for one in spare if one not in found.values()], 1, NEAR)
        if near:
            found[name] = near[0]
    rest = [one for one in missing if one not in found]
    over = [one for one in spare if one not in found.values()]
    if len(rest) == len(over) == 1:
        found[rest[0]] = over[0]
    return found


def _missing(
    device: str, uses: Sequence[Use], instead: str | None, devices: Mapping[str, NetDevice]
) -> Found:
    there = [_described(one) for one in devices.values() if one.real]
    here = f"this machine has {', '.join(there)}" if there else "this machine has none at all"
    if instead is not None:
        help = f"if {_described(devices[instead])} is meant, write `device: {terminal(instead)}`"
    else:
        help = "let the cables tell which is which, and write their devices into the charter"
    return Found(
        "device-missing",
        "error",
        f"there is no network device {terminal(device)} for {told(uses)}; {here}",
        help,
        terminal(device),
    )


def _described(device: NetDevice) -> str:
    more = [terminal(one) for one in (device.hardware, device.bus, device.driver) if one]
    return f"{terminal(device.name)} ({', '.join(more)})" if more else terminal(device.name)


def _there(device: NetDevice, uses: Sequence[Use]) -> Iterator[Found]:
    name = terminal(device.name)
    if device.kind == "loopback" or device.tag is not None:
        kind = "the loopback device" if device.tag is None else "itself a VLAN"
        yield Found("device-unfit", "error", f"{name} for {told(uses)} is {kind}",
                    "name the device that the cable is in; a VLAN is written as `vlan:`", name)  # fmt: skip
    if device.master:
        yield Found(
            "device-within",
            "error",
            f"{name} for {told(uses)} is part of {terminal(device.master)}, which takes its packets",
            f"take it out (`ip link set {name} nomaster`, and where that is configured), or name"
            f" {terminal(device.master)} in the charter",
            name,
        )
    if not device.up:
        yield Found("device-off", "note",
                    f"{name} for {told(uses)} is switched off, so its cable can't be felt",
                    f"to see: ip link set {name} up; enacting switches it on anyway", name)  # fmt: skip
    elif device.carrier is False:
        yield Found("no-carrier", "warning", f"nothing is plugged into {name} for {told(uses)}",
                    "plug the cable in, and switch on what is at its other end", name)  # fmt: skip
    yield from _slow(device, uses)


def _slow(device: NetDevice, uses: Sequence[Use]) -> Iterator[Found]:
    for one in uses:
        if device.speed and one.rate and one.rate > device.speed and device.carrier:
            name = terminal(device.name)
            yield Found(
                "device-slow",
                "warning",
                f"{name} runs at {device.speed // 10**6} Mbit/s, and {one.called} has"
                f" {one.rate / 10**6:g} Mbit/s by contract",
                "try another cable or socket: an old or damaged cable makes devices agree on less",
                name,
            )


def _tagged(uses: Sequence[Use], devices: Mapping[str, NetDevice]) -> Iterator[Found]:
    """A VLAN device is made by enacting; one of its name that is something else is in the way."""
    for one in uses:
        found = devices.get(one.interface)
        if one.vlan is None or found is None or (found.parent, found.tag) == (one.device, one.vlan):
            continue
        name = terminal(one.interface)
        yield Found(
            "vlan-otherwise",
            "error",
            f"{name} is there, and it is not VLAN {one.vlan} on {terminal(one.device)}, which"
            f" {one.called} needs",
            f"find out who made it; then take it away: ip link delete {name}",
            name,
        )


def _shared(uses: Sequence[Use]) -> Iterator[Found]:
    for device in _ports(uses):
        here = [one for one in uses if one.device == device]
        lines = [one for one in here if one.kind == "line"]
        name = terminal(device)
        if len(lines) > 1:
            yield Found("lines-share-device", "warning",
                        f"{told(lines)} hang on {name}: if it or its cable fails, all of them do",
                        "give each line a device of its own, if one is to stand in for another",
                        name)  # fmt: skip
        elif lines and len(here) > 1:
            yield Found("line-beside-area", "warning",
                        f"{told(here)} hang on {name}: only the switch keeps them apart",
                        "see to it that every port of the switch carries just its own VLAN", name)  # fmt: skip


def _left(wanted: Wanted, devices: Mapping[str, NetDevice]) -> Iterator[Found]:
    """An area that stays as it is, on this very machine: the kit would cut it off."""
    used = {one.interface for one in wanted.uses}
    for one in wanted.left:
        found = devices.get(one.interface)
        if found is None or not found.addresses or one.interface in used:
            continue
        name = terminal(one.interface)
        yield Found(
            "left-on-this-machine",
            "error",
            f"{one.called} is to stay as it is, and {name} holds {terminal(found.addresses[0])}"
            " here: whatever passes by a device that the kit does not know is dropped",
            "leave only areas whose cables are at another gateway, or move this one now",
            name,
        )


# --- somebody else -------------------------------------------------------------------------------


def _of_others(uses: Sequence[Use], facts: Facts) -> Iterator[Found]:
    devices = facts.devices or {}
    for device in dict.fromkeys([*_ports(uses), *(one.interface for one in uses)]):
        here = [one for one in uses if device in (one.device, one.interface)]
        if device not in devices and not any(one.device == device for one in facts.managed):
            continue
        for one in facts.managed:
            if one.device == device and one.how not in ("manual", "unmanaged"):
                yield _other(one, here, devices.get(device))
    for use in uses:
        there = devices.get(use.interface) or devices.get(use.device)
        waits = use.automatic and use.pppoe is None and there is not None and not there.lent
        if waits and not _has_client(use, facts.managed):
            yield _nobody(use)
    yield from _forgetting(facts)


def _has_client(use: Use, managed: Collection[Managed]) -> bool:
    return any(one.device == use.interface and one.how in ("dhcp", "unknown") for one in managed)


def _other(one: Managed, uses: Sequence[Use], device: NetDevice | None) -> Found:
    name, where = terminal(one.device), terminal(one.where)
    asking = [use for use in uses if use.automatic and use.pppoe is None]
    lines = [use for use in asking if use.interface == one.device]
    if lines and one.how == "dhcp":
        return Found("device-kept-by", "note", f"{one.by} asks for the address of {told(lines)} on"
                     f" {name} ({where}), as it should",
                     "leave that as it is: it stays theirs", name)  # fmt: skip
    sure = one.active and one.how in ("dhcp", "within another device")
    severity: Severity = "error" if sure else "warning"
    does = {
        "dhcp": "asks for an address on",
        "static": "gives an address to",
        "within another device": "makes a part of something else of",
    }.get(one.how, "may set up")
    help, files = _remedy(one, bool(lines), device)
    return Found(
        "device-of-another",
        severity,
        f"{one.by} {does} {name} for {told(uses)} ({where})",
        help,
        name,
        files,
    )


def _remedy(
    one: Managed, automatic: bool, device: NetDevice | None
) -> tuple[str, Mapping[str, str]]:
    """What to change in their settings, and files to write. Names that could be taken for syntax
    are never written into one."""
    name, where = terminal(one.device), terminal(one.where)
    plain = all(letter.isalnum() or letter in "_.@+-" for letter in one.device)
    if one.by == "ifupdown":
        method = "dhcp" if automatic else "manual"
        return (f"at {where}: put `#` before those lines, or write `iface {name} inet {method}`; that"
                " counts from the next start on, so enact and keep before it"), {}  # fmt: skip
    if one.by == "a DHCP client":
        return (f"find out who starts {where} and take {name} out there; then end it, and remove the"
                f" address: ip addr flush dev {name}"), {}  # fmt: skip
    if not plain:
        return f"tell {one.by} to leave {name} alone; {where} stays as it is", {}
    if one.by == "systemd-networkd":
        text = f"[Match]\nName={one.device}\n\n"
        text += "[Network]\nDHCP=yes\n" if automatic else "[Link]\nUnmanaged=yes\n"
        path = f"/etc/systemd/network/00-{one.device}.network"
    else:
        text = f"[keyfile]\nunmanaged-devices+=interface-name:{one.device}\n"
        path = f"/etc/NetworkManager/conf.d/90-{one.device}.conf"
        if automatic:
            return f"see to it that {where} asks for an address on {name} (`method=auto`)", {}
    return f"write {path} as below, and load it again; {where} stays as it is", {path: text}


def _nobody(use: Use) -> Found:
    name = terminal(use.interface)
    return Found(
        "line-without-client",
        "warning",
        f"{use.called} is told its address by the provider, and nobody asks for it on {name}",
        "let a DHCP client do so; with ifupdown, in /etc/network/interfaces:"
        f" `auto {name}` and `iface {name} inet dhcp`",
        name,
    )


def _forgetting(facts: Facts) -> Iterator[Found]:
    if "systemd-networkd" in facts.running and not facts.keeps_rules:
        path = "/etc/systemd/networkd.conf.d/90-keep-others.conf"
        text = "[Network]\nManageForeignRoutingPolicyRules=no\nManageForeignRoutes=no\n"
        yield Found(
            "routes-taken-away",
            "error",
            "systemd-networkd takes routes and rules away that it did not make, whenever it starts",
            f"write {path} as below, and start systemd-networkd again before you enact",
            "systemd-networkd",
            {path: text},
        )
