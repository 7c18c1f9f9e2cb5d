"""Which open conversations a plan refuses: by what is known of each, and never by a guess.

The texts are in the form that Linux's nf_conntrack_standalone.c writes them (`/proc/net/
nf_conntrack`) and that conntrack(8) shows; tests/lab/test_tracking.py holds the reading against a
kernel's.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from ipaddress import ip_address
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.plan import labels
from netcharter.plan.coding import NOBODY
from netcharter.plan.fate import Attempt, Environment, Outcome, fate
from netcharter.plan.shapes import Plan
from netcharter.proofs.conversations import (
    Again,
    Around,
    Conversation,
    Ends,
    Neighbour,
    _Judge,
    decided_again,
    seated,
)
from netcharter.proofs.management import Session
from netcharter.proofs.neighbours import neighbour_table
from netcharter.proofs.story import stranger
from tests.proofs.sites import NOW, charter, planned
from tests.proofs.tracked_text import conversations_of

DESK, STRANGER = 0x0200_00AA_0001, 0x0200_00BB_0009
LINES = """
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth9, address: automatic, role: standby}
"""
AREAS = """
  home: {device: eth1, prefix: 10.1.0.0/24}
  yard: {device: eth2, prefix: 10.2.0.0/24}
  club: {device: eth3, prefix: 10.3.0.0/24, sign-in: required}
"""
RULES = """
  - {let: desk, reach: yard, with: ssh, because: repairs}
  - {let: home, reach: internet, with: https, during: day, because: daily work}
  - {let: wardens, reach: bank, with: https, because: the float}
  - {let: mast, reach: gateway, with: tcp/8443, because: care from afar}
