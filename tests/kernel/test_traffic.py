"""Real packets through a loaded kit: what the interpreter cannot see, because the kernel does it.

Refusals that really arrive, translation that really happens, neighbours that find each other
although every discovery message is decided, and names of decisions that count.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from netcharter.plan import labels
from netcharter.plan.shapes import Plan
from netcharter.render import render
from tests.kernel.namespace import HOSTS, run, written
from tests.render.plans import small_plan

SITE = (
    HOSTS
    + """\
host world eth0 02:00:00:bb:00:01 203.0.113.9/29 203.0.113.10 2001:db8:7aff::1/64 2001:db8:7aff::2
ip -n world address add 198.51.100.70/32 dev lo
ip link add name eth1 type veth peer name peer1
host laptop eth2 02:00:00:aa:00:01 {laptop}/26 10.7.0.1 {laptop6}/64 2001:db8:7a00:1::1
host bunk eth3.20 02:00:00:cc:00:01 10.7.1.9/25 10.7.1.1 2001:db8:7a00:2::9/64 2001:db8:7a00:2::1
host stranger eth4 02:00:00:cc:00:02 10.7.2.9/28 10.7.2.1 2001:db8:7a00:3::9/64 2001:db8:7a00:3::1
host booking eth5 02:00:00:aa:00:02 {booking}/29 10.7.3.1 {booking6}/64 2001:db8:7a00:4::1
grep -v 'type vlan' links.batch | ip -batch -
sed 's/$/ nodad/; s/^#.*//' addresses.batch | ip -batch -
load_ruleset
sysctl -q -p sysctl.conf
echo 0 > /proc/sys/net/ipv4/icmp_ratelimit; echo 0 > /proc/sys/net/ipv6/icmp/ratelimit
ip -force -batch routes.batch; ip -6 -force -batch routes6.batch
servers=
trap 'kill $servers' EXIT
for name in world booking; do
  ip netns exec $name python3 serve.py > /dev/null 2>&1 & servers="$servers $!"
done
sleep 1
python3 ask.py
nft -j list counters > counters.json
"""
)

SERVE = """
import socket, threading
def serve(port):
    listener = socket.create_server(("::", port), family=socket.AF_INET6, dualstack_ipv6=True)
    while True:
        connection, peer = listener.accept()
        connection.sendall(peer[0].removeprefix("::ffff:").encode())
        connection.close()
for port in (80, 443, 5060, 5061):
    threading.Thread(target=serve, args=(port,), daemon=True).start()
threading.Event().wait(110)
"""

ASK = """
import json, subprocess
ONE = '''
import socket, sys
kind, source, to, port = sys.argv[1:]
family = socket.AF_INET6 if ":" in to else socket.AF_INET
s = socket.socket(family, socket.SOCK_STREAM if kind == "tcp" else socket.SOCK_DGRAM)
s.settimeout(1.5)
try:
    if source: s.bind((source, 0))
    s.connect((to, int(port)))
    if kind == "udp":
        s.send(b"x")
    print(s.recv(99).decode() or "closed")
except Exception as problem:
    print(type(problem).__name__, getattr(problem, "errno", ""))
'''
out = []
for host, *arguments in json.load(open("questions.json")):
    found = subprocess.run(["ip", "netns", "exec", host, "python3", "-c", ONE, *arguments],
                           capture_output=True, text=True)
    out.append(found.stdout.strip() + found.stderr)
json.dump(out, open("answers.json", "w"))
"""

RESET = "ConnectionRefusedError 111"
PROHIBITED = ("OSError 113", "PermissionError 13")  # EHOSTUNREACH for IPv4, EACCES for IPv6
SILENCE = "TimeoutError None"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return small_plan()


def test_real_packets_meet_the_fate_of_the_plan(plan: Plan, tmp_path: Path) -> None:
    own = {device.name: device for device in plan.devices}
    laptop, booking = own["duty-laptop"].addresses4[0], own["booking"].addresses4[0]
    laptop6, booking6 = own["duty-laptop"].addresses6[1], own["booking"].addresses6[1]
    public, paying = "203.0.113.10", "198.51.100.70"
    questions: list[tuple[tuple[str, str, str, str, str], str | tuple[str, ...]]] = [
        # let, with the source hidden towards the line
        (("laptop", "tcp", "", paying, "5060"), public),
        (("laptop", "tcp", "", "2001:db8:7aff::1", "443"), str(laptop6)),
        # refused in every manner
        (("laptop", "tcp", "", "10.7.1.9", "80"), RESET),
        (("laptop", "tcp", "", "2001:db8:7a00:2::9", "80"), RESET),
        (("laptop", "udp", "", "10.7.1.9", "80"), PROHIBITED),
        (("laptop", "udp", "", "2001:db8:7a00:2::9", "80"), PROHIBITED),
        (("stranger", "tcp", "", paying, "443"), RESET),
        (("bunk", "tcp", "", paying, "443"), SILENCE),
        (("world", "tcp", paying, public, "80"), SILENCE),
        # an offer: from the internet, from another area, and from its own area by the same name
        (("world", "tcp", paying, public, "443"), paying),
        (("laptop", "tcp", "", public, "443"), str(laptop)),
        (("booking", "tcp", "", public, "443"), "10.7.3.1"),
        (("world", "tcp", "", str(booking6), "443"), "2001:db8:7aff::1"),
        # a neighbour on the line who knows the inside address gets nothing by it
        (("world", "tcp", paying, str(booking), "443"), SILENCE),
    ]
    written(render(plan).files, tmp_path)
    (tmp_path / "serve.py").write_text(SERVE)
    (tmp_path / "ask.py").write_text(ASK)
    (tmp_path / "questions.json").write_text(json.dumps([question for question, _ in questions]))
    script = SITE
    for name, value in (
        ("{laptop}", laptop),
        ("{laptop6}", laptop6),
        ("{booking}", booking),
        ("{booking6}", booking6),
    ):
        script = script.replace(name, str(value))
    run(script, tmp_path, private=True)
    answers = json.loads((tmp_path / "answers.json").read_text())
    for (question, wanted), seen in zip(questions, answers, strict=True):
        assert seen in (wanted if isinstance(wanted, tuple) else (wanted,)), (question, seen)
    counters = {
        item["counter"]["name"]: item["counter"]["packets"]
        for item in json.loads((tmp_path / "counters.json").read_text())["nftables"]
        if "counter" in item
    }
    for label in (
        "calls first",
        "rule 6",
        "strangers",
        "offer 1",
        "neighbour-discovery",
        "sign-in",
    ):
        assert counters[labels.row_name(label)] > 0, label
    assert counters["nc_stray"] == 0
