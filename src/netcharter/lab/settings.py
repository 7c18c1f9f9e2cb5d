"""Kernel settings of the lab's namespaces, made before there are devices that inherit them.

What the kit itself sets at the gateway is not here.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress

# Nobody asks for routers (RFC 4861 section 6.3.7); a line that learns its address would.
_QUIET: Mapping[str, str] = {
    f"ipv6/conf/{scope}/router_solicitations": "0" for scope in ("all", "default")
}
# Each refusal is seen: the kernel limits ICMP errors per destination and altogether. A rate of 0
# is no limit.
_CANDID: Mapping[str, str] = {
    "ipv4/icmp_ratelimit": "0",
    "ipv4/icmp_ratemask": "0",  # else each error empties the bucket from which routing refuses
    "ipv6/icmp/ratelimit": "0",
    "ipv4/icmp_msgs_per_sec": "1000000",
    "ipv4/icmp_msgs_burst": "1000000",
}
# Bridge netfilter is on in every new namespace of some kernels.
_BRIDGES: Mapping[str, str] = {
    f"bridge/bridge-nf-call-{kind}": "0" for kind in ("iptables", "ip6tables", "arptables")
}
_OPEN: Mapping[str, str] = {
    **{f"ipv6/conf/{scope}/accept_ra": "0" for scope in ("all", "default")},
    **{f"ipv4/conf/{scope}/rp_filter": "0" for scope in ("all", "default")},
}

# What is sent to all nodes is for the gateway; in the lab nobody else is asked.
_RESERVED: Mapping[str, str] = {"ipv6/icmp/echo_ignore_multicast": "1"}

GATEWAY: Mapping[str, str] = {**_QUIET, **_CANDID, **_BRIDGES}
STATION: Mapping[str, str] = {**_QUIET, **_CANDID, **_BRIDGES, **_OPEN, **_RESERVED}
# It speaks for every address, also for those it has no device for.
LINE: Mapping[str, str] = {
    **STATION,
    **{f"ipv4/conf/{scope}/accept_local": "1" for scope in ("all", "default")},
    "ipv4/ip_nonlocal_bind": "1",
    "ipv6/ip_nonlocal_bind": "1",
}
SWITCHES: Mapping[str, str] = {**_BRIDGES, "ipv6/conf/default/disable_ipv6": "1"}


def put(settings: Mapping[str, str]) -> None:
    """Make them in this thread's network namespace; what a kernel does not have is left out."""
    for key, value in settings.items():
        with suppress(FileNotFoundError), open(f"/proc/sys/net/{key}", "w", encoding="ascii") as at:
            at.write(value)
