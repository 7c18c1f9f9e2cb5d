"""The kit's own dnsmasq puts an address into the sets of its place before it tells it, and the kernel
keeps it there as the steward's texts say: Debian's dnsmasq 2.90, nft 1.0.6, by UDP and TCP."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.render import render
from netcharter.render.leading import ANSWERED, CONF, LASTING
from netcharter.steward.nft import TABLE, dropped, elements, renewed
from netcharter.steward.shapes import Renewal
from tests.kernel.namespace import run, written

pytestmark = pytest.mark.kernel

ROOT = Path(__file__).parents[2]
CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
places:
  pay-desk: {domains: [pay.example, büch.example]}
rules:
  - {let: hall, reach: pay-desk, with: https, because: cards}
"""
A, B, SIX = "192.0.2.1", "192.0.2.2", "2001:db8::1"
LED, ASKED = "nc_led4_pay-desk", "nc_asked4_pay-desk"
# In the place of unbound: names lead by another name to two addresses, good for hours.
UPSTREAM = f"""
import selectors, socket, struct
from dns import flags, message, rrset
def answer(data):
    asked = message.from_wire(data)
    reply = message.make_response(asked)
    reply.flags |= flags.RA
    name, kind = asked.question[0].name, asked.question[0].rdtype
    if kind == 1:
        reply.answer.append(rrset.from_text(name, 7200, "IN", "CNAME", "edge.example.net."))
        reply.answer.append(rrset.from_text("edge.example.net.", 7200, "IN", "A", "{A}", "{B}"))
    elif kind == 28:
        reply.answer.append(rrset.from_text(name, 7200, "IN", "AAAA", "{SIX}"))
    return reply.to_wire()
udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); udp.bind(("127.0.0.1", 5334))
tcp = socket.socket(); tcp.bind(("127.0.0.1", 5334)); tcp.listen()
ready = selectors.DefaultSelector()
for one in (udp, tcp):
    ready.register(one, selectors.EVENT_READ)
open("ready", "w").close()
while True:
    for key, _ in ready.select():
        if key.fileobj is udp:
            data, asker = udp.recvfrom(65535)
            udp.sendto(answer(data), asker)
        else:
            one, _ = tcp.accept()
            with one:
                length = struct.unpack("!H", one.recv(2))[0]
                found = answer(one.recv(length))
                one.sendall(struct.pack("!H", len(found)) + found)
"""
ASK = """
import subprocess, sys, time
from dns import message, query
def held(name):
    command = ["nft", "list", "set", "inet", "netcharter", name]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout
for name, kind, by in (("pay.example", "A", query.udp), ("www.xn--bch-hoa.example", "AAAA", query.tcp),
                       ("other.example", "A", query.udp), ("www.pay.example", "A", query.tcp)):
    end = time.monotonic() + 20.0
    while True:
        try:
            found = by(message.make_query(name, kind), "127.0.0.1", port=5335, timeout=5.0)
            break
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
    records = [one for each in found.answer for one in each if each.rdtype in (1, 28)]
    # Looked up at once: whatever was told has to be there by now.
    led = held("nc_led4_pay-desk") + held("nc_led6_pay-desk")
    told = [str(one) for one in records if f" {one} " in led.replace(",", " ")]
    print(name, kind, max(each.ttl for each in found.answer), len(records), *sorted(told))
"""
TURN = f"""
import socket
from datetime import UTC, datetime
from zoneinfo import ZoneInfo
from netcharter.steward.duties.leading import State, decide
from netcharter.steward.loop.leading import leads, renew
from netcharter.steward.shapes import Clock, Facts, Led, Schedule
led = (Led("pay-desk", "{LED}", "{ASKED}"),)
talking = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
talking.sendto(b"x", ("{B}", 9))
schedule = Schedule("Hut", ZoneInfo("UTC"), {{}}, (), (), (), led=led)
found = leads(led)
decision = decide(State(), Facts(Clock(True), schedule=schedule, leads=found), datetime.now(UTC))
for effect in decision.effects:
    print(sorted(found.sets["{LED}"]), *effect.renewals)
    renew(effect.renewals)
print({{address: left > 1700 for address, left in leads(led).sets["{LED}"].items()}})
"""
BEGIN = """
ip link set dev lo up
load_ruleset
$PYTHON upstream.py & upstream=$!
for _ in $(seq 300); do [ ! -e ready ] || break; sleep 0.1; done
$DNSMASQ --keep-in-foreground --log-facility=- --pid-file= --user=root --group= --conf-file=$PWD/CONF &
dnsmasq=$!
$PYTHON ask.py > told
kill $dnsmasq $upstream; wait || :
list() { nft -j list set inet netcharter $1; }
"""


