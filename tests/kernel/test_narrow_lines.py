"""Lines narrower than Ethernet: what tells both ends so decides nothing, and that is proven.

The kernel lists what it has loaded; readback and the concrete interpreter of `packets.py`, which
share nothing, must both find the plan's own decisions in it.
"""

from __future__ import annotations

import json
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.lab.agreement import plan_host
from netcharter.lab.reading import Machine
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.readback.listing import read_listing
from netcharter.readback.sizes import Told, told
from netcharter.readback.walk import decisions
from netcharter.render import render
from netcharter.tasks.changes import Loaded
from netcharter.tasks.holds import holds
from tests.kernel.equality import NOW, Listing, bench, judged, loaded
from tests.kernel.sampling import attempts
from tests.kernel.test_agreement import differences

CHAIN = "nc_forward_size"
CHARTER = """
charter: 1
site: {name: Narrow Valley, timezone: UTC, managed-from: [desk]}
lines:
  dsl: {device: eth0, address: [203.0.113.10/29, 2001:db8:1::2/64], mtu: 1492,
        next-hop: [203.0.113.9, 2001:db8:1::1], prefix: 2001:db8:2::/48}
  fibre: {device: eth2, vlan: 35, pppoe: {as: site@isp.example}}
  mast: {device: eth3, mtu: 1400}
  cable: {device: eth4, mtu: 1500}
areas:
  one: {device: eth1, prefix: 10.7.1.0/24}
  two: {device: eth5, prefix: 10.7.2.0/24, strangers: refused}
devices:
  desk: {area: one, hardware: 02:00:00:aa:00:01, address: [10.7.1.9, "2001:db8:2:1::9"]}
rules:
  - {let: one, reach: internet, with: [https, udp/443, icmp/8], because: they may}
  - {let: one, reach: two, with: ssh, because: they may}
offers:
  - {offer: https, on: [dsl, fibre], to: desk, because: it is public}
"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    charter = read(CHARTER, "narrow.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.fixture(scope="module")
def text(plan: Plan) -> str:
    return render(plan).files["nftables.nft"].decode("ascii")


@pytest.fixture(scope="module")
def found(text: str, tmp_path_factory: pytest.TempPathFactory) -> Listing:
    return loaded(text, tmp_path_factory.mktemp("narrow"))


def test_both_families_and_both_directions_of_every_narrow_line_are_told(text: str) -> None:
    """1492 and 1400 bytes less 40 in IPv4 and 60 in IPv6 (RFC 879, RFC 8200 section 8.3), those of
    PPPoE less 8 (RFC 2516 section 7); what takes as much as Ethernet is left alone."""
    told = [line.strip() for line in text.splitlines() if "maxseg" in line]
    syn = "tcp flags & (syn | rst) == syn tcp option maxseg size set"
    assert sorted(told) == sorted(
        f"meta nfproto ipv{family} {way} {{ {devices} }} {syn} {size}"
        for devices, sizes in (('"eth3"', (1360, 1340)), ('"eth0", "ppp2"', (1452, 1432)))
        for way in ("iifname", "oifname")
        for family, size in zip((4, 6), sizes, strict=True)
    )


def test_the_kernel_holds_the_plan_and_nothing_is_left_open(plan: Plan, found: Listing) -> None:
    """Told to be the same, not that it may be: nothing about sizes is among what is not known."""
    for known in (False, True):
        told = judged(plan, found, known)
        assert told.same, [one.sentence for one in told.differences]
        assert all(claim.holds for claim in told.claims)


def test_a_concrete_interpreter_decides_the_same(plan: Plan, found: Listing) -> None:
    kernel = bench(plan, found)
    asked = list(attempts(plan, Random(7), 400))
    assert len(asked) == 400
    for attempt, environment in asked:
        assert not differences(kernel, attempt, environment)


@pytest.mark.parametrize(
    "planted",
    [
        "tcp dport 443 drop",
        "tcp option maxseg size 1452 drop",
        "tcp flags & (syn | rst) == syn drop",
        "udp dport 443 drop",
    ],
)
def test_what_decides_in_that_chain_is_found(
    planted: str, plan: Plan, text: str, tmp_path: Path
) -> None:
    first = text.index("\n", text.index("type filter", text.index(f"chain {CHAIN} {{"))) + 1
    spoilt = f"{text[:first]}        {planted}\n{text[first:]}"
    told = judged(plan, loaded(spoilt, tmp_path))
    assert not told.same and told.differences


def test_readback_leaves_nothing_of_it_to_circumstances(plan: Plan, found: Listing) -> None:
    """No leaf depends on what an option says, and no note speaks of one."""
    listing = read_listing(json.dumps(found), "kernel").listing
    assert listing is not None
    seen = decisions(listing, plan_host(plan))
    assert seen.complete and seen.leaves
    assert not [note for note in seen.notes if "maxseg" in note.message or "flags" in note.message]
    held = {condition.name for leaf in seen.leaves for condition, _ in leaf.held}
    assert held and not [name for name in held if "maxseg" in name or "flags" in name]


# --- are they there? -----------------------------------------------------------------------------


def seen_in(found: Listing) -> frozenset[Told]:
    listing = read_listing(json.dumps(found), "kernel").listing
    assert listing is not None
    return told(listing)


def test_what_is_told_is_read_back_number_by_number(found: Listing) -> None:
    """1492 and 1400 bytes less 40 in IPv4 and 60 in IPv6 (RFC 879, RFC 8200 section 8.3)."""
    narrow = {"eth0": (1452, 1432), "ppp2": (1452, 1432), "eth3": (1360, 1340)}
    assert seen_in(found) == {
        Told(family, way, device, size)
        for device, sizes in narrow.items()
        for way in ("iifname", "oifname")
        for family, size in zip((4, 6), sizes, strict=True)
    }


@pytest.mark.parametrize(
    ("written", "instead"),
    [
        ("size set 1452", "size set 1453"),
        ("size set 1340", "size set 1300"),
        ('oifname { "eth0", "ppp2" }', 'oifname { "eth0" }'),
        ("meta nfproto ipv6 iifname", "meta nfproto ipv4 iifname"),
        ("(syn | rst) == syn", "(syn | rst) == rst"),
        ("meta nfproto ipv4 iifname", "ip saddr 10.0.0.0/8 iifname"),
        ("type filter hook forward priority mangle; policy accept;",
         "type filter hook forward priority mangle; policy accept;\n        accept"),
    ],
)  # fmt: skip
def test_what_is_told_otherwise_is_missed(
    written: str, instead: str, plan: Plan, text: str, found: Listing, tmp_path: Path
) -> None:
    assert written in text
    spoilt = loaded(text.replace(written, instead, 1), tmp_path)
    assert seen_in(found) - seen_in(spoilt)
    held = holds(plan, Loaded(Machine(json.dumps(spoilt), "", "[]", "[]", "[]")), NOW)
    assert held.state == "otherwise" and held.agreement is not None and held.agreement.same
    assert all("is told that it takes" in said for said in held.others) and held.others
