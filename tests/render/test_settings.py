"""Kernel settings and routes: what the kit must say, by the published numbers."""

from __future__ import annotations

from dataclasses import replace

from netcharter.plan import make_plan
from netcharter.render import render
from tests.render.plans import line, small_charter, small_plan

# Least seconds a conversation is remembered, and who says so.
LEAST = {
    "nf_conntrack_udp_timeout": 120,  # RFC 4787 REQ-5: two minutes
    "nf_conntrack_udp_timeout_stream": 120,
    "nf_conntrack_icmp_timeout": 60,  # RFC 5508 REQ-2: 60 seconds
    "nf_conntrack_icmpv6_timeout": 60,
    "nf_conntrack_tcp_timeout_established": 7440,  # RFC 5382 REQ-5: 2 hours 4 minutes
    "nf_conntrack_tcp_timeout_syn_sent": 240,  # RFC 5382 REQ-5: transitory, 4 minutes
    "nf_conntrack_tcp_timeout_syn_recv": 240,
    "nf_conntrack_tcp_timeout_fin_wait": 240,
    "nf_conntrack_tcp_timeout_close_wait": 240,
    "nf_conntrack_tcp_timeout_last_ack": 240,
    "nf_conntrack_tcp_timeout_time_wait": 240,
    "nf_conntrack_tcp_timeout_close": 240,  # RFC 7857 section 2.2: 4 minutes after a reset
    "nf_conntrack_generic_timeout": 120,  # RFC 6092 REC-12: two minutes
}


def settings() -> dict[str, str]:
    text = render(small_plan()).files["sysctl.conf"].decode()
    pairs = [line.split(" = ") for line in text.splitlines() if line and line[0] != "#"]
    assert len({key for key, _ in pairs}) == len(pairs)
    return {key: value for key, value in pairs}


def test_conversations_are_remembered_as_long_as_the_standards_ask() -> None:
    found = settings()
    for key, seconds in LEAST.items():
        assert int(found[f"net/netfilter/{key}"]) >= seconds, key


def test_every_device_leaves_checking_sources_to_the_decisions_and_takes_no_orders() -> None:
    found = settings()
    for device in ("all", "default", "eth0", "eth1", "eth2", "eth3.20", "eth4", "eth5"):
        assert found[f"net/ipv4/conf/{device}/rp_filter"] == "0"
        for key in ("accept_redirects", "secure_redirects", "send_redirects"):
            assert found[f"net/ipv4/conf/{device}/{key}"] == "0"
        assert found[f"net/ipv4/conf/{device}/accept_source_route"] == "0"
        assert found[f"net/ipv4/conf/{device}/bc_forwarding"] == "0"  # RFC 2644
        assert found[f"net/ipv6/conf/{device}/accept_redirects"] == "0"
        assert found[f"net/ipv6/conf/{device}/accept_source_route"] == "-1"
    assert found["net/netfilter/nf_conntrack_tcp_loose"] == "0"


def test_an_address_that_goes_takes_no_other_along() -> None:
    """Linux, ip-sysctl: promote_secondaries; also where whoever takes it away dies meanwhile."""
    found = settings()
    for device in ("eth0", "eth1", "eth2", "eth3.20", "eth4", "eth5"):
        assert found[f"net/ipv4/conf/{device}/promote_secondaries"] == "1"
    assert "net/ipv4/conf/all/promote_secondaries" not in found


def test_only_automatic_lines_listen_to_router_advertisements() -> None:
    found = settings()
    heard = {key for key, value in found.items() if key.endswith("accept_ra") and value != "0"}
    assert heard == {"net/ipv6/conf/eth1/accept_ra"}


def test_bridge_keys_may_be_missing() -> None:
    found = settings()
    assert found["-net/bridge/bridge-nf-call-iptables"] == "0"


def test_a_standby_line_is_asked_last_whatever_its_place_in_the_charter() -> None:
    found = render(small_plan()).files["routes.batch"].decode().splitlines()
    copper, mast = (
        found.index(f"rule add pref 1100{n} lookup {t}") for n, t in ((1, 101), (2, "main"))
    )
    assert copper < mast


def test_balanced_lines_share_by_weight() -> None:
    charter = small_charter()
    copper = replace(charter.lines["copper"], role="balanced", weight=3)
    mast = line(
        "mast",
        "eth1",
        automatic=False,
        addresses=(type(copper.addresses[0])("198.51.100.18/28"),),
        next_hops=(type(copper.next_hops[0])("198.51.100.17"),),
        role="balanced",
    )
    plan = make_plan(replace(charter, lines={"copper": copper, "mast": mast}, offers=()))
    text = render(plan).files["routes.batch"].decode()
    assert (
        "table 100 proto static nexthop via 203.0.113.9 dev eth0 weight 3 "
        "nexthop via 198.51.100.17 dev eth1 weight 1" in text
    )
    assert text.index("lookup 100\n") < text.index("pref 11001")


def test_a_source_of_one_line_never_leaves_by_another() -> None:
    text = render(small_plan()).files["routes6.batch"].decode()
    # new conversations of the site, before the networks of lines are looked into; the gateway's own
    for place, source in (
        (4205, "2001:db8:7a00::/48 fwmark 0/0xf"),
        (10202, "2001:db8:7aff::2/128"),
    ):
        assert f"rule add pref {place} from {source} lookup 101\n" in text
        assert f"rule add pref {place + 1} from {source} prohibit\n" in text


def test_tagged_devices_are_made_on_their_parents() -> None:
    charter = small_charter()
    tagged = replace(charter.areas["tills"], device="eth3", vlan=40)
    plan = make_plan(replace(charter, areas={**charter.areas, "tills": tagged}))
    text = render(plan).files["links.batch"].decode()
    assert "link set dev eth3 up\n" in text
    assert "link add link eth3 name eth3.40 type vlan id 40\nlink set dev eth3.40 up\n" in text
