"""Hosts in a line's own network, with real packets: reached directly by whoever may leave by that line,
round by their own line by those who may not, and by nobody else (docs/explanation/kit.md).

Each address of a neighbour answers twice: on the link of the line, and beyond the next hop of the
other one, as it does on the internet. Who is asked says where he is, and whom he sees.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import render
from netcharter.render.routes import leading
from tests.kernel.namespace import HOSTS, run, written

CHARTER = """charter: 1
site: {name: Hut, timezone: UTC, local-prefix: "fd5c:7a11:b0e::/48"}
lines:
  dsl: {device: eth0, address: [203.0.113.10/29, "2001:db8:1::2/64"],
    next-hop: [203.0.113.9, "2001:db8:1::1"], prefix: "2001:db8:a::/48"}
  mast: {device: eth1, address: [198.51.100.2/29, "2001:db8:2::2/64"],
    next-hop: [198.51.100.1, "2001:db8:2::1"], prefix: "2001:db8:b::/48"}
areas:
  office: {device: eth2, prefix: 10.1.0.0/24}
  tills: {device: eth3, prefix: 10.2.0.0/24}
devices:
  booking: {area: office, hardware: "02:00:00:aa:00:01", 
    address: [10.1.0.9, "2001:db8:a:1::9", "2001:db8:b:1::9"]}
rules:
  - {let: [office, tills], reach: internet, with: https, because: daily work}
offers:
  - {offer: https, on: dsl, to: booking, because: bookings}
  - {offer: https, on: mast, to: booking, because: bookings}
exits:
  - {from: tills, by: dsl, or-else: refused, because: the bank knows its address}
"""

SITE = (
    HOSTS
    + """\
host dsl eth0 02:00:00:bb:00:01 203.0.113.9/29 203.0.113.10 2001:db8:1::1/64 2001:db8:1::2
host mast eth1 02:00:00:bb:00:02 198.51.100.1/29 198.51.100.2 2001:db8:2::1/64 2001:db8:2::2
ip -n mast address add 198.51.100.3/29 dev eth1
ip -n mast address add 2001:db8:2::3/64 dev eth1 nodad
ip -n dsl address add 198.51.100.3/32 dev lo; ip -n dsl address add 2001:db8:2::3/128 dev lo
ip -n dsl address add 203.0.113.11/29 dev eth0
host office eth2 02:00:00:aa:00:01 10.1.0.9/24 10.1.0.1 2001:db8:a:1::9/64 2001:db8:a:1::1
host till eth3 02:00:00:cc:00:01 10.2.0.9/24 10.2.0.1 2001:db8:a:2::9/64 2001:db8:a:2::1
ip -n office address add 2001:db8:b:1::9/64 dev eth2 nodad
ip -n till address add 2001:db8:b:2::9/64 dev eth3 nodad
sed 's/$/ nodad/; s/^#.*//' addresses.batch | ip -batch -
load_ruleset
sysctl -q -p sysctl.conf
echo 0 > /proc/sys/net/ipv4/icmp_ratelimit; echo 0 > /proc/sys/net/ipv6/icmp/ratelimit
ip -force -batch routes.batch; ip -6 -force -batch routes6.batch
servers=
trap 'kill $servers' EXIT
for name in dsl mast office; do
  ip netns exec $name python3 serve.py $name > $name.ready 2>&1 & servers="$servers $!"
done
for name in dsl mast office; do
  for turn in $(seq 100); do grep -q ready $name.ready && break; sleep 0.1; done
done
python3 ask.py up
while read -r words; do ip $words; done < failed
python3 ask.py failed
while read -r words; do ip $words; done < back
ip -n dsl link set dev eth0 down
for turn in $(seq 100); do ip -j link show dev eth0 | grep -q LOWER_UP || break; sleep 0.1; done
python3 ask.py pulled
"""
)

# A few bytes both ways, so that more than the first packet has to find its way.
SERVE = """
import socket, sys, threading
listener = socket.create_server(("::", 443), family=socket.AF_INET6, dualstack_ipv6=True)
print("ready", flush=True)
def answer(connection, peer):
    connection.settimeout(3)
    connection.recv(9)
    connection.sendall(f"{sys.argv[1]} {peer[0].removeprefix('::ffff:')}".encode())
    connection.close()
while True:
    threading.Thread(target=answer, args=listener.accept(), daemon=True).start()
"""

ASK = """
import json, subprocess, sys
ONE = '''
import socket, sys
source, to = sys.argv[1:]
s = socket.socket(socket.AF_INET6 if ":" in to else socket.AF_INET, socket.SOCK_STREAM)
s.settimeout(4)
try:
    if source: s.bind((source, 0))
    s.connect((to, 443))
    s.sendall(b"x")
    print(s.recv(99).decode() or "closed")
except Exception as problem:
    print(type(problem).__name__, getattr(problem, "errno", ""))
'''
out = []
for host, *arguments in json.load(open("questions.json"))[sys.argv[1]]:
    found = subprocess.run(["ip", "netns", "exec", host, "python3", "-c", ONE, *arguments],
                           capture_output=True, text=True)
    out.append(found.stdout.strip() + found.stderr)
