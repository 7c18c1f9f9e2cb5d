"""The ICMP tables against RFC 4890's lists, RFC 792 and the decisions that the plan really has."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from ipaddress import ip_address

import pytest

from netcharter.plan import coding, make_plan
from netcharter.plan.coding import NOBODY
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.icmp import (
    DISCOVERY_TYPES,
    ECHO_REQUEST4,
    ECHO_REQUEST6,
    ERRORS4,
    ERRORS6,
    ICMPV4,
    ICMPV6,
    REPLIES4,
    REPLIES6,
    ROUTER_ADVERTISEMENT,
    message,
)
from tests.plan.building import area, charter, line

# RFC 4890 sections 4.3.1 to 4.3.5 and 4.4.1 to 4.4.4, as printed there. The mobility messages
# are 144 to 147; a published rule set that claims conformance has 145 to 148.
THROUGH_MUST_PASS = {1: None, 2: None, 3: [0], 4: [1, 2], 128: None, 129: None}
THROUGH_SHOULD_PASS = {3: [1], 4: [0], 144: None, 145: None, 146: None, 147: None}
THROUGH_DROPPED_ANYWAY = [130, 131, 132, 133, 134, 135, 136, 137, 141, 142, 143, 148, 149, 151]
THROUGH_DROPPED_ANYWAY += [152, 153]
THROUGH_POLICY = [150, *range(5, 100), *range(102, 127), *range(154, 200), *range(202, 255)]
THROUGH_UNLESS = [138, 139, 140, 100, 101, 200, 201, 127, 255]
LOCAL_MUST_PASS = [1, 2, 128, 129, 130, 131, 132, 133, 134, 135, 136, 141, 142, 143, 148, 149, 151]
LOCAL_MUST_PASS += [152, 153]
LOCAL_DROPPED_ANYWAY = [138, 144, 145, 146, 147, 150]


def codes(allowed: list[int] | None) -> Iterable[int]:
    return range(256) if allowed is None else allowed


def test_every_type_and_code_has_exactly_one_entry() -> None:
    for number in range(256):
        for code in range(256):
            matching = [m for m in ICMPV6 if m.type == number and m.codes[0] <= code <= m.codes[1]]
            assert len(matching) == 1
    assert [m.type for m in ICMPV4] == list(range(256))
    with pytest.raises(LookupError):
        message(256, 0)


@pytest.mark.parametrize("number", THROUGH_MUST_PASS)
def test_what_must_not_be_dropped_on_its_way_through(number: int) -> None:
    for code in codes(THROUGH_MUST_PASS[number]):
        assert message(number, code).advice_through == "must not drop"


@pytest.mark.parametrize("number", THROUGH_SHOULD_PASS)
def test_what_should_not_be_dropped_on_its_way_through(number: int) -> None:
    for code in codes(THROUGH_SHOULD_PASS[number]):
        assert message(number, code).advice_through == "should not drop"


@pytest.mark.parametrize(
    ("numbers", "advice"),
    [
        (THROUGH_DROPPED_ANYWAY, "dropped anyway"),
        (THROUGH_POLICY, "policy"),
        (THROUGH_UNLESS, "drop unless needed"),
    ],
)
def test_the_other_lists_for_what_goes_through(numbers: list[int], advice: str) -> None:
    assert {n for n in range(256) if message(n, 0).advice_through == advice} == set(numbers)


def test_the_lists_for_what_is_sent_to_the_gateway() -> None:
    must = {m.type for m in ICMPV6 if m.advice_local == "must not drop"}
    assert must == {*LOCAL_MUST_PASS, 3, 4}
    assert message(3, 0).advice_local == "must not drop"
    assert {message(4, c).advice_local for c in (1, 2)} == {"must not drop"}
    assert {message(3, 1).advice_local, message(4, 0).advice_local} == {"should not drop"}
    anyway = {m.type for m in ICMPV6 if m.advice_local == "dropped anyway"}
    assert anyway == set(LOCAL_DROPPED_ANYWAY)
    assert message(137, 0).advice_local == "policy"


def test_what_must_pass_is_let_by_housekeeping_or_with_its_conversation() -> None:
    """The one deviation is the echo request on its way through, which the charter decides."""
    for entry in ICMPV6:
        if entry.advice_through == "must not drop" and entry.type != ECHO_REQUEST6:
            assert entry.through == "state"
        if entry.advice_local == "must not drop":
            assert entry.local in ("state", "neighbour-discovery", "echo")
    assert message(ECHO_REQUEST6, 0).through == "charter"
    assert message(ECHO_REQUEST6, 0).because


def test_a_treatment_that_departs_from_the_advice_says_why() -> None:
    natural = {
        "must not drop": {"state", "neighbour-discovery", "echo"},
        "should not drop": {"state"},
        "dropped anyway": set(),
        "policy": set(),
        "drop unless needed": set(),
        "unlisted": set(),
    }
    for entry in ICMPV6:
        fits = entry.through in natural[entry.advice_through]
        if not (fits and entry.local in natural[entry.advice_local]):
            assert entry.because, entry


def test_the_decision_of_discovery_covers_exactly_the_messages_between_neighbours() -> None:
    """RFC 4890 section 4.4.1; 134 is for lines only, and 137 never."""
    local = {m.type for m in ICMPV6 if m.local == "neighbour-discovery"}
    assert local == {*DISCOVERY_TYPES, ROUTER_ADVERTISEMENT}
    assert local == set(LOCAL_MUST_PASS) - {1, 2, 128, 129}
    assert {m.type for m in ICMPV6 if m.through == "refused"} == set(THROUGH_DROPPED_ANYWAY)


def test_errors_and_replies_pass_with_their_conversation_and_nothing_else_does() -> None:
    """RFC 4443 section 2.1: types below 128 are errors."""
    with_state = {m.type for m in ICMPV6 if m.through == "state"}
    assert with_state == {*ERRORS6, *REPLIES6}
    assert {m.type for m in ICMPV4 if m.through == "state"} == {*ERRORS4, *REPLIES4}


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (0, "echo reply"),
        (3, "destination unreachable"),
        (4, "source quench"),
        (5, "redirect"),
        (8, "echo request"),
        (11, "time exceeded"),
        (12, "parameter problem"),
        (13, "timestamp"),
        (14, "timestamp reply"),
        (15, "information request"),
        (16, "information reply"),
    ],
)
def test_the_types_of_rfc_792(number: int, name: str) -> None:
    """RFC 792, summary of message types."""
    assert ICMPV4[number].name == name
    assert ICMPV4[number].source.startswith("RFC 792")


def test_errors_needed_for_path_mtu_discovery_pass_in_both_families() -> None:
    """NIST SP 800-41r1; RFC 1191 (type 3 code 4), RFC 8201 (type 2)."""
    assert ICMPV4[3].through == message(2, 0).through == "state"


def test_an_echo_request_is_answered_by_the_gateway_and_decided_on_its_way_through() -> None:
    assert (ICMPV4[ECHO_REQUEST4].local, ICMPV4[ECHO_REQUEST4].through) == ("echo", "charter")


# The treatments, as the decisions of a plan


SITE = charter(
    [area("office", prefixes=["10.24.3.0/27"]), area("barn", prefixes=["10.24.4.0/27"])],
    [line("copper", ["203.0.113.10/29", "2001:db8:5::2/64"], prefix="2a00:1:2::/48")],
    local_prefix="fd12:3456:789a::/48",
)
PLAN = make_plan(SITE)
OFFICE, GATEWAY, BARN = "fd12:3456:789a:1::20", "fd12:3456:789a:1::1", "fd12:3456:789a:2::20"


def decided(entrance: str, source: str, destination: str, number: int) -> str:
    protocol = coding.ICMP6 if ":" in source else coding.ICMP
    attempt = Attempt(
        entrance=entrance,
        source=coding.address(ip_address(source)),
        hardware=0x0200_00AA_0001 if entrance == "office" else coding.HARDWARE_NONE,
        destination=coding.address(ip_address(destination)),
        service=(protocol << 16) + (number << 8),
    )
    up = Environment(frozenset({"copper"}), NOBODY, datetime(2026, 7, 1, tzinfo=UTC))
    return fate(PLAN, attempt, up).row.label


@pytest.mark.parametrize("number", [m.type for m in ICMPV6 if m.local == "neighbour-discovery"])
def test_discovery_is_let_where_the_table_says_so(number: int) -> None:
    at_area = "forged" if number == ROUTER_ADVERTISEMENT else "neighbour-discovery"
    assert decided("office", "fe80::20", "ff02::1", number) == at_area
    assert decided("copper", "fe80::20", "ff02::1", number) == "neighbour-discovery"


@pytest.mark.parametrize("number", [m.type for m in ICMPV6 if m.through == "refused"])
def test_what_neighbours_say_goes_no_further_than_the_link(number: int) -> None:
    assert decided("office", OFFICE, "fd12:3456:789a:1::21", number) == "same-area"
    assert decided("office", OFFICE, "ff05::2", number) == "multicast"


def test_a_redirect_to_the_gateway_is_refused() -> None:
    """It must come from a link-local address (RFC 4861 section 8.1)."""
    assert decided("office", "fe80::20", GATEWAY, 137) == "forged"
    assert decided("copper", "fe80::20", GATEWAY, 137) == "forged"


@pytest.mark.parametrize("number", [m.type for m in ICMPV6 if m.through == "charter"])
def test_the_charter_decides_what_the_table_leaves_to_it(number: int) -> None:
    assert decided("office", OFFICE, BARN, number) == "default"
    at_gateway = "echo" if number == ECHO_REQUEST6 else "default"
    assert decided("office", OFFICE, GATEWAY, number) == at_gateway


@pytest.mark.parametrize("number", [m.type for m in ICMPV4 if m.through == "charter"])
def test_the_charter_decides_what_the_ipv4_table_leaves_to_it(number: int) -> None:
    assert decided("office", "10.24.3.9", "10.24.4.9", number) == "default"
    at_gateway = "echo" if number == ECHO_REQUEST4 else "default"
    assert decided("office", "10.24.3.9", "10.24.3.1", number) == at_gateway
