"""Who else lends addresses or tells the time, read as ss(8) of this machine really prints it."""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from netcharter.render import advertising, clock, discovery
from netcharter.rollout.prepare import Use, facts_of, prepare
from netcharter.rollout.preparing.asking import WAITING
from netcharter.rollout.preparing.shapes import Found, Wanted
from tests.kernel.namespace import run
from tests.rollout.machine import answers, said

AREA, LINE = Use("area", "office", "eth2"), Use("line", "copper", "eth0")
WANTED = Wanted((AREA, LINE), placed={advertising.AT: b"", clock.AT: b""})
# Sockets as they are bound, to a device where one is named, and what is said of them then.
SCRIPT = """
import json, os, socket, subprocess, sys
told = {}
for case in json.loads(sys.argv[1]):
    address, port, device = case.split()
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM) as one:
        if ":" in address:
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, address != "::")
        if device != "-":
            one.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, device.encode())
        one.bind((address, int(port)))
        told[case] = [subprocess.run(json.loads(sys.argv[2]), stdout=-1).stdout.decode(), os.getpid()]
print(json.dumps(told))
"""
LENDING, TIME = "port-of-lending-taken", "port-of-time-taken"
CASES = {
    "0.0.0.0 67 -": LENDING,
    "10.40.0.1 67 -": LENDING,
    "0.0.0.0 67 eth2": LENDING,
    "0.0.0.0 67 other0": "",  # a network of virtual machines, say
    ":: 547 -": LENDING,
    "::1 547 -": LENDING,
    ":: 547 other0": "",
    ":: 123 -": TIME,
    "127.0.0.1 123 -": TIME,
    "0.0.0.0 68 -": "",  # a client's
}


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, int]]:
    folder: Path = tmp_path_factory.mktemp("waiting")
    (folder / "script.py").write_text(SCRIPT)
    words = [json.dumps(list(CASES)), json.dumps(WAITING)]
    begin = "ip link set dev lo up; ip address add 10.40.0.1/32 dev lo\n"
    begin += "ip link add eth2 type veth peer name other0\n"
    text = f"{begin}{shlex.quote(sys.executable)} script.py {' '.join(map(shlex.quote, words))}"
    found: dict[str, tuple[str, int]] = json.loads(run(text, folder))
    return found


def found(
    text: str, want: Wanted = WANTED, files: Mapping[str, bytes] | None = None
) -> list[Found]:
    facts = facts_of(answers(files=files, said={WAITING: said(text.encode())}))
    return [one for one in prepare(want, facts).findings if one.id in (LENDING, TIME)]


@pytest.mark.kernel
@pytest.mark.parametrize(("case", "taken"), CASES.items())
def test_who_waits_where_the_kit_is_to_is_told(
    told: dict[str, tuple[str, int]], case: str, taken: str
) -> None:
    told_of = found(told[case][0])
    assert [(one.id, one.severity) for one in told_of] == [(taken, "error")] * bool(taken)
    assert all("python" in one.message for one in told_of)


@pytest.mark.kernel
def test_what_is_the_kits_own_is_not_in_its_way_and_another_unit_of_that_program_is(
    told: dict[str, tuple[str, int]],
) -> None:
    text, pid = told["0.0.0.0 67 -"]
    ours = b"0::/system.slice/netcharter-advertising.service\n"
    assert not found(text, files={f"/proc/{pid}/cgroup": ours})
    assert found(text, files={f"/proc/{pid}/cgroup": b"0::/system.slice/dnsmasq.service\n"})
    assert not found(text, Wanted((AREA, LINE)))
    assert not found(told[":: 123 -"][0], Wanted((AREA, LINE), placed={advertising.AT: b""}))


def test_debians_chrony_is_set_aside_and_no_other_clock() -> None:
    row = 'UNCONN 0 0 0.0.0.0:123 0.0.0.0:* users:(("{}",pid=7,fd=5))\n'
    assert not found(row.format("chronyd"))
    assert "ntpd takes what comes for UDP port 123" in found(row.format("ntpd"))[0].message


def test_who_hears_multicast_dns_besides_is_a_warning() -> None:
    """Rows as ss(8) of iproute2 6.1 prints them."""
    row = 'UNCONN 0 0 {} *:* users:(("{}",pid=7,fd=12))\n'
    rows = [("0.0.0.0:5353", "names-d"), ("224.0.0.251%eth2:5353", "python3")]
    text = "".join(row.format(*one) for one in rows)
    facts = facts_of(
        answers(
            files={"/proc/7/cgroup": b"0::/system.slice/other.service\n"},
            said={WAITING: said(text.encode())},
        )
    )
    want = Wanted((AREA, LINE), placed={discovery.AT: b""})
    told = [one for one in prepare(want, facts).findings if one.id == "multicast-dns-of-others"]
    assert [one.severity for one in told] == ["warning"] * 2
    assert "names-d takes what comes for UDP port 5353 (0.0.0.0)" in told[0].message
    assert not [one for one in prepare(WANTED, facts).findings if "multicast" in one.id]


def test_whatever_stands_there_is_escaped_or_nothing() -> None:
    row = 'UNCONN 0 0 *:67 *:* users:(("\x1b[2J",pid=7,fd=5))\nx\n\x00 0 0 :: ::\nUNCONN 0 0 x:99999999 y\n'
    (one,) = found(row)
    assert "\x1b" not in one.message + one.help


def test_a_unit_in_etc_counts_before_the_mask_that_sets_a_packages_aside(tmp_path: Path) -> None:
    """systemd.unit(5), and systemctl(1) itself: the mask is there, and the unit is not masked."""
    path = "/etc/systemd/system/chrony.service"

    def told(want: Wanted, text: bytes) -> list[str]:
        found = prepare(want, facts_of(answers(files={path: text}))).findings
        return [one.about for one in found if one.id == "unit-not-set-aside"]

    unit = b"[Service]\nExecStart=/usr/sbin/chronyd -d\n"
    assert told(WANTED, unit) == ["chrony.service"]
    assert not told(WANTED, b"") and not told(Wanted((AREA, LINE)), unit)
    control = shutil.which("systemctl")
    if control is not None:
        there = tmp_path / path.lstrip("/")
        there.parent.mkdir(parents=True)
        there.write_bytes(unit)
        words = [control, f"--root={tmp_path}"]
        subprocess.run([*words, "--runtime", "mask", "chrony.service"], check=True, timeout=60)
        seen = subprocess.run(
            [*words, "is-enabled", "chrony.service"], capture_output=True, timeout=60, check=False
        )
        assert b"masked" not in seen.stdout and seen.stdout
