"""Kernel settings the decisions rely on, as text for `sysctl -p`.

Each block names why. A leading ``-`` marks keys that a kernel may lack; keys are written with
``/`` because a device name may contain dots.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan.shapes import Plan
from netcharter.render.escape import bare_device
from netcharter.render.exits import staying
from netcharter.render.routes import together

# (key, value, why and where from). Seconds.
TIMERS: tuple[tuple[str, int, str], ...] = (
    ("nf_conntrack_udp_timeout", 300, "UDP without reply: RFC 4787 REQ-5, 2 min, 5 min advised"),
    ("nf_conntrack_udp_timeout_stream", 300, "UDP with replies: RFC 4787 REQ-5"),
    ("nf_conntrack_icmp_timeout", 60, "ICMP queries: RFC 5508 REQ-2, 60 s"),
    ("nf_conntrack_icmpv6_timeout", 60, "the same for ICMPv6"),
    ("nf_conntrack_tcp_timeout_established", 7440, "RFC 5382 REQ-5, 2 h 4 min"),
    ("nf_conntrack_tcp_timeout_syn_sent", 240, "opening: RFC 5382 REQ-5, 4 min"),
    ("nf_conntrack_tcp_timeout_syn_recv", 240, "opening: RFC 5382 REQ-5"),
    ("nf_conntrack_tcp_timeout_fin_wait", 240, "closing: RFC 5382 REQ-5, RFC 7857 section 2.1"),
    ("nf_conntrack_tcp_timeout_close_wait", 240, "closing: RFC 5382 REQ-5"),
    ("nf_conntrack_tcp_timeout_last_ack", 240, "closing: RFC 5382 REQ-5"),
    ("nf_conntrack_tcp_timeout_time_wait", 240, "closed: RFC 5382 REQ-5"),
    ("nf_conntrack_tcp_timeout_close", 240, "after a reset: RFC 7857 section 2.2, 4 min"),
    ("nf_conntrack_tcp_timeout_unacknowledged", 300, "transitory: RFC 5382 REQ-5"),
    ("nf_conntrack_tcp_timeout_max_retrans", 300, "transitory: RFC 5382 REQ-5"),
    ("nf_conntrack_generic_timeout", 600, "other protocols: RFC 6092 REC-12, 2 min, 5 advised"),
)
SOURCE = 1  # of the fields that a hash may take, the source address (ip-sysctl)
DIALLED = ("net/ipv4/conf", "net/ipv6/conf")


def sysctl(plan: Plan) -> str:
    """The text; it is loaded after the ruleset, which brings conntrack and its keys with it."""
    lines: list[str] = []
    for title, settings in (
        ("packets are passed on", _forwarding()),
        ("our own decisions check sources, also with two lines (RFC 3704 section 2.2)", _trust()),
        ("per device", _devices(plan)),
        ("balanced lines: a device stays on one, by its address alone", _balanced(plan)),
        ("a TCP conversation begins with a SYN, and is not picked up halfway", _tracking(plan)),
        ("how long a conversation is remembered", _timers()),
        ("frames that a bridge passes on are not ours to decide", _bridges()),
    ):
        found = [*settings]
        lines += ["", f"# {title}", *found] if found else []
    return "\n".join(lines[1:]) + "\n"


def _forwarding() -> Iterator[str]:
    yield "net/ipv4/ip_forward = 1"
    yield "net/ipv6/conf/all/forwarding = 1"
    yield "net/ipv6/conf/default/forwarding = 1"


def _trust() -> Iterator[str]:
    for scope in ("all", "default"):
        yield from _scope(scope)
        yield f"net/ipv6/conf/{scope}/accept_ra = 0"
    yield "net/ipv4/icmp_echo_ignore_broadcasts = 1"
    yield "net/ipv4/icmp_ignore_bogus_error_responses = 1"
    yield "net/ipv4/tcp_syncookies = 1"


def _scope(scope: str) -> Iterator[str]:
    """One device, or all, or those to come. Redirects: RFC 1812 section 5.2.7.2 lets a router
    refrain; source routes: RFC 7126 section 4.3; broadcasts: RFC 2644."""
    yield f"net/ipv4/conf/{scope}/rp_filter = 0"
    yield f"net/ipv4/conf/{scope}/accept_redirects = 0"
    yield f"net/ipv4/conf/{scope}/secure_redirects = 0"
    yield f"net/ipv4/conf/{scope}/send_redirects = 0"
    yield f"net/ipv4/conf/{scope}/accept_source_route = 0"
    yield f"net/ipv4/conf/{scope}/bc_forwarding = 0"
    yield f"net/ipv4/conf/{scope}/accept_local = 0"
    yield f"net/ipv4/conf/{scope}/route_localnet = 0"
    yield f"net/ipv6/conf/{scope}/accept_redirects = 0"
    yield f"net/ipv6/conf/{scope}/accept_source_route = -1"


def _devices(plan: Plan) -> Iterator[str]:
    dialled = {line.device for line in plan.lines if line.pppoe is not None}
    for device in [*(line.device for line in plan.lines), *(area.device for area in plan.areas)]:
        # The device of a PPPoE session is there while it lasts, and begins with those to come.
        absent = "-" if device in dialled else ""
        each = (
            *_scope(bare_device(device)),
            # Where the first address of a network goes, the others stay (ip-sysctl).
            f"net/ipv4/conf/{device}/promote_secondaries = 1",
            f"net/ipv6/conf/{device}/forwarding = 1",
        )
        yield from (f"{absent}{setting}" for setting in each)
    for area in plan.areas:
        yield f"net/ipv6/conf/{area.device}/accept_ra = 0"
    for line in plan.lines:
        # 2: also on a machine that forwards. A line without carrier gives up its routes.
        absent = "-" if line.device in dialled else ""
        yield f"{absent}net/ipv6/conf/{line.device}/accept_ra = {2 if line.automatic else 0}"
        for family in DIALLED:
            yield f"{absent}{family}/{line.device}/ignore_routes_with_linkdown = 1"


def _balanced(plan: Plan) -> Iterator[str]:
    """What the kernel chooses by among the hops of a route (ip-sysctl: 3 is fields of our choice).
    Not for IPv6: there every source that is not the gateway's has its own line."""
    if together(plan, 4):
        yield f"net/ipv4/fib_multipath_hash_fields = {SOURCE}"
        yield "net/ipv4/fib_multipath_hash_policy = 3"


def _tracking(plan: Plan) -> Iterator[str]:
    yield "net/netfilter/nf_conntrack_tcp_loose = 0"
    yield "net/netfilter/nf_conntrack_tcp_be_liberal = 0"
    if staying(plan):
        yield "net/netfilter/nf_conntrack_acct = 1"  # packets tell when a call is over


def _timers() -> Iterator[str]:
    for key, seconds, source in TIMERS:
        yield f"# {source}"
        yield f"net/netfilter/{key} = {seconds}"


def _bridges() -> Iterator[str]:
    for family in ("iptables", "ip6tables", "arptables"):
        yield f"-net/bridge/bridge-nf-call-{family} = 0"