json.dump(out, open(sys.argv[1] + ".answers", "w"))
"""

NEAR4, NEAR6 = "198.51.100.3", "2001:db8:2::3"  # neighbours on mast
OFFICE_A, OFFICE_B = "2001:db8:a:1::9", "2001:db8:b:1::9"
TILL_A, TILL_B = "2001:db8:a:2::9", "2001:db8:b:2::9"
# EHOSTUNREACH and EACCES: ICMP 3/13 and ICMPv6 1/1 in connect(2) (net/ipv4/icmp.c, net/ipv6/icmp.c)
PROHIBITED4, PROHIBITED6 = "OSError 113", "PermissionError 13"
Asked = tuple[str, str, str]
UP: dict[Asked, str] = {
    # whom no exit binds goes straight; who may leave by dsl only goes round, and stays on it
    ("office", "", NEAR4): "mast 198.51.100.2",
    ("till", "", NEAR4): "dsl 203.0.113.10",
    ("till", "", "198.51.100.1"): "TimeoutError None",  # nobody beyond dsl has that address
    ("till", "", "203.0.113.11"): "dsl 203.0.113.10",  # a neighbour on its own line: straight
    ("office", OFFICE_B, NEAR6): f"mast {OFFICE_B}",
    ("office", OFFICE_A, NEAR6): f"dsl {OFFICE_A}",
    ("office", OFFICE_A, "2001:db8:1::1"): f"dsl {OFFICE_A}",
    ("till", TILL_A, NEAR6): f"dsl {TILL_A}",
    ("till", TILL_B, NEAR6): PROHIBITED6,
    # what comes in by a line is answered there, to its neighbours and to those of the other one
    ("mast", NEAR4, "198.51.100.2"): f"office {NEAR4}",
    ("dsl", NEAR4, "203.0.113.10"): f"office {NEAR4}",
    ("dsl", NEAR6, OFFICE_A): f"office {NEAR6}",
    ("mast", NEAR6, OFFICE_B): f"office {NEAR6}",
    # areas find each other and the gateway all the same
    ("till", TILL_A, OFFICE_A): f"office {TILL_A}",
}
DOWN: dict[Asked, str] = {
    ("office", "", NEAR4): "mast 198.51.100.2",
    ("till", "", NEAR4): PROHIBITED4,
    ("office", OFFICE_B, NEAR6): f"mast {OFFICE_B}",
    ("office", OFFICE_A, NEAR6): PROHIBITED6,
    ("till", TILL_A, NEAR6): PROHIBITED6,
    ("till", TILL_B, NEAR6): PROHIBITED6,
    ("mast", NEAR4, "198.51.100.2"): f"office {NEAR4}",
}
WANTED = {"up": UP, "failed": DOWN, "pulled": DOWN}


@pytest.fixture(scope="module")
def plan() -> Plan:
    reading = read(CHARTER, "hut.yaml")
    assert reading.charter is not None, reading.diagnostics
    return make_plan(reading.charter)


def _failing(plan: Plan) -> tuple[str, str]:
    """What the steward does when dsl fails, and its undoing."""
    texts = [(f"-{v} {text}") for v in (4, 6) for text in leading(plan, plan.lines[0], v)]
    taken = (text.replace("rule add", "rule del") for text in texts)
    return "\n".join(taken) + "\n", "\n".join(texts) + "\n"


def test_neighbours_on_a_line_are_reached_by_those_who_may_use_it(
    plan: Plan, tmp_path: Path
) -> None:
    files = dict(render(plan).files)
    assert _seen(plan, files, tmp_path) == WANTED


def test_without_the_rules_that_come_first_an_exit_that_refuses_would_not(
    plan: Plan, tmp_path: Path
) -> None:
    """The kernel looks into the networks it is in before it comes to the exits."""
    files = dict(render(plan).files)
    for name in ("routes.batch", "routes6.batch"):
        lines = files[name].decode().splitlines(keepends=True)
        first = [one for one in lines if one.startswith("rule") and int(one.split()[3]) < 10000]
        assert first
        files[name] = "".join(one for one in lines if one not in first).encode()
    seen = _seen(plan, files, tmp_path)
    assert seen["up"][("till", "", NEAR4)] != UP[("till", "", NEAR4)]
    assert seen["up"][("till", TILL_B, NEAR6)] != PROHIBITED6
    assert seen["pulled"][("till", "", NEAR4)].startswith("mast ")


def _seen(plan: Plan, files: dict[str, bytes], folder: Path) -> dict[str, dict[Asked, str]]:
    written(files, folder)
    (folder / "serve.py").write_text(SERVE)
    (folder / "ask.py").write_text(ASK)
    asked = {state: list(questions) for state, questions in WANTED.items()}
    (folder / "questions.json").write_text(json.dumps(asked))
    there = {
        text for name in ("routes.batch", "routes6.batch") for text in files[name].splitlines()
    }
    for name, text in zip(("failed", "back"), _failing(plan), strict=True):
        lines = text.splitlines(keepends=True)
        kept = [one for one in lines if _plain(one) in there]
        (folder / name).write_text("".join(kept))
    run(SITE, folder, private=True)
    found = {}
    for state, questions in asked.items():
        answers = json.loads((folder / f"{state}.answers").read_text())
        found[state] = dict(zip(questions, answers, strict=True))
    return found


def _plain(text: str) -> bytes:
    """A line of a kit's batch, from the command that does or undoes it."""
    return text.strip()[3:].replace("rule del", "rule add").encode()