"""
OFFERS = "\n  - {offer: https, on: dsl, to: shop}\n"


def plan(**sections: str) -> Plan:
    usual = {"lines": LINES, "areas": AREAS, "rules": RULES, "offers": OFFERS}
    return planned(charter(**{**usual, **sections}))


def home() -> tuple[str, str]:
    """The addresses of desk, and of shop in yard."""
    found = {one.name: str(one.addresses4[0]) for one in plan().devices}
    return found["desk"], found["shop"]


def tcp(
    source: str, destination: str, port: int, mark: int = 0, to: tuple[str, int] | None = None
) -> Conversation:
    """A conversation, perhaps delivered elsewhere."""
    a, b = ip_address(source), ip_address(destination)
    c, really = (ip_address(to[0]), to[1]) if to else (b, port)
    return Conversation(6, Ends(a, b, (40000, port)), Ends(c, a, (really, 40000)), mark)


def near(*known: tuple[str, str, int | None]) -> dict[str, object]:
    table = {ip_address(a): (Neighbour(device, number),) for a, device, number in known}
    return {"neighbours": table}


def again(
    one: Conversation, at: datetime = NOW, spared: tuple[Session, ...] = (), **known: object
) -> str:
    """`cut`, `doubtful` or `kept`."""
    around = Around(at, frozenset({"dsl", "mast"}), **known)  # type: ignore[arg-type]
    found = decided_again(plan(), [one], around, spared)
    return _kind(found)


def _kind(found: Again) -> str:
    assert len(found.cut) + len(found.doubtful) + found.kept == 1
    return "cut" if found.cut else "doubtful" if found.doubtful else "kept"


DESK4, SHOP4 = home()
EVENING = NOW + timedelta(hours=9)
AT_DESK = near((DESK4, "eth1", DESK))
REPAIR = tcp(DESK4, SHOP4, 22)
OUT = tcp(DESK4, "9.9.9.9", 443)
FLOAT = tcp("10.3.0.9", "198.51.100.66", 443)
IN_CLUB = near(("10.3.0.9", "eth3", STRANGER))
ROWAN: dict[object, str] = {("club", ip_address("10.3.0.9"), STRANGER): "rowan"}
OFFERED = tcp("9.9.9.9", "203.0.113.10", 443, 1, (SHOP4, 443))
CARE = tcp("9.9.9.9", "100.64.7.2", 8443)
LEARNT: dict[str, object] = {"lines": {"mast": [ip_address("100.64.7.2")]}}

CASES: list[tuple[str, str, Conversation, dict[str, object]]] = [
    ("what is let stays", "kept", REPAIR, AT_DESK),
    ("from another hardware address", "cut", REPAIR, near((DESK4, "eth1", STRANGER))),
    ("whose hardware address is not known", "doubtful", REPAIR, {}),
    ("not resolved", "doubtful", REPAIR, near((DESK4, "eth1", None))),
    ("seen behind another device", "cut", REPAIR, near((DESK4, "eth2", DESK))),
    ("seen behind a device nobody knows", "cut", REPAIR, near((DESK4, "eth7", DESK))),
    ("refused, whatever the hardware address", "cut", tcp(DESK4, SHOP4, 23), {}),
    ("in the hours", "kept", OUT, AT_DESK),
    ("after hours", "cut", OUT, {**AT_DESK, "at": EVENING}),
    ("somebody signed in", "kept", FLOAT, {**IN_CLUB, "signed": ROWAN}),
    ("nobody signed in", "cut", FLOAT, IN_CLUB),
    ("an offer", "kept", OFFERED, {}),
    ("an offer, delivered elsewhere", "cut", replace(
        OFFERED, answered=replace(OFFERED.answered, source=ip_address(DESK4))), {}),
    ("an offer, on another port", "cut", tcp("9.9.9.9", "203.0.113.10", 443, 1, (SHOP4, 80)), {}),
    ("an offer's address, not translated", "cut", tcp("9.9.9.9", "203.0.113.10", 443, 1), {}),
    ("let, but translated by somebody", "cut",
     tcp(DESK4, SHOP4, 22, 0, ("10.2.0.99", 22)), AT_DESK),
    ("by the line of its mark", "kept", replace(CARE, mark=2), LEARNT),
    ("by the other line", "cut", replace(CARE, mark=1), LEARNT),
    ("by one of the lines", "doubtful", CARE, LEARNT),
    ("marks of an earlier kit", "kept", replace(CARE, mark=1), {**LEARNT, "numbers": {1: "mast"}}),
    ("a line that is gone", "doubtful", replace(CARE, mark=1), {**LEARNT, "numbers": {1: "old"}}),
    ("to an address nobody has", "cut", replace(CARE, mark=2), {}),
    ("the gateway's own", "kept", tcp("203.0.113.10", "9.9.9.9", 443), {}),
    ("the gateway's own, refused", "cut", tcp("203.0.113.10", "9.9.9.9", 25), {}),
    ("within the gateway", "kept", tcp("127.0.0.1", "127.0.0.1", 25), {}),
    ("from an address that it no longer has", "cut", tcp("10.99.0.1", "9.9.9.9", 443),
     {"own": [ip_address("10.99.0.1")]}),
    ("from an area that was renumbered", "cut", tcp("10.99.0.7", "9.9.9.9", 443),
     near(("10.99.0.7", "eth1", DESK))),
]  # fmt: skip


@pytest.mark.parametrize(
    ("wanted", "one", "known"), [c[1:] for c in CASES], ids=[c[0].replace(" ", "-") for c in CASES]
)
def test_a_conversation_is_decided_again(
    wanted: str, one: Conversation, known: dict[str, object]
) -> None:
    assert again(one, **known) == wanted  # type: ignore[arg-type]


ANYWHERE = [
    *("0.0.0.0", "255.255.255.255", "224.0.0.251", "127.0.0.1", "169.254.1.1", "9.9.9.9"),
    *("10.1.0.1", "10.3.0.7", "198.51.100.9", "203.0.113.10", DESK4, SHOP4),
    *("::", "::1", "fe80::1", "ff02::1", "2001:db8::1", "::ffff:192.0.2.1", "2001:db8:7::9"),
]
SERVICES = [(6, (1, 443)), (6, (1, 22)), (6, (0, 0)), (17, (5, 53)), (1, (7, 2048)), (58, (7, 2048)),
            (58, (9, 136 << 8)), (47, None), (0, None)]  # fmt: skip


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("at", [NOW, EVENING], ids=["day", "evening"])
def test_what_is_asked_once_for_many_is_what_is_asked_for_each(at: datetime, signed: bool) -> None:
    """Whatever a kernel may track, hostile packets among it: the other witness is `plan.fate`, asked
    for every hardware address by itself."""
    known = plan()
    club = {("club", ip_address("10.3.0.7"), n): "rowan" for n in (DESK, stranger((DESK,)))}
    around = Around(at, frozenset({"dsl"}), signed=club if signed else {})
    judge = _Judge(known, around)
    let = 0
    for source, to in product(map(ip_address, ANYWHERE), repeat=2):
        for protocol, ports in SERVICES if source.version == to.version else ():
            sent = Ends(source, to, ports)
            one = Conversation(protocol, sent, Ends(to, source, ports))
            service = one.service
            assert service is not None
            wanted = set()
            for entrance, hardware in judge._starts(one):
                assert entrance is not None
                codes = judge._code(source), hardware, judge._code(to)
                person = around.signed.get((entrance, source, hardware), NOBODY)
                environment = Environment(around.up, person, at)
                wanted.add(_told(fate(known, Attempt(entrance, *codes, service), environment)))
            found = {_told(o) for o in judge._outcomes(one, service) if o is not None}
            assert found == wanted, one
            let += any(outcome[0] for outcome in found)
    assert let > 50


def _told(found: Outcome) -> tuple[object, ...]:
    return found.let, found.manner, found.delivered, found.row.label


def test_ping_and_protocols_without_ports() -> None:
    ping = Conversation(
        1,
        Ends(ip_address(DESK4), ip_address("10.1.0.1"), (7, 8 << 8)),
        Ends(ip_address("10.1.0.1"), ip_address(DESK4), (7, 0)),
    )
    assert again(ping, **AT_DESK) == "kept"  # type: ignore[arg-type]
    tunnel = Conversation(47, replace(ping.sent, ports=None), replace(ping.answered, ports=None))
    assert again(tunnel, **AT_DESK) == "cut"  # type: ignore[arg-type]
    blind = replace(tunnel, protocol=33)  # DCCP, whose ports newer kernels do not track
    assert again(blind, **AT_DESK) == "doubtful"  # type: ignore[arg-type]


def test_hosts_without_an_address_are_nobodys_doubt() -> None:
    asking = Conversation(
        17,
        Ends(ip_address("0.0.0.0"), ip_address("255.255.255.255"), (68, 67)),
        Ends(ip_address("255.255.255.255"), ip_address("0.0.0.0"), (67, 68)),
    )
    assert again(asking) == "kept"


def test_the_session_one_administers_by_is_spared_whoever_began() -> None:
    """Connection tracking that was begun in the middle may take the gateway for the one who asks."""
    one = tcp("10.1.0.1", DESK4, 50022)
    one = replace(
        one,
        sent=replace(one.sent, ports=(22, 50022)),
        answered=replace(one.answered, ports=(50022, 22)),
    )
    session = Session(ip_address(DESK4), 50022, ip_address("10.1.0.1"), 22)
    assert again(one, **AT_DESK) == "cut"  # type: ignore[arg-type]
    assert again(one, spared=(session,)) == "kept"
    assert again(one, spared=(replace(session, client_port=50023),)) == "cut"


def test_the_neighbour_table_tells_where_a_session_comes_in() -> None:
    session = Session(ip_address("fe80::1"), 50022, ip_address("fe80::2"), 22)
    one, other = Neighbour("eth1", DESK), Neighbour("eth2", STRANGER)
    found = seated(session, {session.client: [one]})
    assert (found.device, found.hardware) == ("eth1", DESK)
    assert seated(session, {session.client: [one, other]}) == session
    assert seated(session, {}) == session
    at = replace(session, device="eth2")
    assert seated(at, {session.client: [one, other]}).hardware == STRANGER
    assert seated(at, {session.client: [one]}) == at


def test_what_is_said_of_them() -> None:
    around = Around(NOW, frozenset({"dsl"}), **AT_DESK)  # type: ignore[arg-type]
    found = decided_again(plan(), [tcp(DESK4, SHOP4, 23), REPAIR], around)
    assert found.kept == 1
    shape = found.as_json()
    assert shape == {
        "cut": [
            {
                "sentence": f"desk ({DESK4}) with shop ({SHOP4}), telnet (tcp/23): refused by the"
                " default",
                "decided_by": ["the default"],
            }
        ],
        "doubtful": [],
        "kept": 1,
        "finishing": 0,
    }


def test_marks_carry_the_line_in_their_lowest_bits() -> None:
    assert labels.LINE_MASK == 0xF  # docs/explanation/kit.md, "The connection mark"
    assert again(replace(CARE, mark=0xABCD_0002 & ~0xD), **LEARNT) == "kept"  # type: ignore[arg-type]


# --- what a kernel writes ------------------------------------------------------------------------

TEXT = """\
ipv4     2 tcp      6 431999 ESTABLISHED src=10.1.0.5 dst=10.2.0.6 sport=40000 dport=22 \
src=10.2.0.6 dst=10.1.0.5 sport=22 dport=40000 [ASSURED] mark=86017 zone=0 use=2
tcp      6 431999 ESTABLISHED src=10.1.0.5 dst=10.2.0.6 sport=40000 dport=22 \
src=10.2.0.6 dst=10.1.0.5 sport=22 dport=40000 [ASSURED] mark=1 use=1 id=77
ipv6     10 udp      17 29 src=2001:0db8:0000:0000:0000:0000:0000:0005 dst=2001:db8::6 \
sport=5000 dport=53 [UNREPLIED] src=2001:db8::6 dst=2001:db8::5 sport=53 dport=5000 zone=3 use=2
icmp     1 29 src=10.1.0.5 dst=10.1.0.1 type=8 code=0 id=9 src=10.1.0.1 dst=10.1.0.5 type=0 \
code=0 id=9 mark=0 use=1
unknown  47 599 src=10.1.0.5 dst=9.9.9.9 src=9.9.9.9 dst=203.0.113.10 mark=0 use=1
"""


def test_lines_are_read() -> None:
    read = conversations_of(TEXT)
    assert not read.unread
    plain, numbered, six, ping, tunnel = read.conversations
    assert (plain.mark, plain.number, numbered.mark, numbered.number) == (86017, None, 1, 77)
    assert plain.sent == numbered.sent and plain.sent.ports == (40000, 22)
    assert (six.zone, six.protocol, six.sent.ports) == (3, 17, (5000, 53))
    assert six.sent.source == ip_address("2001:db8::5")
    assert ping.service == (1 << 16) + (8 << 8) and ping.number is None
    assert tunnel.service == 47 << 16 and tunnel.moved is None
    assert tunnel.answered.destination == ip_address("203.0.113.10")


@pytest.mark.parametrize(
    "line",
    ["conntrack v1.4.7 (conntrack-tools): 2 flow entries have been shown.", "tcp 6",
     "tcp 6 1 src=10.1.0.5 dst=10.2.0.6 sport=1 dport=2",
     "tcp 6 1 src=10.1.0.5 dst=::1 sport=1 dport=2 src=::1 dst=10.1.0.5 sport=2 dport=1",
     "tcp 6 1 src=10.1.0.5 dst=x sport=1 dport=2 src=x dst=10.1.0.5 sport=2 dport=1",
     "tcp 6 1 src=10.1.0.5 dst=10.2.0.6 sport=1 src=10.2.0.6 dst=10.1.0.5 dport=1",
     "tcp 6 1 src=10.1.0.5 dst=10.2.0.6 sport=1 dport=70000 src=10.2.0.6 dst=10.1.0.5 sport=2",
     "tcp x 1 src=10.1.0.5 dst=10.2.0.6 src=10.2.0.6 dst=10.1.0.5"],
)  # fmt: skip
def test_what_is_no_conversation_is_told(line: str) -> None:
    read = conversations_of(line + "\n\n")
    assert read.unread == (line,) and not read.conversations


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="tcp 6srcdport=.:10\n\t[]\u00b9\x00", max_size=200))
def test_no_text_breaks_the_reading(text: str) -> None:
    read = conversations_of(text)
    assert len(read.conversations) + len(read.unread) <= len(text.splitlines())
    table = neighbour_table(text)
    assert table is None or not table.found


def test_neighbours_are_read() -> None:
    """As `ip -j neigh` prints them (iproute2 6.1)."""
    table = neighbour_table(
        '[{"dst":"10.1.0.5","dev":"eth1","lladdr":"02:00:00:aa:00:01","state":["REACHABLE"]},'
        '{"dst":"10.1.0.6","dev":"eth1","state":["FAILED"]},'
        '{"dst":"10.1.0.7","dev":"eth1","lladdr":"00:00:00:00:fe:80:00:01","state":["STALE"]},'
        '{"dst":"fe80::1","dev":"eth1","lladdr":"02:00:00:aa:00:01","state":["STALE"]},'
        '{"dst":"fe80::1","dev":"eth2","lladdr":"02:00:00:aa:00:02","router":null,"state":[]},'
        '{"dev":"eth2"}, 7, {"dst": 5, "dev": "eth1"}]'
    )
    assert table is not None and table.odd == 3
    assert table.found == {
        ip_address("10.1.0.5"): (Neighbour("eth1", DESK),),
        ip_address("10.1.0.7"): (Neighbour("eth1", None),),
        ip_address("fe80::1"): (Neighbour("eth1", DESK), Neighbour("eth2", 0x0200_00AA_0002)),
    }
    assert neighbour_table("{}") is neighbour_table("[" * 9999) is None
