"""The page of standards: every row names a test that is there, and the page says what they show.

The wording is ours; numbers and contents are those of RFC 4787, RFC 5382, RFC 5508, RFC 7857,
RFC 6092, RFC 1191, RFC 8201, RFC 2923 and RFC 879; those of RFC 4861, RFC 4862, RFC 6724, RFC 7084,
RFC 8106, RFC 8415 and RFC 9096 from memory. RFC 4890 stands as a table in `plan/icmp.py`, which `tests/plan/test_icmp.py` compares
with the lists of the document, and the decisions with it, type by type.
"""

from __future__ import annotations

import ast
import os
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path

import pytest

from netcharter.plan.icmp import ICMPV6, Message

UPDATE = "NETCHARTER_UPDATE_GOLDEN"  # set: write the page instead of comparing
NAT, POLICY = "tests/kernel/test_nat_behaviour.py", "tests/proofs/test_published_policies.py"
TIMERS = f"{NAT}::test_timers_of_the_kernel_are_no_shorter_than_asked"
ICMP = "tests/plan/test_icmp.py"

# (requirement, what it asks, met, what the gateway does, test)
Row = tuple[str, str, str, str, str]

TRANSLATION: Sequence[Row] = (
    ("RFC 4787 REQ-1", "one inside address and port has one outside, whoever it talks to", "yes",
     "as long as no other host holds that port towards the same peer",
     f"{NAT}::test_rfc4787_req_1_one_socket_has_one_mapping_whoever_it_talks_to"),
    ("RFC 4787 REQ-3", "two inside hosts never share an outside port", "no",
     "the kernel lets them share one towards different peers; towards one peer it gives another",
     f"{NAT}::test_rfc4787_req_3_not_met_two_hosts_share_a_port_towards_different_peers"),
    ("RFC 4787 REQ-4", "even ports stay even, odd ones odd", "yes",
     "the port itself is kept where it is free",
     f"{NAT}::test_rfc4787_req_4_even_ports_stay_even_and_odd_ones_odd"),
    ("RFC 4787 REQ-5", "a UDP mapping lasts 2 minutes at least, 5 recommended", "yes",
     "300 s, read back from the kernel", TIMERS),
    ("RFC 4787 REQ-6", "speaking from inside keeps a mapping", "yes", "so does speaking from outside",
     f"{NAT}::test_rfc4787_req_6_who_speaks_from_inside_keeps_the_mapping"),
    ("RFC 4787 REQ-8", "who may answer is told by address at most", "stricter",
     "by address and port: only whom one has asked may answer",
     f"{NAT}::test_rfc4787_req_8_only_whom_one_has_asked_may_answer"),
    ("RFC 4787 REQ-9", "the public address works from inside", "offers",
     "for what is offered; from its own area with the gateway's source, across areas with its own",
     f"{NAT}::test_rfc4787_req_9_what_is_offered_is_reached_from_inside_by_its_public_address"),
    ("RFC 4787 REQ-10", "what looks into conversations is off", "yes", "there is nothing of the kind",
     f"{NAT}::test_rfc4787_req_10_nothing_looks_into_conversations"),
    ("RFC 4787 REQ-12", "ICMP errors pass, and end no mapping", "yes", "",
     f"{NAT}::test_rfc4787_req_12_an_error_arrives_and_ends_no_mapping"),
    ("RFC 4787 REQ-13", "what is too big is told to the sender", "yes", "in IPv4 and IPv6",
     f"{NAT}::test_rfc4787_req_13_what_is_too_big_for_the_line_is_told"),
    ("RFC 4787 REQ-14", "fragments pass, out of order too", "yes", "they are put together first",
     f"{NAT}::test_rfc4787_req_14_fragments_pass_in_any_order"),
    ("RFC 5382 REQ-1", "one TCP address and port has one outside, whoever it talks to", "yes", "",
     f"{NAT}::test_rfc5382_req_1_one_socket_has_one_mapping_whoever_it_talks_to"),
    ("RFC 5382 REQ-2", "all ways to open a TCP conversation, both at once too", "yes", "",
     f"{NAT}::test_rfc5382_req_2_both_may_open_at_once"),
    ("RFC 5382 REQ-4", "a SYN nobody asked for is not answered for 6 s", "yes",
     "it is never answered", f"{NAT}::test_rfc5382_req_4_who_was_not_asked_meets_silence"),
    ("RFC 5382 REQ-5", "TCP: open 2 h 4 min at least, opening and closing 4 min", "yes",
     "7 440 s and 240 s, read back from the kernel", TIMERS),
    ("RFC 5508 REQ-1", "echo requests of two hosts with one identifier", "yes", "",
     f"{NAT}::test_rfc5508_req_1_echo_requests_of_two_hosts_with_one_identifier"),
    ("RFC 5508 REQ-2", "an ICMP query lasts 60 s at least", "yes", "60 s", TIMERS),
    ("RFC 7857 section 2.2", "after a reset, 4 minutes", "yes", "240 s", TIMERS),
)  # fmt: skip

