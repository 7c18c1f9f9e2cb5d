"""A till pays by the clock while a line fails and comes back, and a call loses nothing by the return.

till -- eth5                  eth0 (copper)
phone -- eth3   the gateway                   far: who is paid, who is called
desk -- eth2                  eth9 (mast)
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.cli.gateway import COPPER, DESK, FAR, MAST, Gateway, Machine, beside, gateway
from tests.rollout.bench import Bench
from tests.steward import busy
from tests.steward.test_lines_move import (
    FAILS,
    WATCH,
    WEB,
    eventually,
    far,
    stands,
    status,
    steward,
)

pytestmark = pytest.mark.kernel

LONGEST = 10.0  # seconds without a payment: what Netcharter promises of new conversations
LONG = 120.0  # seconds for what takes as long as it takes
SOME = 4  # payments, in each state of the lines
NOW_AND_THEN = 2.0  # seconds between two words of the phone with its exchange; oftener is a call
OFTEN = 0.5  # seconds between two words of a session in the office
HTTPS, SIP = 443, 5060  # IANA, service names
SOUND, PICTURE = 16384, 16386
TILL, PHONE = "10.7.1.4", "10.7.2.4"
CHARTER = f"""\
charter: 1
site: {{name: Hut, timezone: Europe/London, managed-from: desk}}
lines:
  copper: {{device: eth0, address: {COPPER}/29, next-hop: 203.0.113.9{WATCH}}}
  mast: {{device: eth9, address: {MAST}/28, next-hop: 192.0.2.17, role: standby{WATCH}}}
areas:
  office: {{device: eth2, prefix: 10.7.0.0/27}}
  tills: {{device: eth5, prefix: 10.7.1.0/28, strangers: refused}}
  phones: {{device: eth3, prefix: 10.7.2.0/28}}
devices:
  desk: {{area: office, hardware: '02:00:00:aa:00:01', address: {DESK}}}
  till: {{area: tills, hardware: '02:00:00:aa:00:04', address: {TILL}}}
  phone: {{area: phones, hardware: '02:00:00:aa:00:05', address: {PHONE}}}
services:
  rtp: [udp/16384-16483]
places:
  payments: {{prefixes: [198.51.100.64/28]}}
exits:
  - {{from: office, by: mast, because: long loads leave the copper to the rest}}
  - {{from: phones, with: [sip, rtp], by: [copper, mast], together: true, because: calls}}
rules:
  - {{let: tills, reach: payments, with: https, because: card payments, contact: bursar}}
  - {{let: phones, reach: internet, with: [sip, rtp], because: calls}}
  - {{let: office, reach: internet, with: [http, https], because: daily work}}
promises:
  - {{only: tills, reach: payments}}
"""
Record = dict[str, Any]


@dataclass
class Scene:
    """The gateway, its steward's socket, and the programs of those around it (busy.py)."""

    place: Gateway
    path: str
    far: Machine
    till: Machine
    phone: Machine
    desk: Machine

    def comes(self, copper: str) -> None:
        """Wait until the copper is so."""
        eventually(lambda: stands(self.path, "copper") == copper, LONG)

    def pays(self) -> None:
        """Wait for some payments more."""
        goal = self.till.do("payments_done") + SOME
        eventually(lambda: self.till.do("payments_done") >= goal, LONG)

    def staying(self) -> list[int]:
        return [one["staying"] for one in status(self.path)["lines"]]

    def calls(self, name: str, port: int) -> None:
        """The phone begins a stream, and is answered."""
        self.far.do("answers", name, FAR, port)
        self.phone.do("speaks", name, PHONE, FAR, port)
        eventually(lambda: bool(self.phone.do("heard", name)["numbers"]), LONG)

    def signs_on(self, name: str) -> int:
        """The phone begins a conversation for its signalling; the line by which that goes."""
        port = self.phone.do("stands", name, FAR, SIP, PHONE, NOW_AND_THEN)
        return line_of(self.place, PHONE, port)


def line_of(place: Gateway, source: str, port: int) -> int:
    """The line of the one conversation from an address and port, as it is marked. The till and the
    desk may have hit on the same port.
    """
    text = place.bench.sure(("cat", "/proc/net/nf_conntrack"))
    begun = f" src={source} dst={FAR} sport={port} "
    (found,) = [one for one in text.splitlines() if begun in one]
    return int(found.split("mark=")[1].split()[0]) & 15


def joined(here: Bench, there: Bench, device: str, hardware: str, address: str) -> None:
    """A host at a device of the gateway."""
    pid = there.way[there.way.index("-t") + 1]
    end = f"end-{device}"
    here.shell(
        f"ip link show {device} >/dev/null 2>&1 && ip link delete {device};"
        f"ip link add {device} type veth peer name {end} netns {pid}; ip link set {device} up"
    )
    there.shell(
        f"ip link set {end} address {hardware}; ip link set {end} up;"
        f"ip address add {address}/28 dev {end};"
        f"ip route add default via {address.rpartition('.')[0]}.1"
    )


