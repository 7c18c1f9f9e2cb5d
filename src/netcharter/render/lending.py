"""What dnsmasq is told of the addresses that areas lend, after dnsmasq(8), RFC 2131 and RFC 8415.

IPv4 addresses are lent from the plan's pool, for as long as the charter says. Those that are a
device's own are for its hardware address alone. Barred devices get nothing anywhere, and strangers
nothing where they are refused.

In IPv6 every host makes addresses of its own (RFC 4862): not all have DHCPv6. So DHCPv6 gives
nothing but what else there is to know, and to devices whose IPv6 addresses the plan knows these.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from ipaddress import IPv4Address, IPv6Address

from netcharter.plan.coding import hardware_text
from netcharter.plan.leases import Lending, own4
from netcharter.plan.shapes import AreaPlan, DevicePlan, Plan
from netcharter.render.escape import bare_device, domain_name

FOLDER = "netcharter-leases"  # below /var/lib
LEASES = f"/var/lib/{FOLDER}/leases"
ADDRESS_TIME = 2700  # seconds that an IPv6 address or prefix lasts (RFC 9096 section 4)
HOST = (1 << 64) - 1  # the host's part of an address in a /64
RESERVE = 64  # leases that may be there beyond all addresses: IPv6 ones, and those of a moment
# Whom a request comes from. dnsmasq gives it the name of its device as a tag, too, so these have more
# letters than a device's name can have.
_BARRED, _HOME = "netcharter-barred", "netcharter-home-"


def everywhere(plan: Plan, lent: Iterable[Lending]) -> Iterator[str]:
    """What holds in all areas."""
    domain = domain_name(plan.charter.site.domain)
    # Several are told of one device in IPv6.
    most = sum(one.room + one.lasting for one in lent) + RESERVE
    most += sum(len(device.addresses6) for device in plan.devices)
    yield f"dhcp-leasefile={LEASES}"
    yield f"dhcp-lease-max={most}"
    yield "dhcp-authoritative"
    yield f"dhcp-option=option:domain-name,{domain}"
    yield f"dhcp-option=option:domain-search,{domain}"
    yield f"dhcp-option=option6:domain-search,{domain}"
    yield from _known(plan)


def _known(plan: Plan) -> Iterator[str]:
    """Who is barred, and who is at home in an area that refuses strangers."""
    yield f"dhcp-ignore=tag:{_BARRED}"
    closed = [area for area in plan.areas if area.strangers_refused]
    for device in plan.devices:
        for number in device.hardware:
            if device.barred:
                yield f"dhcp-mac=set:{_BARRED},{hardware_text(number)}"
            for area in closed:
                if device.roams or device.area == area.name:
                    yield f"dhcp-mac=set:{_home(area)},{hardware_text(number)}"


def _home(area: AreaPlan) -> str:
    return f"{_HOME}{area.number}"


def in_area(plan: Plan, area: AreaPlan, lent: Lending) -> Iterator[str]:
    """What holds in one."""
    device = bare_device(area.device)
    own = [one for one in plan.devices if one.area == area.name and one.hardware and not one.barred]
    yield from _options(area, device, bool(plan.charter.site.time_servers))
    if lent.lease is None:
        yield f"dhcp-range=::,constructor:{device},ra-only,64,{ADDRESS_TIME}"
        return
    if area.strangers_refused:
        yield f"dhcp-ignore=tag:{device},tag:!{_home(area)}"
    mask = area.v4.netmask
    for low, high in lent.pool:
        yield f"dhcp-range={IPv4Address(low)},{IPv4Address(high)},{mask},{lent.lease}"
    if not lent.pool:
        yield f"dhcp-range={area.v4.network_address},static,{mask},{lent.lease}"
    lends6 = any(one.addresses6 for one in own)
    mode = "static,slaac" if lends6 else "ra-stateless"
    yield f"dhcp-range=::,{mode},constructor:{device},64,{ADDRESS_TIME}"
    for one in own:
        yield from _lasting(area, one)


def _options(area: AreaPlan, device: str, time: bool) -> Iterator[str]:
    """The gateway is the router, the resolver and the time server, in IPv6 by an address that no
    provider changes."""
    yield f"dhcp-option=tag:{device},option:router,{area.gateway4}"
    yield f"dhcp-option=tag:{device},option:dns-server,{area.gateway4}"
    if time:
        yield f"dhcp-option=tag:{device},option:ntp-server,{area.gateway4}"
    six = local6(area)
    if six is not None:
        yield f"dhcp-option=tag:{device},option6:dns-server,[{six}]"
        if time:
            yield f"dhcp-option=tag:{device},option6:ntp-server,[{six}]"


def local6(area: AreaPlan) -> IPv6Address | None:
    """The gateway's address in an area's local prefix."""
    return next((s.gateway for s in area.subnets6 if s.line is None), None)


def _lasting(area: AreaPlan, device: DevicePlan) -> Iterator[str]:
    """The addresses that are a device's own where it is at home; several network ports may share one
    of IPv4. Those of IPv6 are of its first port."""
    here = f"dhcp-host=tag:{bare_device(area.device)}"
    holders: dict[IPv4Address, list[str]] = {}
    for number in device.hardware:
        address = own4(device, number)
        if address is not None:
            holders.setdefault(address, []).append(hardware_text(number))
    for address, numbers in holders.items():
        yield f"{here},{','.join(numbers)},{address}"
    for six in _addresses6(area, device):
        yield f"{here},{hardware_text(device.hardware[0])},[{six}]"


def _addresses6(area: AreaPlan, device: DevicePlan) -> Iterator[IPv6Address]:
    """Of what is the same host in every /64 its part alone, which holds in those to come as well."""
    written = [a for a in device.addresses6 if isinstance(a, IPv6Address)]
    networks = {int(subnet.network[0]) for subnet in area.subnets6}
    for host in dict.fromkeys(int(address) & HOST for address in written):
        of_host = [address for address in written if int(address) & HOST == host]
        in_all = networks <= {int(address) - host for address in of_host}
        yield from [IPv6Address(host)] if in_all else of_host
