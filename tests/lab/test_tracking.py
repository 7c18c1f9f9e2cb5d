"""Conversations cut one by one at a gateway of namespaces: what a new kit refuses ends, and what it
lets goes on. What is listed is held against the kernel's own text (`/proc/net/nf_conntrack`).
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path

import pytest

from netcharter.lab import isolation, loading, tools
from netcharter.lab.site import Site
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import GATEWAY
from netcharter.proofs.conversations import Again, Around, decided_again
from netcharter.proofs.management import Session
from netcharter.proofs.neighbours import neighbour_table
from netcharter.render import render
from netcharter.rollout.run.netlink import Netfilter
from netcharter.tasks.enacting import tracked
from tests.lab.rehearsing import SMALL, planned
from tests.lab.sites import PATIENCE, SILENCE, at_site, end, possible, tcp, udp
from tests.proofs.tracked_text import conversations_of

pytestmark = pytest.mark.kernel

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
REPAIRS = "  - {let: office, reach: [barn, tills], with: ssh, because: repairs}\n"


def before() -> Plan:
    return planned(SMALL)


def after() -> Plan:
    """The same without the rule that lets office reach the barn by ssh."""
    assert REPAIRS in SMALL
    return planned(SMALL.replace(REPAIRS, ""))


def address(plan: Plan, name: str) -> str:
    (found,) = (one for one in plan.devices if one.name == name)
    return str(found.addresses4[0])


def gateway(plan: Plan, name: str) -> str:
    (found,) = (one for one in plan.areas if one.name == name)
    return str(found.gateway4)


Talk = tuple[socket.socket, socket.socket]


@contextmanager
def talk(site: Site, sender: str, receiver: str, to: str, port: int) -> Iterator[Talk]:
    """A connection that stays open: both its ends."""
    with ExitStack() as stack:
        listener = stack.enter_context(
            end(site, receiver, socket.AF_INET, socket.SOCK_STREAM, PATIENCE)
        )
        asking = stack.enter_context(
            end(site, sender, socket.AF_INET, socket.SOCK_STREAM, PATIENCE)
        )
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("", port))
        listener.listen()
        asking.connect((to, port))
        answering, _ = listener.accept()
        yield asking, stack.enter_context(answering)


def goes_on(ends: Talk) -> bool:
    """Does a word still get through, both ways?"""
    asking, answering = ends
    asking.settimeout(SILENCE)
    answering.settimeout(SILENCE)
    try:
        asking.sendall(b"still there?")
        if answering.recv(99) != b"still there?":
            return False
        answering.sendall(b"yes")
        return asking.recv(99) == b"yes"
    except OSError:
        return False


def judged_there(site: Site, plan: Plan, kernel: Netfilter) -> Again:
    with isolation.inside(site.places[GATEWAY].namespace):
        table = neighbour_table(tools.run(("ip", "-j", "neigh")))
    assert table is not None and not table.odd
    up = frozenset(line.name for line in plan.lines)
    around = Around(NOW, up, neighbours=table.found)
    return decided_again(plan, tracked.conversations(kernel), around)


def test_what_is_refused_now_is_cut_and_the_rest_goes_on() -> None:
    possible(as_user=False)
    old, new = before(), after()

    def work(site: Site) -> tuple[list[bool], list[str], int, tuple[int, ...]]:
        seen = []
        ssh = talk(site, "desk", GATEWAY, gateway(old, "office"), 22)
        repair = talk(site, "desk", "booking", address(old, "booking"), 22)
        with ssh as kept, repair as gone:
            seen += [goes_on(kept), goes_on(gone)]
            with isolation.inside(site.places[GATEWAY].namespace):
                loading.load(render(new).files["nftables.nft"].decode())
                with Netfilter() as kernel:
                    seen += [goes_on(kept), goes_on(gone)]  # established: the filter lets both
                    found = judged_there(site, new, kernel)
                    done = tuple(tracked.cut(kernel, one.conversation) for one in found.cut)
                    again = tuple(tracked.cut(kernel, one.conversation) for one in found.cut)
            seen += [goes_on(kept), goes_on(gone)]
            told = [one.sentence for one in (*found.cut, *found.doubtful)]
            return seen, told, found.kept, (*map(int, done), *map(int, again))

    seen, told, kept, done = at_site(old, work)
    assert seen == [True, True, True, True, True, False]
    (sentence,) = told
    assert "desk" in sentence and "booking" in sentence and "the default" in sentence
    assert kept == 1
    assert done == (1, 0)  # cut, and then no longer there


def test_a_delivery_to_another_host_is_cut_too() -> None:
    """The offer stays, but leads elsewhere now: what stands goes to the wrong host."""
    possible(as_user=False)
    offer = "{offer: https, on: copper, to: booking, because: bookings}"
    assert offer in SMALL
    new = planned(SMALL.replace(offer, offer.replace("to: booking", "to: till-1")))
    stays = before()

    def work(site: Site) -> tuple[list[list[str]], int]:
        gateways = site.places[GATEWAY].namespace
        standing = talk(site, "copper", "booking", "203.0.113.10", 443)
        with standing, isolation.inside(gateways), Netfilter() as kernel:
            found = [judged_there(site, plan, kernel) for plan in (stays, new)]
        return [[one.sentence for one in each.cut] for each in found], found[0].kept

    told, kept = at_site(stays, work)
    assert told[0] == [] and kept == 1
    assert len(told[1]) == 1 and "no longer delivered there" in told[1][0]


WATCHING = """table inet watching {
    chain seen {
        type filter hook input priority 0
        ct state new counter
    }
}
"""


@pytest.mark.parametrize("known", [False, True], ids=["not-tracked", "tracked"])
def test_a_session_outlives_a_first_kit_only_if_it_was_tracked_before(known: bool) -> None:
    """Nothing asks a stock host to track conversations. What the kit does not know from before is
    invalid, since it takes no TCP conversation in the middle (`nf_conntrack_tcp_loose`, kernel
    documentation nf_conntrack-sysctl); a rule that asks for the state makes it known.
    """
    possible(as_user=False)
    plan = before()
    kit = render(plan).files

    def work(site: Site) -> tuple[bool, bool, bool]:
        gateways = site.places[GATEWAY].namespace
        loose = Path("/proc/sys/net/netfilter/nf_conntrack_tcp_loose")
        with isolation.inside(gateways):
            tools.run(("nft", "flush", "ruleset"))
            loose.write_text("1", "ascii")  # as a stock host has it
        standing = talk(site, "desk", GATEWAY, gateway(plan, "office"), 22)
        with standing as ends, isolation.inside(gateways), Netfilter() as kernel:
            spoken = goes_on(ends)
            if known:
                tools.run(("nft", "-f", "-"), WATCHING)
                spoken = goes_on(ends) and spoken
            asking = ends[0].getsockname()
            session = Session(ip_address(asking[0]), asking[1], *_peer(ends), "eth2")
            known_there = any(one.is_of(session) for one in tracked.conversations(kernel))
            loading.load(kit["nftables.nft"].decode())
            loose.write_text("0", "ascii")  # as the kit's sysctl.conf has it
            return spoken, known_there, goes_on(ends)

    assert "nf_conntrack_tcp_loose = 0" in kit["sysctl.conf"].decode()
    assert at_site(plan, work) == (True, known, known)


def _peer(ends: Talk) -> tuple[IPv4Address | IPv6Address, int]:
    name = ends[0].getpeername()
    return ip_address(name[0]), name[1]


def test_netlink_and_the_kernels_text_tell_the_same() -> None:
    possible(as_user=False)
    plan = before()
    if not Path("/proc/net/nf_conntrack").exists():
        pytest.skip("ONE LAB TEST DID NOT RUN: this kernel has no /proc/net/nf_conntrack")

    def work(site: Site) -> tuple[object, ...]:
        desk, booking = address(plan, "desk"), address(plan, "booking")
        tcp(site, "copper", "9.9.9.9", "booking", "203.0.113.10", 443)
        tcp(site, "desk", desk, "booking", booking, 22)
        udp(site, "desk", desk, gateway(plan, "office"), 53)
        with isolation.inside(site.places[GATEWAY].namespace), Netfilter() as kernel:
            text = Path("/proc/thread-self/net/nf_conntrack").read_text("ascii")
            return tracked.conversations(kernel), conversations_of(text)

    listed, read = at_site(plan, work)
    assert not read.unread  # type: ignore[attr-defined]
    plain = {replace(one, number=None) for one in listed}  # type: ignore[attr-defined]
    assert plain == set(read.conversations)  # type: ignore[attr-defined]
    assert {17, 6} == {one.protocol for one in plain}
    moved = {one.moved for one in plain}
    assert (ip_address(address(plan, "booking")), 443) in moved
