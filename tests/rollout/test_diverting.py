"""What of others leads packets elsewhere than a kit does, of answers of `ip -j -d -N` as they were
seen on Linux 6.18 with iproute2 6.15; a real kernel is asked in tests/cli/test_enact_diverted.py."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from ipaddress import ip_interface, ip_network
from typing import Any

import pytest

from netcharter.rollout.contents import contents
from netcharter.rollout.diverting import Looked, diverting, looking, missing
from netcharter.rollout.observe import Said, Unobservable
from netcharter.rollout.shapes import Held, HostState, Link, Network
from tests.rollout.bench import kit_of
from tests.rollout.pair import DEVICES, OLD

Files = Mapping[str, bytes]
Record = dict[str, Any]
OUT = (ip_network("198.51.100.0/24"), ip_network("2001:db8:9000::/36"))  # is to go out by a line
FIRST = {"priority": 0, "src": "all", "table": "255", "protocol": "2"}
LEASE = "192.0.2.7/24"  # of the automatic line


@pytest.fixture(scope="module")
def old() -> Files:
    return kit_of(OLD)


def beyond(where: Network) -> bool:
    return any(where.version == one.version and where.overlaps(one) for one in OUT)


def looked(
    choices: Sequence[Record] = (), routes: Sequence[Record] = (), family: int = 4
) -> Looked:
    """Beside the kernel's own choice, these; of the other family the kernel's own alone."""
    asking = looking()
    question = next(asking)
    while True:
        mine = f"-{family}" in question.argv
        if "rule" in question.argv:
            rows = [FIRST, *choices] if mine else [FIRST]
        else:
            rows = list(routes) if mine else []
        try:
            question = asking.send(Said(0, json.dumps(rows).encode()))
        except StopIteration as end:
            found: Looked = end.value
            return found


def there(kit: Files) -> HostState:
    held = contents(kit).addresses
    lent = (Held("eth1", ip_interface(LEASE)),)
    links = tuple(Link(name, True) for name in DEVICES)
    return HostState(at=1.0, links=links, addresses=held, lent=lent)


def route(dst: str, **more: object) -> Record:
    return {
        "type": "1",
        "dst": dst,
        "table": "254",
        "protocol": "3",
        "scope": "0",
        "flags": [],
        **more,
    }


def own(kit: Files) -> list[Record]:
    """What the kernel makes of a kit's addresses and of the lease."""
    rows = []
    for held in (*there(kit).addresses, *there(kit).lent):
        whole, ip, by = (
            held.interface.network,
            held.interface.ip,
            {"dev": held.device, "protocol": "2"},
        )
        if ip.version == 4:
            rows.append(route(str(whole), **by))
            rows.append(route(str(ip), **by, type="2", table="255"))
            rows.append(route(str(whole.broadcast_address), **by, type="3", table="255"))
    return rows


def named(kit: Files, found: Looked) -> list[str]:
    return [one.sentence for one in diverting(kit, there(kit), found, beyond)]


def test_what_the_kernel_makes_itself_is_no_alarm(old: Files) -> None:
    found = looked(routes=own(old))
    assert named(old, found) == []
    assert [m for m in missing(old, there(old), found) if m.family == 4] == []


def test_a_network_without_its_own_route_is_missed(old: Files) -> None:
    rows = [row for row in own(old) if row["dst"] != "10.7.0.0/26"]
    (one,) = [m for m in missing(old, there(old), looked(routes=rows)) if m.family == 4]
    assert one.network == ip_network("10.7.0.0/26") and "eth2" in one.sentence
    rows = [row for row in own(old) if row["dst"] != "10.7.0.1"]
    (one,) = [m for m in missing(old, there(old), looked(routes=rows)) if m.family == 4]
    assert "10.7.0.1" in one.sentence


