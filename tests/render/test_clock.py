"""What chrony is told: whom to ask, whom to tell; by chronyd itself, and by who asks it."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from scapy.layers.ntp import NTPHeader

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import render
from netcharter.render.advertising import CONF as LENDING
from netcharter.render.clock import AT, CONF, UNIT, UNIT_FILE, clock
from netcharter.render.placing import OURS
from tests.kernel.namespace import run
from tests.oracle.random_charters import random_charter

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], time-servers: [Time.Example.net, 203.0.113.9]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
UNPACKED = (
    Path(__file__).parents[2] / ".venv" / "chrony" / "usr" / "sbin" / "chronyd"
)  # tools/setup


def planned(text: str = CHARTER) -> Plan:
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def chronyd() -> str:
    found = shutil.which("chronyd") or (str(UNPACKED) if UNPACKED.exists() else None)
    if found is None:
        pytest.skip("CHRONY DID NOT READ ITS SETTINGS: it is not here (tools/setup test)")
    return found


def test_it_asks_whom_the_charter_names_and_tells_the_areas() -> None:
    kit = render(planned())
    said = kit.files[CONF].decode("ascii").splitlines()
    local = planned().areas[0].subnets6[0].network
    assert [x for x in said if x.startswith(("server", "pool", "peer"))] == [
        "server time.example.net iburst",
        "server 203.0.113.9 iburst",
    ]
    assert [x for x in said if x.startswith("allow")] == ["allow 10.40.0.0/28", f"allow {local}"]
    told = kit.files[LENDING].decode("ascii").splitlines()
    assert "dhcp-option=tag:eth3,option:ntp-server,10.40.0.1" in told  # RFC 2132 section 8.3
    assert f"dhcp-option=tag:eth3,option6:ntp-server,[{local[1]}]" in told  # RFC 5908


def test_where_no_time_server_is_named_nothing_is_told_and_nothing_runs() -> None:
    kit = render(planned(CHARTER.replace(", time-servers: [Time.Example.net, 203.0.113.9]", "")))
    assert not {CONF, UNIT_FILE} & set(kit.files)
    assert b"ntp" not in kit.files[LENDING] and UNIT not in str(kit.manifest["services"])


def test_the_manifest_says_where_they_lie_and_what_runs() -> None:
    kit = render(planned())
    told = {one["at"]: one["file"] for one in kit.manifest["placed"]}
    assert told[AT] == CONF and told[f"/etc/systemd/system/{UNIT}"] == UNIT_FILE
    assert {"unit": UNIT, "files": [CONF, UNIT_FILE]} in kit.manifest["services"]
    assert all(kit.files[name].decode("ascii").startswith(OURS) for name in (CONF, UNIT_FILE))


def test_debian_s_own_chrony_is_set_aside_and_comes_back() -> None:
    unit = clock(planned())[UNIT_FILE].splitlines()
    assert "ExecStartPre=-+/usr/bin/systemctl --runtime --now mask chrony.service" in unit
    assert "ExecStopPost=-+/usr/bin/systemctl --runtime unmask chrony.service" in unit


@pytest.mark.parametrize(("code", "begins"), [(0, False), (3, True), (4, True)])
def test_ours_does_not_begin_beside_one_that_could_not_be_set_aside(
    tmp_path: Path, code: int, begins: bool
) -> None:
    """systemctl(1): is-active ends with 0 where a unit runs; LSB: 3 where it does not, 4 unknown."""
    lines = clock(planned())[UNIT_FILE].splitlines()
    (line,) = (one for one in lines if one.startswith("ExecStartPre=+"))
    words = shlex.split(line.partition("+")[2])
    stand_in = tmp_path / "systemctl"
    stand_in.write_text(
        f"#!/bin/sh\n[ \"$*\" = '-q is-active chrony.service' ] || exit 0\nexit {code}\n"
    )
    stand_in.chmod(0o755)
    words = [one.replace("/usr/bin/systemctl", str(stand_in)) for one in words]
    ran = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    assert (ran.returncode == 0) is begins
    assert ("chrony.service runs still" in ran.stderr) is not begins


def test_a_server_that_the_gateway_may_not_ask_is_told() -> None:
    """It may ask the internet (`gateway-own`) and, for the time, hosts of areas (`time`)."""
    for address, wrong in (("10.99.0.1", True), ("10.40.0.9", False), ("93.184.218.5", False)):
        notes = planned(CHARTER.replace("203.0.113.9]", f"{address}]")).notes
        assert [one.id for one in notes] == ["time-server-not-reached"] * wrong


@pytest.mark.parametrize("server", ["a b", "a\nallow all", "a#", "ä", "", "-x", "a iburst"])
def test_a_server_that_is_no_name_reaches_no_file(server: str) -> None:
    plan = planned()
    site = replace(plan.charter.site, time_servers=(server,))
    with pytest.raises(ValueError, match="not a domain name"):
        clock(replace(plan, charter=replace(plan.charter, site=site)))


def test_the_unit_is_one_that_the_service_manager_takes(tmp_path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    text = clock(planned())[UNIT_FILE]
    assert f" -f {AT}\n" in text
    if verify is None:
        pytest.skip("NO SERVICE MANAGER READ THE UNIT: systemd-analyze is not here")
    there = text.replace("/usr/sbin/chronyd", shutil.which("true") or "/bin/true")
    (tmp_path / UNIT).write_text(there.replace("User=_chrony", "User=nobody"))
    said = subprocess.run(
        [verify, "verify", "--man=no", "--recursive-errors=no", str(tmp_path / UNIT)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr


def test_what_both_programs_share_below_run_stays_when_ours_ends() -> None:
    """systemd.exec(5): a RuntimeDirectory is taken away once its unit has ended, which is after theirs
    was begun by ExecStopPost, unless it is to be preserved. Debian's chrony.service has the same one."""
    text = clock(planned())[UNIT_FILE].splitlines()
    assert {"RuntimeDirectory=chrony", "RuntimeDirectoryPreserve=yes"} <= set(text)