SIMPLE_SECURITY: Sequence[Row] = (
    ("REC-1", "multicast sources go nowhere", "yes", "",
     f"{POLICY}::test_rfc6092_rec_1_a_multicast_source_goes_nowhere"),
    ("REC-2", "multicast ends at a border of scope", "yes", "multicast of no scope is passed on",
     f"{POLICY}::test_rfc6092_rec_2_multicast_of_no_scope_is_forwarded"),
    ("REC-3", "forbidden addresses are not passed on", "yes", "",
     f"{POLICY}::test_rfc6092_rec_3_forbidden_addresses_are_not_forwarded"),
    ("REC-4", "routing headers of type 0 are dropped", "yes", "",
     f"{POLICY}::test_rfc6092_rec_4_routing_header_0_is_dropped"),
    ("REC-5", "outward, only sources of the site", "yes", "",
     f"{POLICY}::test_rfc6092_rec_5_outbound_sources_are_within_the_prefix"),
    ("REC-6", "inward, no sources of the site", "yes", "",
     f"{POLICY}::test_rfc6092_rec_6_inbound_sources_are_not_within_the_prefix"),
    ("REC-7", "unique local addresses stay inside", "yes", "",
     f"{POLICY}::test_rfc6092_rec_7_unique_local_addresses_stay_inside"),
    ("REC-8, REC-9", "no resolver and no DHCP for those outside", "yes", "",
     f"{POLICY}::test_rfc6092_rec_8_and_9_no_names_and_no_dhcp_for_those_outside"),
    ("REC-10, REC-18, REC-36", "ICMPv6 errors pass with their conversation, and only so", "yes", "",
     f"{POLICY}::test_rfc6092_rec_10_18_36_errors_pass_only_with_their_conversation"),
    ("REC-11, REC-17, REC-33", "who may answer is told by address at most", "stricter",
     "by address and port: only whom one has asked may answer",
     f"{NAT}::test_rfc6092_rec_11_17_only_whom_one_has_asked_may_answer"),
    ("REC-12, REC-14", "state lasts 2 minutes at least, 5 recommended", "yes", "600 s and 300 s",
     TIMERS),
    ("REC-16", "speaking from inside keeps state", "yes", "",
     f"{NAT}::test_rfc4787_req_6_who_speaks_from_inside_keeps_the_mapping"),
    ("REC-19, REC-37", "an error ends no conversation", "yes", "",
     f"{NAT}::test_rfc6092_rec_19_an_error_ends_no_conversation"),
    ("REC-21 to REC-24", "IPsec from outside is not refused unasked", "no",
     "the charter decides it like anything else: where it is wanted, a rule lets it",
     f"{POLICY}::test_rfc6092_rec_21_to_24_not_met_nobody_starts_ipsec_from_outside_unasked"),
    ("REC-34", "a SYN nobody asked for is told of, 6 s later at the earliest", "no",
     "it is never answered: silence towards a line",
     f"{NAT}::test_rfc5382_req_4_who_was_not_asked_meets_silence"),
    ("REC-35", "TCP: open 2 h 4 min at least, opening and closing 4 min", "yes",
     "7 440 s and 240 s", TIMERS),
    ("REC-50", "nobody manages the gateway from outside, unless it is wanted", "yes",
     "what the internet sees is told by `netcharter check`",
     "tests/proofs/test_exposure.py::test_a_site_that_offers_nothing_shows_housekeeping_only"),
)  # fmt: skip

