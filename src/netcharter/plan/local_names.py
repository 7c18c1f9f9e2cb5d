"""What the gateway's resolver knows by itself: the names of devices and of the gateway.

A device with known addresses is called by its name in the charter, in the site's domain; the gateway
is `gateway` there. A name that hosts can't have (RFC 952, RFC 1123 section 2.1) is left out and told;
one with letters beyond ASCII goes by its A-label (RFC 5891).

In IPv6 a name leads to the device's addresses in the local prefix, which no provider changes: whoever
keeps an answer keeps the right one. Only a device without such has its written ones told.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network

from netcharter.charter.model import Charter
from netcharter.diagnostics import Diagnostic
from netcharter.plan.names.domains import Fault, is_below, is_delegated_suffix, normal
from netcharter.plan.shapes import Address, AreaPlan, DevicePlan, Plan

GATEWAY = "gateway"
# Domains in which nobody else has names: that of homes (RFC 8375), that for trials (RFC 6761), and
# the one that is kept for networks of their own (ICANN board resolution 2024.07.29.06, from memory).
_OURS_ALONE = ("home.arpa", "test", "internal")
_HOST = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")


@dataclass(frozen=True, slots=True)
class LocalName:
    """A whole name in lower case, without a dot at its end, and what it leads to. Each address leads
    back to it."""

    name: str
    addresses: tuple[Address, ...]


@dataclass(frozen=True, slots=True)
class LocalNames:
    """What is known without asking anybody.

    domain: the site's; alone: whether nobody else has names in it, so that what is not known here
    is nowhere; devices: their names; gateway: its name in each area, in the order of the areas, with
    its addresses there.
    """

    domain: str
    alone: bool
    devices: tuple[LocalName, ...]
    gateway: tuple[LocalName, ...]


def local_names(plan: Plan) -> LocalNames:
    """The local names of a plan, in the order of the charter."""
    domain = plan.charter.site.domain
    named = dict(_named(domain, plan.devices))
    gateway = _in(domain, GATEWAY)
    return LocalNames(
        domain=domain,
        alone="." not in domain or _nobody_s(domain),
        devices=tuple(
            LocalName(name, told_addresses(device, plan.local_prefix))
            for name, device in named.items()
        ),
        gateway=tuple(LocalName(gateway, addresses_in(area)) for area in plan.areas),
    )


def _nobody_s(domain: str) -> bool:
    return any(is_below(domain, one) for one in _OURS_ALONE)


def addresses_in(area: AreaPlan) -> tuple[Address, ...]:
    """The gateway's in an area by which it is asked: those that no provider changes."""
    return (area.gateway4, *(s.gateway for s in area.subnets6 if s.line is None))


def _in(domain: str, label: str) -> str:
    return f"{label}.{domain}"


def told_addresses(device: DevicePlan, local: IPv6Network) -> tuple[Address, ...]:
    """The addresses that names of a device lead to."""
    six = [a for a in device.addresses6 if isinstance(a, IPv6Address)]
    return (*device.addresses4, *([a for a in six if a in local] or six))


def _known(devices: Iterable[DevicePlan]) -> Iterator[DevicePlan]:
    return (one for one in devices if one.addresses4 or one.addresses6)


def _named(domain: str, devices: Iterable[DevicePlan]) -> Iterator[tuple[str, DevicePlan]]:
    """The whole names that devices can have; the first in the charter that wants one has it."""
    taken = {_in(domain, GATEWAY)}
    for device in _known(devices):
        label = _label(device.name)
        name = _in(domain, label or "")
        if label is not None and name not in taken:
            taken.add(name)
            yield name, device


def _label(name: str) -> str | None:
    """A name of the charter as a host's; None: it can't be one."""
    found = normal(name)
    if isinstance(found, Fault) or not _HOST.fullmatch(found):
        return None
    return found


def domain_of_others(charter: Charter) -> Iterator[Diagnostic]:
    """A local domain in which anybody may have names, which nobody here would find any more."""
    domain = charter.site.domain
    if not _nobody_s(domain) and is_delegated_suffix(domain):
        yield Diagnostic(
            "domain-of-others",
            "error",
            f"anybody may register names in {domain} (public suffix list), and here they would be the"
            " gateway's to answer",
            charter.where("site", "domain"),
            help=f"write a name that you have registered below it, {_in(domain, 'hut')} for instance,"
            " or leave it out for home.arpa",
        )


def unnamed(charter: Charter, devices: Sequence[DevicePlan]) -> Iterator[Diagnostic]:
    """Devices with addresses that the resolver can't tell by name."""
    domain = charter.site.domain
    named = {device.name: name for name, device in _named(domain, devices)}
    holders = {name: device for device, name in named.items()}
    for device in _known(devices):
        if device.name in named:
            continue
        label = _label(device.name)
        other = holders.get(_in(domain, label or ""))
        if label is None:
            why = "it is no name that hosts can have (RFC 1123)"
        else:
            why = f"{other or 'the gateway'} is called so already"
        yield Diagnostic(
            "device-without-name",
            "note",
            f"{device.name} can't be found by its name: {why}",
            charter.where("devices", device.name),
            help=_help(device.name, label),
        )


def _help(name: str, label: str | None) -> str:
    plain = re.sub(r"[^a-z0-9-]+", "-", name.lower()).strip("-")
    if label is None and plain and _HOST.fullmatch(plain) and not plain.isdigit():
        return f"call it {plain}, or ask for it by its address"
    return "call it by another name of letters, digits and hyphens, or ask for it by its address"
