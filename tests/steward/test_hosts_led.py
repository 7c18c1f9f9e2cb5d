"""A line with an IPv6 prefix fails, and a real host inside takes another source: by a real steward,
the kit's own dnsmasq and the kit's filter.

RFC 4862 section 5.5.4: nothing new is begun with a deprecated address where there is another one;
RFC 6724 section 5, rule 3: avoid deprecated addresses. Both are the host's kernel's to keep.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from netcharter.lab.tools import path_of
from netcharter.render.advertising import CONF
from netcharter.render.lending import LEASES
from tests.cli.gateway import CHARTER, FAR, Gateway, gateway
from tests.kernel.namespace import run
from tests.rollout.bench import kit_of
from tests.steward.test_lines_move import WEB, eventually, far, stands, steward

pytestmark = pytest.mark.kernel

BOTH = "up used up used"  # how a line stands that works in both IP versions
FAR6 = "2001:db8:100::66"
COPPER, MAST = "2001:db8:140:", "2001:db8:6000:"  # the former is nearer to FAR6: rule 8 prefers it
SITE = (
    CHARTER.replace(
        "address: 203.0.113.10/29, next-hop: 203.0.113.9}",
        "address: [203.0.113.10/29, '2001:db8:5::2/64'], next-hop: [203.0.113.9, '2001:db8:5::1'],"
        f" prefix: '{COPPER}:/56', watch: {{targets: [{FAR}, '{FAR6}']}}}}",
    )
    .replace(
        "address: 192.0.2.18/28, next-hop: 192.0.2.17, role: standby}",
        "address: [192.0.2.18/28, '2001:db8:6::2/64'], next-hop: [192.0.2.17, '2001:db8:6::1'],"
        f" prefix: '{MAST}:/56', role: standby, watch: {{targets: [{FAR}, '{FAR6}']}}}}",
    )
    .replace("[198.51.100.64/28]", "[198.51.100.64/28, '2001:db8:100::/64']")
)
BEYOND = f"""\
ip address add {FAR6}/128 dev lo nodad
ip address add 2001:db8:6::1/64 dev peer1 nodad
ip -6 route add {MAST}:/56 via 2001:db8:6::2 dev peer1
"""
PLUGGED = f"""\
ip link set peer0 up
ip address replace 2001:db8:5::1/64 dev peer0 nodad
ip -6 route replace {COPPER}:/56 via 2001:db8:5::2 dev peer0
"""
CALL = f"""\
import socket
with socket.create_connection(("{FAR6}", {WEB}), 3) as one:
    one.sendall(b"hello")
    assert one.recv(9) == b"hello"
    print(one.getsockname()[0])
"""
SERVE = f"""\
import socket
one = socket.create_server(("::", {WEB}), family=socket.AF_INET6)
print("ready", flush=True)
while True:
    other, _ = one.accept()
    with other:
        other.sendall(other.recv(9))
"""


@contextmanager
def running(*command: str) -> Iterator[subprocess.Popen[bytes]]:
    found = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    try:
        yield found
    finally:
        found.kill()
        found.wait()
        assert found.stdout
        found.stdout.close()


@contextmanager
def advertising(place: Gateway) -> Iterator[None]:
    """The kit's dnsmasq at the gateway."""
    dnsmasq = path_of("dnsmasq")
    if dnsmasq is None:
        pytest.skip("NO HOST WAS LED AWAY: no dnsmasq (Debian's dnsmasq-base) is here")
    conf = place.folder / CONF
    leases = str(place.folder / "leases").encode()
    conf.write_bytes(kit_of(SITE)[CONF].replace(LEASES.encode(), leases))
    own = ("--user=root", "--group=", "--pid-file=", "--log-facility=-", f"--conf-file={conf}")
    with running(*place.bench.way, dnsmasq, "--keep-in-foreground", *own):
        yield


def source(place: Gateway) -> str:
    """From which address the desk speaks with somebody far, in a conversation that was answered; ""
    where there is none."""
    said = subprocess.run(
        [*place.desk.way, sys.executable, "-c", CALL],
        capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip
    return said.stdout.strip()


def lent(place: Gateway) -> dict[str, bool]:
    """The addresses that the desk has learnt, and whether their preferred time is over."""
    listed = subprocess.run(
        [*place.desk.way, "ip", "-j", "-6", "address", "show", "dev", "peer2", "scope", "global"],
        capture_output=True, timeout=20, check=True,
    ).stdout  # fmt: skip
    rows = [one for row in json.loads(listed) if row for one in row["addr_info"]]
    return {one["local"]: bool(one.get("deprecated")) for one in rows if one.get("dynamic")}


def test_a_host_leaves_the_prefix_of_a_line_that_failed_until_that_is_undone(
    tmp_path: Path,
) -> None:
    with gateway(tmp_path) as place:
        far(place, BEYOND + PLUGGED)
        place.kept(SITE)
        server = (*place.far.way, sys.executable, "-c", SERVE)
        with running(*server) as serving, advertising(place):
            assert serving.stdout is not None and serving.stdout.readline() == b"ready\n"
            eventually(lambda: len(lent(place)) == 3)
            assert not any(lent(place).values())
            with steward(place) as path:
                eventually(lambda: stands(path, "copper") == stands(path, "mast") == BOTH)
                eventually(lambda: source(place).startswith(COPPER))
                far(place, "ip link set peer0 down")
                eventually(lambda: source(place).startswith(MAST))
                over = lent(place)
                assert {one.startswith(COPPER) for one, gone in over.items() if gone} == {True}
                assert sum(over.values()) == 1
                # It is the line's state, and no difference from the plan.
                assert place.run("holds").code == 0
            # The steward is not there any more, and a start of the machine makes it undone.
            far(place, PLUGGED)
            assert place.run("boot").code == 0
            eventually(lambda: not any(lent(place).values()))
            assert place.run("holds").code == 0


CHOOSES = """\
mount --bind hosts /etc/hosts
ip link set dev lo up; ip link add name eth0 type veth peer name peer
ip link set dev peer up; ip link set dev eth0 up
ip address add 198.51.100.7/24 dev eth0; ip route add default via 198.51.100.1
ip address add fd00:db8:1::7/64 dev eth0 nodad; ip -6 route add default via fe80::1 dev eth0
first() { python3 -c 'import socket; print(socket.getaddrinfo("far.example", 80)[0][4][0])'; }
first
ip address add 2001:db8:a::7/64 dev eth0 nodad; first
ip address change 2001:db8:a::7/64 dev eth0 preferred_lft 0; first
"""


def test_rfc6724_rule_5_a_host_with_nothing_better_than_its_local_address_takes_ipv4(
    tmp_path: Path,
) -> None:
    """As the C library sorts addresses (getaddrinfo(3)): by matching labels, so that a local source is
    not tried with a global destination. That is why hosts are led away from the last line too."""
    (tmp_path / "hosts").write_text(f"203.0.113.66 far.example\n{FAR6} far.example\n")
    out = run(CHOOSES.replace("python3", sys.executable), tmp_path, private=True)
    assert out.split() == ["203.0.113.66", FAR6, "203.0.113.66"]