PATH = "tests/kernel/test_path_mtu.py"
SIZES: Sequence[Row] = (
    ("RFC 1191, RFC 8201", "who sends more than the next cable takes is told how much it takes",
     "yes", "in IPv4 and IPv6, to the byte",
     f"{PATH}::test_rfc1191_the_gateway_tells_who_sends_more_than_its_line_takes"),
    ("RFC 4890 section 4.3.1, RFC 5508 REQ-4", "what is said of it beyond arrives inside", "yes",
     "through translation, too",
     f"{PATH}::test_rfc4890_4_3_1_what_is_said_beyond_the_line_reaches_who_sent"),
    ("RFC 879, RFC 8200 section 8.3", "a segment leaves room for the headers: 40 bytes, 60 in IPv6",
     "yes", "told to both ends of what goes through a line narrower than Ethernet",
     f"{PATH}::test_both_ends_are_told_how_large_a_segment_is"),
    ("RFC 2923 section 2.1", "conversations live where those errors are lost", "TCP",
     "both ways; other protocols find out by themselves (RFC 8899), or need those errors",
     f"{PATH}::test_a_large_transfer_passes_both_ways_though_nobody_tells_what_does_not_fit"),
    ("RFC 879, RFC 9293 section 3.7.1", "who takes less gets less", "yes",
     "what is said is only ever lowered",
     f"{PATH}::test_who_takes_less_is_told_nothing_else"),
)  # fmt: skip

RA, LISTENING = "tests/kernel/test_router_advertisements.py", "tests/lab/test_advertised.py"
LED = "tests/steward/test_hosts_led.py"
ADVERTISED: Sequence[Row] = (
    ("RFC 4861 section 4.2", "from the link, to all nodes, with a hop limit of 255", "yes", "",
     f"{RA}::test_rfc4861_4_2_it_comes_from_the_link_to_all_nodes_and_from_no_further"),
    ("RFC 4861 section 4.6.4", "the size of packets is told where it is not well known", "yes",
     "it is not told: Ethernet's is known, and no line's own size is that of an area",
     f"{RA}::test_rfc4861_4_6_4_no_size_of_packets_is_told_where_it_is_well_known"),
    ("RFC 4861 section 6.2.5", "who stops advertising says so by a router lifetime of 0", "no",
     "dnsmasq ends in silence, so hosts keep their way out while it is begun anew",
     f"{RA}::test_rfc4861_6_2_5_not_met_nobody_says_farewell"),
    ("RFC 4861 section 6.2.8", "what has changed is told soon", "yes",
     "within about a second",
     f"{RA}::test_rfc4861_6_2_8_an_address_without_preferred_time_is_told_at_once"),
    ("RFC 4862 section 5.5.3", "hosts make themselves addresses of each prefix", "yes",
     "the local one, and one of each line; seen at hosts of every area",
     f"{LISTENING}::test_hosts_learn_just_what_the_plan_says"),
    ("RFC 4862 section 5.5.4, RFC 6724 rule 3", "nothing new begins with a deprecated address",
     "yes", "so hosts leave the prefix of a line that failed",
     f"{LED}::test_a_host_leaves_the_prefix_of_a_line_that_failed_until_that_is_undone"),
    ("RFC 6724 rule 5", "sources go with destinations of their own kind", "yes",
     "a host that is led away from the last line of IPv6 takes IPv4",
     f"{LED}::test_rfc6724_rule_5_a_host_with_nothing_better_than_its_local_address_takes_ipv4"),
    ("RFC 7084 G-4", "without a way out the router lifetime is 0", "yes",
     "as the charter has it: where no line with a prefix leads to the IPv6 internet",
     f"{LISTENING}::test_rfc7084_g_4_where_no_line_carries_ipv6_nobody_is_the_way_out"),
    ("RFC 7084 G-5", "when the way out is lost the router lifetime becomes 0 at once", "no",
     "the prefix is deprecated instead, so that hosts take another line's, or IPv4",
     f"{RA}::test_rfc7084_g_5_not_met_the_way_out_stays_told_when_its_line_fails"),
    ("RFC 7084 L-3", "single routes to the site's prefixes are told (RFC 4191)", "no",
     "dnsmasq can't; with a way out nobody needs them, without one areas meet by IPv4",
     f"{RA}::test_rfc7084_l_3_not_met_no_single_routes_are_told"),
    ("RFC 7084 L-13, RFC 9096 section 3.5", "an old prefix is told to be old, beside the new one",
     "yes", "while dnsmasq lives",
     f"{RA}::test_rfc9096_3_5_an_old_prefix_is_told_to_be_old_beside_the_new_one"),
    ("RFC 8106 section 5", "resolvers and search domains are told, for three intervals at least",
     "yes", "the gateway by its local address, and the site's domain",
     f"{RA}::test_rfc8106_5_the_resolver_is_told_as_long_as_there_are_hosts"),
    ("RFC 9096 section 4", "prefixes: preferred 2 700 s, valid 5 400 s at most", "yes",
     "2 700 s both, and 1 800 s for the router",
     f"{RA}::test_rfc9096_4_nothing_is_told_for_longer_than_advised"),
)  # fmt: skip