@pytest.mark.kernel
def test_chronyd_takes_every_kit(tmp_path: Path) -> None:
    """`chronyd -p` (4.3 of Debian 12) as the second opinion."""
    program, seen = chronyd(), 0
    for number in range(24):
        charter = read(random_charter(Random(number)), "random.yaml").charter
        assert charter is not None
        text = clock(make_plan(charter)).get(CONF)
        if text is None:
            continue
        (tmp_path / CONF).write_text(text, "ascii")
        said = subprocess.run(
            [program, "-p", "-f", str(tmp_path / CONF)],
            capture_output=True, text=True, timeout=20, check=False,
        )  # fmt: skip
        wanted = [line for line in text.splitlines() if not line.startswith("#")]
        assert (said.returncode, said.stdout.splitlines()) == (0, wanted), said.stderr
        seen += 1
    assert seen > 4


SCENE = """
mount -t tmpfs none /run; ip link set dev lo up
mkdir -p /run/netns
ip netns add host
ip link add name eth3 type veth peer name eth0 netns host; ip link set dev eth3 up
ip address add 10.40.0.1/28 dev eth3; ip -n host link set dev eth0 up
ip -n host address add 10.40.0.2/28 dev eth0; ip -n host address add 10.41.0.2/28 dev eth0
ip route add 10.41.0.0/28 dev eth3; ip -n host route add 10.41.0.1 dev eth0
$CHRONYD -x -n -u root -f clock.conf & clock=$!
cat > ask.py <<'END'
import socket, sys
for source in ("10.40.0.2", "10.41.0.2"):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind((source, 0)); one.settimeout(0.5)
        for _ in range(10 if source == "10.40.0.2" else 2):
            try:
                one.sendto(b"\\x23" + bytes(47), ("10.40.0.1", 123))
                print(source, one.recv(100).hex()); break
            except OSError:
                pass
        else:
            print(source, "silent")
END
ip netns exec host $PYTHON ask.py
kill $clock; wait $clock || :
"""


@pytest.mark.kernel
def test_it_tells_the_areas_and_nobody_else(tmp_path: Path) -> None:
    """Asked by hand (RFC 5905 section 7.3), read by scapy: a server's answer, which says that it does
    not know the time yet (leap indicator 3), since nobody has told it."""
    text = clock(planned())[CONF].replace("/var/lib/chrony/chrony.drift", str(tmp_path / "drift"))
    more = f"pidfile {tmp_path}/pid\nbindcmdaddress /\n"
    (tmp_path / CONF).write_text(text + more, "ascii")
    begin = f"CHRONYD={chronyd()}; PYTHON={sys.executable}\n"
    said = dict(x.split() for x in run(begin + SCENE, tmp_path, private=True).splitlines())
    assert said["10.41.0.2"] == "silent"
    answer = NTPHeader(bytes.fromhex(said["10.40.0.2"]))
    assert (answer.mode, answer.leap) == (4, 3)
