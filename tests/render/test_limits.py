"""Limits per source as the kit says them, line by line."""

from __future__ import annotations

import re

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.render import render

CHARTER = """
charter: 1
site: {name: Hut, timezone: UTC, managed-from: [desk]}
lines:
  copper:
    device: eth0
    address: [203.0.113.10/29, "2001:db8:1::2/64"]
    next-hop: [203.0.113.9, "2001:db8:1::1"]
    prefix: 2001:db8:5::/48
  mast: {device: eth1, vlan: 7, address: automatic, role: standby}
areas:
  hall: {device: eth2, prefix: 10.7.1.0/24}
devices:
  desk: {area: hall, hardware: "02:00:00:aa:00:01", address: lasting}
offers:
  - {offer: https, on: [copper, mast], to: desk, per-source: SAID, because: it is public}
"""


def loaded(said: str) -> str:
    charter = read(CHARTER.replace("SAID", said), "charter.yaml").charter
    assert charter is not None
    return render(make_plan(charter)).files["nftables.nft"].decode("ascii")


def about(text: str) -> list[str]:
    """The lines about limits, without what encloses them."""
    found = re.findall(r"^ *(.*(?:nc_new\d|nc_once|nc_over).*)$", text, re.MULTILINE)
    return [line for line in found if "vmap" not in line]


FIRST = "ct status ! confirmed iifname"
NET = "ip6 saddr & ffff:ffff:ffff:ffff::"
END = "counter name nc_over_offer_1 drop"
KEPT = {  # what is said -> what is loaded; common practice, no source, but for the /64 (RFC 8981)
    "{new: 30 per minute, at-once: 20}": [
        'counter nc_over_offer_1 { comment "offer 1"; }',
        (
            "set nc_new4_offer_1 { type ipv4_addr; flags dynamic,timeout; timeout 60s; size 16384; "
            'comment "offer 1"; }'
        ),
        'set nc_once4_offer_1 { type ipv4_addr; flags dynamic; size 16384; comment "offer 1"; }',
        (
            "set nc_new6_offer_1 { type ipv6_addr; flags dynamic,timeout; timeout 60s; size 16384; "
            'comment "offer 1"; }'
        ),
        'set nc_once6_offer_1 { type ipv6_addr; flags dynamic; size 16384; comment "offer 1"; }',
        (
            f'{FIRST} {{ "eth0" }} update @nc_new4_offer_1 '
            f"{{ ip saddr limit rate over 30/minute burst 30 packets }} {END}"
        ),
        f'{FIRST} {{ "eth0" }} add @nc_once4_offer_1 {{ ip saddr ct count over 20 }} {END}',
        (
            f'{FIRST} {{ "eth0" }} update @nc_new6_offer_1 '
            f"{{ {NET} limit rate over 30/minute burst 30 packets }} {END}"
        ),
        f'{FIRST} {{ "eth0" }} add @nc_once6_offer_1 {{ {NET} ct count over 20 }} {END}',
        (
            f'{FIRST} {{ "eth1.7" }} update @nc_new4_offer_1 '
            f"{{ ip saddr limit rate over 30/minute burst 30 packets }} {END}"
        ),
        f'{FIRST} {{ "eth1.7" }} add @nc_once4_offer_1 {{ ip saddr ct count over 20 }} {END}',
    ],
    "{at-once: 1}": [
        'counter nc_over_offer_1 { comment "offer 1"; }',
        'set nc_once4_offer_1 { type ipv4_addr; flags dynamic; size 16384; comment "offer 1"; }',
        'set nc_once6_offer_1 { type ipv6_addr; flags dynamic; size 16384; comment "offer 1"; }',
        f'{FIRST} {{ "eth0" }} add @nc_once4_offer_1 {{ ip saddr ct count over 1 }} {END}',
        f'{FIRST} {{ "eth0" }} add @nc_once6_offer_1 {{ {NET} ct count over 1 }} {END}',
        f'{FIRST} {{ "eth1.7" }} add @nc_once4_offer_1 {{ ip saddr ct count over 1 }} {END}',
    ],
}


@pytest.mark.parametrize("said", KEPT)
def test_they_are_loaded_as_kept(said: str) -> None:
    assert about(loaded(said)) == KEPT[said]


def test_each_is_asked_before_anything_is_counted_as_let() -> None:
    text = loaded("{new: 5 per hour}")
    for chain in re.findall(r"chain nc_row_offer_1\S* \{\n(.*?)\n    \}", text, re.DOTALL):
        first, second, *_ = chain.splitlines()
        assert "@nc_new" in first and second.lstrip().startswith("counter name nc_row_offer_1")


@pytest.mark.parametrize(
    ("unit", "seconds"), [("second", "1s"), ("minute", "60s"), ("hour", "3600s")]
)
def test_a_source_is_forgotten_when_it_may_begin_as_many_as_ever(unit: str, seconds: str) -> None:
    text = loaded(f"{{new: 7 per {unit}}}")
    assert text.count(f"; flags dynamic,timeout; timeout {seconds}; ") == 2


def test_without_a_limit_nothing_is_asked() -> None:
    charter = CHARTER.replace("per-source: SAID, ", "")
    found = read(charter, "charter.yaml").charter
    assert found is not None
    assert about(render(make_plan(found)).files["nftables.nft"].decode("ascii")) == []