LEASES, LENT = "tests/kernel/test_leases.py", "tests/render/test_lending.py"
LENDING: Sequence[Row] = (
    ("RFC 2131 section 3.1", "who asks gets an address, and what it has to know", "yes",
     "router, resolver and domain; seen at Debian's dhcpcd",
     f"{LEASES}::test_rfc2131_3_1_a_guest_gets_an_address_of_the_pool_and_all_it_has_to_know"),
    ("RFC 2131 section 4.4.5", "T1 is half of the lease, T2 seven eighths of it", "yes",
     "as dnsmasq has it", f"{LEASES}::test_rfc2131_4_4_5_t1_is_half_of_the_lease_and_t2_seven_eighths"),
    ("RFC 2131 section 4.3.2", "who renews keeps its address", "yes", "",
     f"{LEASES}::test_rfc2131_4_3_2_a_client_renews_at_t1_and_keeps_its_address"),
    ("RFC 2132, RFC 3397, RFC 3646", "router, resolver, domain and where to search are told", "yes",
     "each area its own gateway's", f"{LENT}::test_rfc2132_router_resolver_and_domain_are_told"),
    ("RFC 8415 section 18.3.2", "addresses are given by DHCPv6", "offers",
     "to devices whose addresses the plan knows; others make their own (RFC 4862)",
     f"{LEASES}::test_rfc8415_a_lasting_device_gets_its_addresses_of_both_families"),
    ("RFC 8415 section 6.1", "who needs no address is told the rest", "yes", "",
     f"{LEASES}::test_rfc8415_6_1_others_are_told_the_rest_by_dhcpv6"),
)  # fmt: skip

ASKING, PLANNED = "tests/render/test_delegation.py", "tests/plan/test_delegated.py"
FOLLOWS = "tests/cli/test_renumbering.py::test_the_site_follows_its_prefix"
ASKED = f"{ASKING}::test_a_client_and_a_server_renew_change_and_fall_silent"
OVER = "test_over_a_session_too_which_takes_nothing_along_when_it_ends"
DELEGATED: Sequence[Row] = (
    ("RFC 7084 WPD-1", "a prefix is asked for by DHCPv6", "yes",
     "by Debian's dhcpcd, where the charter says `delegated`", ASKED),
    ("RFC 7084 WPD-2", "a hint of the size has room for a /64 for each area", "yes", "/56, or /48",
     f"{ASKING}::test_rfc7084_wpd_2_the_hint_is_large_enough_for_every_area"),
    ("RFC 7084 WPD-3", "another size is taken; one too small is told", "yes",
     "a /64 too, of which no area gets one",
     f"{PLANNED}::test_one_that_is_too_small_leaves_areas_without"),
    ("RFC 7084 WPD-4", "it is asked for where router advertisements say so", "stricter",
     "whatever they say, or where there are none", ASKED),
    ("RFC 7084 WPD-5", "what no area has of the prefix leads nowhere", "yes", "refused, both ways",
     f"{PLANNED}::test_rfc7084_wpd_5_what_no_area_has_of_the_prefix_leads_nowhere"),
    ("RFC 7084 L-2", "each area has a /64 of every prefix, and of the local one", "yes", "",
     f"{PLANNED}::test_what_nobody_has_told_yet_has_a_stand_in_of_the_documentation_addresses"),
    ("RFC 7084 L-13, RFC 9096 section 3.5", "a prefix that is replaced is deprecated at once", "yes",
     "with the exchange of the kit, seen at a host", FOLLOWS),
    ("RFC 7084 L-14", "what still comes from an old prefix is told (ICMPv6 type 1, code 5)", "no",
     "it counts as forged, and is refused in silence", FOLLOWS),
    ("RFC 8415 section 11.4", "the client's name follows from a hardware address", "yes",
     "in a PPPoE session that of the network card below it", f"{ASKING}::{OVER}"),
    ("RFC 8415 section 18.2.4, 18.2.5", "renewed, then rebound, then begun anew", "yes",
     "and not used beyond its time", ASKED),
    ("RFC 8415 section 18.2.10.1", "a lifetime of 0 takes a prefix away", "yes", "", ASKED),
    ("RFC 9096 section 3.1", "nothing is given back because of a restart", "yes", "", ASKED),
)  # fmt: skip

