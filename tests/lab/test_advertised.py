"""Router advertisements in a lab: real hosts hear the kit's own dnsmasq, and faults are seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import IPv6Address, IPv6Network

import pytest

from netcharter.lab import advertised as listening
from netcharter.lab import tools
from netcharter.lab.advertised import MISSING, PROGRAM, Advertised, advertised
from netcharter.lab.apart import apart
from netcharter.lab.site import Site
from netcharter.lab.topology import link_local
from netcharter.lab.trouble import CommandFailed
from netcharter.lab.world import world
from netcharter.plan.shapes import Plan
from netcharter.probes.seats import Seats
from netcharter.probes.shapes import Station
from netcharter.render.advertising import CONF
from tests.kernel.namespace import needed
from tests.lab.rehearsing import kit, small

Files = Mapping[str, bytes]
NOT_ITS = "which the plan does not give that area"


def stations(plan: Plan) -> tuple[Station, ...]:
    """Everybody who is at home, without addresses of IPv6: those are to be learnt."""
    seats = Seats(plan)
    lines = [Station(s.name, s.entrance, s.hardware, s.own) for s in map(seats.line, named(plan))]
    homes = (seat for area in plan.areas for seat in seats.at_home(area.name))
    inside = [Station(s.name, s.entrance, s.hardware, s.of_family(4)) for s in homes]
    return (*lines, *inside)


def named(plan: Plan) -> list[str]:
    return [line.name for line in plan.lines]


def heard(plan: Plan, files: Files, as_user: bool = False) -> Advertised:
    needed()
    if tools.path_of(PROGRAM) is None:
        pytest.skip("NOBODY LISTENED TO ROUTER ADVERTISEMENTS: no dnsmasq (dnsmasq-base) is here")
    where, there = world(plan), stations(plan)

    def within() -> Advertised:
        with Site(plan, files, there, where) as site:
            return advertised(plan, files, site, there)

    return apart(within, as_user=as_user, limit=60.0)


@pytest.mark.kernel
@pytest.mark.parametrize("as_user", [False, True])
def test_hosts_learn_just_what_the_plan_says(as_user: bool) -> None:
    """By the kernel's own SLAAC (RFC 4862 section 5.5.3) and default router list (RFC 4861 section
    6.3.4); preferred lifetime 0 deprecates (RFC 4862 section 5.5.4)."""
    found = heard(small(), kit(small()), as_user)
    assert found == Advertised(areas=4, prefixes=8, of_lines=4, way_out=True)


@pytest.mark.kernel
def test_rfc7084_g_4_where_no_line_carries_ipv6_nobody_is_the_way_out() -> None:
    plan = small()
    lines = tuple(replace(line, next_hop6=None) for line in plan.lines)
    bare = replace(plan, lines=lines)
    assert heard(bare, kit(bare)) == Advertised(areas=4, prefixes=8, of_lines=4)


def without(text: str, device: str) -> str:
    return "".join(x for x in text.splitlines(keepends=True) if f"constructor:{device}," not in x)


@pytest.mark.kernel
def test_what_is_wrong_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """An area that is left out, one with a prefix too many, one whose gateway is no way out, and
    one that the packet filter keeps from hearing."""
    monkeypatch.setattr(listening, "PATIENCE", 3.0)
    plan = small()
    files = dict(kit(plan))
    text = without(files[CONF].decode(), "eth2")
    text = text.replace("ra-param=eth3,mtu:off,0,1800", "ra-param=eth3,mtu:off,0,0")
    files[CONF] = text.encode()
    files["addresses.batch"] += b"address replace 2001:db8:bad::1/64 dev eth5\n"
    files["nftables.nft"] += (
        b"table inet other {\nchain out {\ntype filter hook output priority 0\n"
        b'oifname "eth4" icmpv6 type nd-router-advert drop\n}\n}\n'
    )
    office, _, tills, _ = plan.areas
    own = [str(subnet.network) for subnet in (*office.subnets6, *tills.subnets6)]
    router = link_local(0x026E63000001)
    assert list(heard(plan, files).differences) == [
        *(f"a host in office has not learnt its prefix {one}" for one in own[:2]),
        f"a host in office takes nobody for the way out, and not {router}",
        f"a host in bunkrooms takes nobody for the way out, and not {router}",
        *(f"a host in tills has not learnt its prefix {one}" for one in own[2:]),
        f"a host in tills takes nobody for the way out, and not {router}",
        f"a host in barn has learnt the prefix 2001:db8:bad::/64, {NOT_ITS}",
    ]


@pytest.mark.kernel
def test_that_a_line_has_failed_has_to_be_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listening, "PATIENCE", 3.0)
    monkeypatch.setattr(listening, "_failing", lambda plan, areas: "")  # as if nobody told it
    found = heard(small(), kit(small())).differences
    assert len(found) == 4 and all(
        " once its line has failed is still told to use" in x for x in found
    )


@pytest.mark.kernel
def test_settings_that_dnsmasq_does_not_take_end_the_rehearsal() -> None:
    files = {**kit(small()), CONF: b"no-such-word\n"}
    with pytest.raises(CommandFailed, match="bad option"):
        heard(small(), files)


def test_where_dnsmasq_is_missing_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tools, "path_of", lambda name: None)
    site: Site = None  # type: ignore[assignment]
    found = advertised(small(), kit(small()), site, ())
    assert found == Advertised(MISSING) and found.ok and "dnsmasq-base" in MISSING


def test_the_kernel_s_tables_are_read() -> None:
    """As proc(5) and Linux 6.1 have them: a lent address, a deprecated one, one of its own, one of
    the link, one that is not sure yet; a default route by a router, and the kernel's own."""
    held = """\
fd5c7a110001000300000000000000aa 02 40 00 00     net0
20010db87a00000300000000000000aa 02 40 00 20     net0
20010db87a000003000000000000000b 02 40 00 80     net0
fe80000000000000000000000000000b 02 40 20 80     net0
20010db87b00000300000000000000aa 02 40 00 40     net0
20010db87c00000300000000000000aa 03 40 00 00     net1
"""
    assert dict(listening.addresses(held, "net0")) == {
        IPv6Network("fd5c:7a11:1:3::/64"): False,
        IPv6Network("2001:db8:7a00:3::/64"): True,
    }
    zero, hop = "0" * 32, "fe80000000000000006e63fffe000001"
    routes = f"""\
{zero} 00 {zero} 00 {hop} 00000400 00000003 00000000 00450003     net0
{zero} 00 {zero} 00 {zero} ffffffff 00000001 00000000 00200200       lo
20010db8000000000000000000000000 20 {zero} 00 {hop} 00000400 00000001 00000000 00000003     net0
"""
    assert list(listening.ways(routes, "net0")) == [IPv6Address(int(hop, 16))]