def ran(folder: Path, script: str) -> str:
    dnsmasq = path_of("dnsmasq")
    if dnsmasq is None:
        pytest.skip("NOBODY LOOKED WHERE NAMES LEAD: no dnsmasq is here (tools/setup demo)")
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    written(render(make_plan(charter)).files, folder)
    (folder / "upstream.py").write_text(UPSTREAM)
    (folder / "ask.py").write_text(ASK)
    begin = BEGIN.replace("CONF", CONF).replace("$DNSMASQ", dnsmasq)
    return run((begin + script).replace("$PYTHON", sys.executable), folder)


def test_what_is_told_is_in_the_set_by_then(tmp_path: Path) -> None:
    found = ran(tmp_path, "cat told")
    assert found.splitlines() == [
        f"pay.example A {ANSWERED} 2 {A} {B}",
        f"www.xn--bch-hoa.example AAAA {ANSWERED} 1 {SIX}",
        f"other.example A {ANSWERED} 2 {A} {B}",  # it is not asked for such names in a kit
        f"www.pay.example A {ANSWERED} 2 {A} {B}",
    ]


def test_the_steward_renews_and_lets_go(tmp_path: Path) -> None:
    """B was asked for and is renewed, A is let go; then A is asked for in the midst of a turn."""
    (tmp_path / "renew.nft").write_text("".join(renewed(Renewal(LED, ASKED, (A, B), ()))))
    (tmp_path / "drop.nft").write_text(dropped(Renewal(LED, ASKED, (), (A,)), A))
    short = f"delete element {TABLE} {LED} {{ {A}, {B} }}; add element {TABLE} {LED}"
    steps = [
        f"nft '{short} {{ {A} timeout 9s, {B} timeout 9s }}'",
        "nft -f renew.nft",
        f"list {LED}; list {ASKED}",
        f"nft 'add element {TABLE} {ASKED} {{ {A} }}'; ! nft -f drop.nft 2> /dev/null",
        f"list {LED}",
        f"nft 'delete element {TABLE} {ASKED} {{ {A} }}'; nft -f drop.nft",
        f"list {LED}; list {ASKED}",
    ]
    lines = ran(tmp_path, "\n".join(steps)).splitlines()
    renewed_, asked, kept, gone, after = (elements(line.encode()) for line in lines)
    assert renewed_.keys() == {A, B} and min(renewed_.values()) > LASTING - 100
    assert asked == {}
    assert kept.keys() == {A, B}
    assert gone.keys() == {B} and after == {}


def test_a_turn_of_the_steward_keeps_what_is_in_use(tmp_path: Path) -> None:
    """A was asked for, with B somebody is connected, and with a third address nobody is."""
    (tmp_path / "turn.py").write_text(TURN)
    flush = f"flush set {TABLE} {LED}; flush set {TABLE} {ASKED}; add element {TABLE}"
    steps = [
        "ip address add 198.51.100.9/24 dev lo; ip route add 192.0.2.0/24 dev lo",
        "nft flush chain inet netcharter nc_output",
        "nft 'chain inet netcharter nc_output { policy accept; }'",
        # Only what rules ask of it is tracked.
        "nft 'add table ip t; add chain ip t o { type filter hook output priority 0; }'",
        "nft 'add rule ip t o ct state new counter'",
        f"nft '{flush} {ASKED} {{ {A} }}'",
        f"nft 'add element {TABLE} {LED} {{ {A} timeout 9s, {B} timeout 9s, 192.0.2.3 timeout 9s }}'",
        "$PYTHON turn.py",
    ]
    first, last = ran(tmp_path, "\n".join(steps)).splitlines()
    assert f"renewed=('{A}', '{B}'), dropped=('192.0.2.3',)" in first
    assert eval(last, {}) == {A: True, B: True}