HEAD = """\
# Standards, row by row

What published requirements ask of a gateway, and what this one does. Every row names the test that shows it; the page is made by `tests/docs/test_standards_page.py`, which sees to it that the tests are there.

*no* and *stricter* are what the kernel does, or what a site with a keeper wants; they are shown by a test all the same, so that nobody need wonder.
"""
ICMP_HEAD = """
## ICMPv6 through and to the gateway (RFC 4890)

The advice of the document beside what becomes of the message. *state*: it passes with the conversation it belongs to, and only so; *charter*: the charter decides, and refuses it unless a rule lets it; *discovery*, *echo*: let by the housekeeping of that name; *refused*: housekeeping refuses it whatever the charter says. The rows are those of `src/netcharter/plan/icmp.py`; `{icmp}` compares them with the lists of the document (`test_the_other_lists_for_what_goes_through` and its neighbours) and asks a plan for every type (`test_the_charter_decides_what_the_table_leaves_to_it` and its neighbours).

| types | message | advice: through | here | advice: to the gateway | here | why |
|---|---|---|---|---|---|---|
"""


def page() -> str:
    text = HEAD
    text += _table("Translation of addresses (RFC 4787, RFC 5382, RFC 5508, RFC 7857)", TRANSLATION)
    text += _table("Simple security for IPv6 (RFC 6092)", SIMPLE_SECURITY)
    text += _table("The size of packets (RFC 1191, RFC 8201, RFC 2923, RFC 2516)", SIZES)
    text += _table("Router advertisements (RFC 4861, RFC 4862, RFC 7084, RFC 9096)", ADVERTISED)
    text += _table("Leases (RFC 2131, RFC 2132, RFC 8415)", LENDING)
    text += _table("Delegated prefixes (RFC 7084, RFC 8415, RFC 9096)", DELEGATED)
    return text + ICMP_HEAD.format(icmp=ICMP) + "".join(_icmp_rows())


def _table(title: str, rows: Sequence[Row]) -> str:
    text = f"\n## {title}\n\n| requirement | what it asks | met | here | test |\n|---|---|---|---|---|\n"
    for requirement, asks, met, here, test in rows:
        file, _, name = test.partition("::")
        text += f"| {requirement} | {asks} | {met} | {here} | `{name}` in `{file}` |\n"
    return text


def _icmp_rows() -> Iterator[str]:
    def said(one: Message) -> tuple[str, ...]:
        return (one.name, one.advice_through, one.through, one.advice_local, one.local, one.because)

    for cells, group in groupby(ICMPV6, said):
        ones = list(group)
        first, last = ones[0], ones[-1]
        types = f"{first.type}" if first.type == last.type else f"{first.type} to {last.type}"
        if first.codes != (0, 255):
            low, high = first.codes
            types += f", code {low}" if low == high else f", codes {low} to {high}"
        yield f"| {types} | " + " | ".join(cells) + " |\n"


def test_the_page_says_what_the_tables_say(repository: Path) -> None:
    """Run with NETCHARTER_UPDATE_GOLDEN=1 after a change of the tables."""
    path = repository / "docs" / "reference" / "standards.md"
    if os.environ.get(UPDATE):
        path.write_text(page(), encoding="utf-8")
    assert path.read_text(encoding="utf-8") == page()


@pytest.mark.parametrize(
    "row",
    (*TRANSLATION, *SIMPLE_SECURITY, *SIZES, *ADVERTISED, *LENDING, *DELEGATED),
    ids=lambda row: row[0],
)
def test_every_row_names_a_test_that_is_there(row: Row, repository: Path) -> None:
    file, _, name = row[4].partition("::")
    tree = ast.parse((repository / file).read_text(encoding="utf-8"))
    assert name in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert ("not_met" in name) <= (row[2] == "no")


def test_the_icmp_tests_that_the_page_names_are_there(repository: Path) -> None:
    names = {
        word.strip("`") for word in ICMP_HEAD.split() if word.startswith(("`test_", "(`test_"))
    }
    tree = ast.parse((repository / ICMP).read_text(encoding="utf-8"))
    there = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert names and {name.strip("(`") for name in names} <= there