@contextmanager
def scene(folder: Path) -> Iterator[Scene]:
    with gateway(folder) as place, ExitStack() as stack:
        ways = [place.far.way]
        for device, number, address in (("eth5", 4, TILL), ("eth3", 5, PHONE)):
            there = stack.enter_context(beside(place.bench))
            joined(place.bench, there, device, f"02:00:00:aa:00:0{number}", address)
            ways.append(there.way)
        place.kept(CHARTER)
        place.far.do("serve", WEB)
        place.far.do("serve", SIP)
        machines = [Machine(way, Path(busy.__file__)) for way in (*ways, place.desk.way)]
        for machine in machines:
            stack.callback(machine.close)
        with steward(place) as path:
            found = Scene(place, path, *machines)
            eventually(lambda: stands(path, "copper") == stands(path, "mast") == "up used", LONG)
            yield found


@pytest.mark.parametrize("how", list(FAILS))
def test_a_till_pays_throughout_and_no_call_is_lost_when_the_line_comes_back(
    tmp_path: Path, how: str
) -> None:
    pull, mend = FAILS[how]
    with scene(tmp_path) as now:
        now.far.do("is_paid", HTTPS)
        now.till.do("pays", FAR, HTTPS, TILL)
        port = now.desk.do("stands", "session", FAR, WEB, DESK, OFTEN)
        assert line_of(now.place, DESK, port) == 2
        now.pays()
        times = [time.monotonic()]
        far(now.place, pull)
        times.append(time.monotonic())
        now.comes("down left")
        now.pays()
        assert now.signs_on("signalling") == 2
        now.calls("call", SOUND)
        times.append(time.monotonic())
        far(now.place, mend)
        now.comes("up used")
        times.append(time.monotonic())
        now.calls("picture", PICTURE)  # what is begun in the midst of a call belongs to it
        now.pays()
        assert now.staying() == [0, 1]
        assert now.phone.do("said", "signalling")["fault"] == ""
        for name in ("call", "picture"):
            lost_nothing(now, name, MAST)
        eventually(lambda: now.staying() == [0, 0], LONG)
        assert now.signs_on("anew") == 1
        now.calls("next", SOUND)
        lost_nothing(now, "next", COPPER)
        session = now.desk.do("ends", "session")  # on the line that survived
        assert session["fault"] == "" and session["said"] > 0
        log, book = now.till.do("stops_paying"), now.far.do("book")
    each_is_paid_once(log, book)
    none_waits_longer_than_promised(log, times[1])
    each_goes_by_the_line_that_works(log, book, times)


def lost_nothing(now: Scene, name: str, address: str) -> None:
    """A call ends; every packet of it came, in either direction, by the one line."""
    sent = now.phone.do("quiet", name), now.far.do("quiet", name)
    for machine, count in ((now.far, sent[0]), (now.phone, sent[1])):
        assert count > 0
        eventually(lambda m=machine, c=count: len(m.do("heard", name)["numbers"]) >= c, LONG)  # type: ignore[misc]
        assert machine.do("heard", name)["numbers"] == list(range(count))
    assert now.far.do("heard", name)["sources"] == [address]
    assert now.phone.do("heard", name)["sources"] == [FAR]
    for machine in (now.phone, now.far):
        machine.do("hangs_up", name)


def each_is_paid_once(log: list[Record], book: list[Record]) -> None:
    """What the till has in its hand is what the other side has in its book."""
    assert [one["payment"] for one in log if len(one["receipts"]) != 1] == []
    paid = [one["payment"] for one in book if one["paid"]]
    assert len(set(paid)) == len(paid) == len(log)
    receipts = {payment: number for number, payment in enumerate(paid, 1)}
    assert {one["payment"]: one["receipts"][0] for one in log} == receipts
    asked = Counter((one["payment"], one["try"]) for one in book)
    assert set(asked.values()) == {1}


def none_waits_longer_than_promised(log: list[Record], pulled: float) -> None:
    done = sorted(one["tries"][-1]["ended"] for one in log)
    longest = max(after - before for before, after in pairwise(done))
    tries = [tried for one in log for tried in one["tries"]]
    moved = min(t["ended"] for t in tries if not t["fault"] and t["began"] > pulled)
    late = [t for t in tries if t["fault"] and t["began"] > moved]
    print(f"longest {longest:.1f} s, moved after {moved - pulled:.1f} s, {len(late)} tries late")
    assert longest <= LONGEST
    # Nobody is refused before or after; a try that only took too long is tried again.
    assert [t for t in late if t["fault"] != "TimeoutError"] == []
    early = [t for t in tries if t["fault"] and t["ended"] < pulled]
    assert [t for t in early if t["fault"] != "TimeoutError"] == []


def each_goes_by_the_line_that_works(
    log: list[Record], book: list[Record], times: list[float]
) -> None:
    """times: before and after the line fails, before it is mended, and when it is used again."""
    before, pulled, mended, back = times
    began = {
        (one["payment"], number): tried["began"]
        for one in log
        for number, tried in enumerate(one["tries"])
    }
    when = [(began[one["payment"], one["try"]], one["at"], one["source"]) for one in book]
    assert {source for _, at, source in when if at < before} == {COPPER}
    assert {source for first, at, source in when if first > pulled and at < mended} == {MAST}
    assert {source for first, _, source in when if first > back} == {COPPER}