BROUGHT = (
    # A default route of the automatic line, from DHCP and from a router (RFC 4861), and a host's to it.
    (4, route("default", gateway="192.0.2.1", dev="eth1", protocol="16")),
    (4, route("192.0.2.1", dev="eth1", protocol="16", scope="253")),
    (6, route("default", gateway="fe80::9", dev="eth1", protocol="9", metric=1024, expires=1700)),
    # Classless static routes (RFC 3442), and more specific routes (RFC 4191).
    (4, route("198.51.100.0/25", gateway="192.0.2.1", dev="eth1", protocol="16")),
    (6, route("2001:db8:9000::/40", gateway="fe80::9", dev="eth1", protocol="9", metric=1024)),
    # Whoever gets a prefix delegated refuses what of it is not used (RFC 7084, WPD-5).
    (6, route("2001:db8:9100::/48", type="7", dev="lo", protocol="16", metric=1024)),
    (6, route("fe80::/64", dev="other0", protocol="2", metric=256)),
    (6, route("ff00::/8", type="5", dev="other0", table="255", protocol="2", metric=256)),
)


@pytest.mark.parametrize(("family", "row"), BROUGHT, ids=lambda each: str(each)[:60])
def test_what_is_brought_to_an_automatic_line_is_no_alarm(
    old: Files, family: int, row: Record
) -> None:
    assert named(old, looked(routes=[row], family=family)) == []


ALARMS = (
    (4, route("10.7.0.8/29", gateway="192.0.2.1", dev="eth1", protocol="16"), "10.7.0.0/26"),
    (4, route("default", gateway="203.0.113.9", dev="eth0"), "out by a line"),
    (4, route("10.7.0.0/26", dev="eth2", tos="0x10", gateway="10.7.0.9"), "10.7.0.0/26"),
    (4, route("198.51.100.9", dev="other0", type="2", table="255", protocol="2"), "out by a line"),
    (4, route("10.7.0.8/29", unheard="of"), "10.7.0.0/26"),
    (4, route("10.7.0.8/29", nexthops=[{"gateway": "10.7.0.9", "dev": "eth2"}], nhid=7), "10.7.0.0/26"),
    (4, route("198.51.100.0/25", dev="eth0", table="101"), "out by a line"),
    (6, route("fe80::/64", type="7", protocol="3", dev="lo", metric=1), "link-local"),
    (6, route("fd5c:7a11:b0e:1::/64", type="6", dev="lo", metric=9), "fd5c:7a11:b0e:1::/64"),
)  # fmt: skip


@pytest.mark.parametrize(("family", "row", "what"), ALARMS, ids=lambda each: str(each)[:60])
def test_what_leads_away_is_named(old: Files, family: int, row: Record, what: str) -> None:
    (said,) = named(old, looked(routes=[row], family=family))
    assert "leads away what" in said and what in said


def test_choices_count_up_to_the_last_of_ours(old: Files) -> None:
    last = max(int(c.words[1]) for c in contents(old).choices if c.family == 4)
    rule = {"src": "all", "table": "7", "protocol": "0"}
    for place, counts in ((1, True), (last, True), (last + 1, False)):
        assert bool(named(old, looked([{**rule, "priority": place}]))) is counts
        unheard = {**rule, "priority": place, "unheard": "of"}
        assert bool(named(old, looked([unheard]))) is counts


def test_what_is_hostile_is_shown_safely_and_nobody_is_told_to_type_it(old: Files) -> None:
    rule = {
        "priority": 5,
        "src": "all",
        "iif": "e\x1b[2J;$(x)",
        "not": None,
        "table": "7",
        "protocol": "0",
    }
    (said,) = named(old, looked([rule]))
    assert "\x1b" not in said and "rule del" not in said


@pytest.mark.parametrize("out", [b"{", b"{}", b"[1]", b'[{"src": "all"}]', b'[{"priority": "x"}]'])
def test_an_answer_that_is_not_understood_is_told(out: bytes) -> None:
    asking = looking()
    next(asking)
    with pytest.raises(Unobservable):
        asking.send(Said(0, out))


def test_old_kits_routes_are_no_others(old: Files) -> None:
    """What of a kit that goes still lies there is ours."""
    state = replace(there(old), lent=())
    ours = [route("default", gateway="203.0.113.9", dev="eth0", table="101", protocol="4")]
    assert list(diverting(old, state, looked(routes=ours), beyond, old)) == []
