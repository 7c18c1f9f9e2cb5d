"""Findings about devices and offers that are not what they seem, and about an area's own segment."""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics import Diagnostic
from netcharter.plan.coding import hardware_text
from netcharter.plan.hardware import may_change
from netcharter.plan.shapes import DevicePlan, Promise
from netcharter.plan.terms import Ground, all_reached, all_starters
from netcharter.proofs.naming import listed
from netcharter.proofs.rules_audit import Audit
from netcharter.space.ranges import intersect, subtract

# Hardware addresses for documents, which no real device has (RFC 9542 section 2.1.4).
DOCUMENTATION = range(0x00_00_5E_00_53_00, 0x00_00_5E_00_54_00)


def unknown_devices(audit: Audit) -> Iterator[Diagnostic]:
    """Devices that an area takes for strangers, though they are its own."""
    closed = {a.name for a in audit.plan.areas if a.strangers_refused}
    for device in audit.plan.devices:
        if device.area in closed and not device.hardware:
            yield Diagnostic(
                "device-unknown",
                "warning",
                f"{device.name} can do nothing: {device.area} refuses strangers, and without a"
                " hardware address it is one",
                audit.plan.charter.where("devices", device.name),
                help=f"give {device.name} its `hardware` address",
            )


def placeholders(audit: Audit) -> Iterator[Diagnostic]:
    """Hardware addresses that only stand in documents."""
    for device in audit.plan.devices:
        found = [hardware_text(h) for h in device.hardware if h in DOCUMENTATION]
        if found:
            yield Diagnostic(
                "placeholder-hardware",
                "note",
                f"{listed(found)} is an address for documents: no real device is {device.name}",
                audit.plan.charter.where("devices", device.name, "hardware"),
                help="write the address that `ip link` shows on the device itself",
            )


def changing(audit: Audit) -> Iterator[Diagnostic]:
    """Devices that count on being known by a hardware address that they may have drawn."""
    managers = audit.plan.charter.site.managed_from
    for device in audit.plan.devices:
        found = [hardware_text(h) for h in device.hardware if may_change(h)]
        loses = _loses(audit, device)
        if not found or not loses or device.barred:
            continue
        yield Diagnostic(
            "hardware-may-change",
            "warning" if device.name in managers else "note",
            f"{device.name} is known by {listed(found)}, which is locally administered, as those are"
            f" that phones and computers draw: with another one it {listed(loses)}",
            audit.plan.charter.where("devices", device.name, "hardware"),
            help="have the device use its own, lasting address in this network; or let nothing that"
            " matters depend on it",
        )


def _loses(audit: Audit, device: DevicePlan) -> list[str]:
    """What becomes of a device that is not recognised."""
    closed = {a.name for a in audit.plan.areas if a.strangers_refused}
    found = ["is a stranger, and refused"] if device.area in closed else []
    found += ["can't look after the gateway"] if _manages(audit, device) else []
    found += ["has to sign in"] if device.exempt else []
    return found + (["has no lasting address"] if device.lasting else [])


def _manages(audit: Audit, device: DevicePlan) -> bool:
    return device.name in audit.plan.charter.site.managed_from


def roaming_managers(audit: Audit) -> Iterator[Diagnostic]:
    """Devices that look after the gateway from every area, wherever their address is copied."""
    for device in audit.plan.devices:
        others = [area.name for area in audit.plan.areas if area.name != device.area]
        if device.roams and _manages(audit, device) and others and not device.barred:
            yield Diagnostic(
                "management-roams",
                "warning",
                f"{device.name} may look after the gateway from {listed(others)}, too: whoever copies"
                " its hardware address there reaches the gateway's ssh",
                audit.plan.charter.where("devices", device.name, "roams"),
                help="leave `roams` out, and look after the gateway from its own area",
            )


def unseen_in_ipv6(audit: Audit) -> Iterator[Diagnostic]:
    """Devices to be kept apart of which only IPv4 addresses are written, in areas with IPv6."""
    charter = audit.plan.charter
    guarded = {name for p in charter.promises if p.kind == "never" for name in p.reach}
    guarded |= {name for rule in charter.rules if not rule.let for name in rule.reach}
    with6 = {a.name for a in audit.plan.areas if a.subnets6}
    for device in audit.plan.devices:
        if device.name in guarded and device.area in with6 and not device.addresses6:
            yield Diagnostic(
                "device-unseen-in-ipv6",
                "note",
                f"only IPv4 addresses of {device.name} are written, yet {device.area} has IPv6:"
                " what names it says nothing about the IPv6 address it may choose",
                charter.where("devices", device.name, "address"),
                help="write `address: lasting`, or name the whole area",
            )


def empty_offers(audit: Audit) -> Iterator[Diagnostic]:
    """Offers that open nothing at all."""
    opened = {row.charter_index for row in audit.written if row.kind == "offer" and row.regions}
    for number, offer in enumerate(audit.plan.charter.offers):
        if number not in opened:
            yield Diagnostic(
                "offer-opens-nothing",
                "warning",
                f"{offer.name} opens nothing: {listed(offer.lines)} and {offer.to} share no"
                " address family, or nobody can start it",
                audit.plan.charter.where("offers", number, "to"),
                help=f"give {offer.to} an address that the line can lead to, or leave it out",
            )


def own_segments(audit: Audit) -> Iterator[Diagnostic]:
    """Promises about two hosts of one area, between which the gateway does not stand."""
    for number, promise in enumerate(audit.plan.charter.promises):
        areas = list(_shared_areas(audit.ground, promise))
        if areas:
            yield Diagnostic(
                "same-area-not-proven",
                "note",
                f"within {listed(areas)} hosts reach each other without the gateway: there this"
                " promise is assumed, not proven",
                audit.plan.charter.where("promises", number, promise.kind),
                help="survey it on site, or put what must be kept apart into an area of its own",
            )


def _shared_areas(ground: Ground, promise: Promise) -> Iterator[str]:
    if {"anywhere", "anyone"} & {*promise.reach, *promise.who}:
        return  # said of everything, it is not said of this segment
    reach = all_reached(ground, promise.reach)
    starting = {e for who in all_starters(ground, promise.who) for e in who.entrances}
    for area in ground.areas:
        inside = subtract(intersect(reach, area.whole), ground.gateway)
        if area.name in starting and inside and promise.kind != "only":
            yield area.name


EVERY_DEVICE = (
    unknown_devices,
    placeholders,
    changing,
    roaming_managers,
    unseen_in_ipv6,
    empty_offers,
    own_segments,
)
