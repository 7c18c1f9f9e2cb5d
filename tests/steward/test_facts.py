"""Facts: read from files as the kernel writes them (proc_meminfo(5), its documents on sysfs)."""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from netcharter.rollout.units import BOOT_UNIT
from netcharter.steward.loop import facts, lines
from netcharter.steward.shapes import Certificate, Heat, Restart
from netcharter.steward.unit import UNIT


def put(path: Path, text: str = "") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


def test_memory_is_read_as_the_kernel_writes_it(tmp_path: Path) -> None:
    put(tmp_path / "meminfo", "MemTotal:        2048 kB\nMemFree: 1 kB\nMemAvailable:    512 kB\n")
    assert facts.memory(tmp_path) == (512 * 1024, 2048 * 1024)
    put(tmp_path / "meminfo", "nonsense\n\nMemTotal: x kB")
    assert facts.memory(tmp_path) == (0, 0)
    assert facts.memory(tmp_path / "none") == (0, 0)


def test_this_machine_has_memory_a_disk_and_an_opinion_of_its_clock() -> None:
    available, total = facts.memory(Path("/proc"))
    free = subprocess.run(["free", "-b"], capture_output=True, text=True, check=False).stdout
    if free:
        assert total == int(free.splitlines()[1].split()[1])
    assert 0 < available <= total
    (disk,) = facts.disks(["/", "/", "/nowhere"])
    assert disk.path == "/" and 0 <= disk.free <= disk.total == shutil.disk_usage("/").total
    assert facts.clock().error >= 0
    assert len(facts.boot_id()) == 36


def test_the_clock_agrees_with_the_other_call_that_tells_of_it() -> None:
    """ntp_gettime(3) fills another structure: a timeval, then the greatest error as a long."""

    class Time(ctypes.Structure):
        _fields_ = [
            ("time", ctypes.c_long * 2),
            ("most", ctypes.c_long),
            ("rest", ctypes.c_long * 6),
        ]

    said = Time()
    state = ctypes.CDLL(None).ntp_gettime(ctypes.byref(said))
    found = facts.clock()
    assert abs(found.error - said.most / 1e6) < 1
    assert found.synchronised or state == 5  # TIME_ERROR


def test_sensors_of_both_kinds(tmp_path: Path) -> None:
    zone = tmp_path / "class/thermal/thermal_zone0"
    put(zone / "type", "soc-thermal\n")
    put(zone / "temp", "45500\n")
    put(zone / "trip_point_0_type", "passive\n")
    put(zone / "trip_point_0_temp", "80000\n")
    put(zone / "trip_point_1_type", "critical\n")
    put(zone / "trip_point_1_temp", "110000\n")
    put(tmp_path / "class/thermal/thermal_zone1/temp", "")  # a sensor that is off
    chip = tmp_path / "class/hwmon/hwmon0"
    put(chip / "name", "coretemp\n")
    put(chip / "temp1_input", "-3000\n")
    put(chip / "temp1_crit", "100000\n")
    put(chip / "temp2_input", "40000\n")
    put(chip / "temp2_label", "Core 0\n")
    assert facts.heat(tmp_path) == (
        Heat("thermal_zone0 soc-thermal", 45.5, 110.0),
        Heat("coretemp temp1", -3.0, 100.0),
        Heat("coretemp Core 0", 40.0, None),
    )
    assert facts.heat(tmp_path / "none") == ()


@pytest.mark.parametrize(
    ("states", "answers"),
    [
        (["REACHABLE"], True), (["PERMANENT"], True), (["FAILED"], False), (["INCOMPLETE"], False),
        (["STALE"], None), (["DELAY"], None), ([], None),
    ],
)  # fmt: skip
def test_what_the_kernel_knows_of_a_neighbour(states: list[str], answers: bool | None) -> None:
    listing = json.dumps([{"dst": "203.0.113.9", "state": states}]).encode()
    assert lines.heard(listing) is answers


@pytest.mark.parametrize("listing", [b"", b"[]", b"{", b"{}", b"[1]", b'[{"dst": "x"}]'])
def test_what_says_nothing_of_a_neighbour_is_no_answer(listing: bytes) -> None:
    assert lines.heard(listing) is None


def test_certificates_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    put(tmp_path / "c.pem", "nothing")
    long = tmp_path / "long.pem"
    long.write_bytes(b"x" * (1 << 20) + b"x")
    found = [
        facts.certificate(str(p)) for p in (tmp_path / "c.pem", tmp_path / "no", long, tmp_path)
    ]
    assert [one.expires for one in found] == [None] * 4
    assert found[1] == Certificate(str(tmp_path / "no"), None, "there is no such file")
    assert all(one.fault for one in found)


def test_a_restart_that_waits_and_what_comes_back(tmp_path: Path) -> None:
    root, state = tmp_path / "root", tmp_path / "state"
    state.mkdir()
    assert facts.restart(root, state) == Restart(False)
    put(root / "run/reboot-required", "*** System restart required ***\n")
    put(root / "run/reboot-required.pkgs", "linux-image-6.1\nlibc6\nlibc6\n")
    wants = root / "etc/systemd/system/multi-user.target.wants"
    wants.mkdir(parents=True)
    for unit in (BOOT_UNIT, UNIT):
        os.symlink(f"/lib/systemd/system/{unit}", wants / unit)
    os.symlink("versions/0004", state / "kept")
    partly = facts.restart(root, state)
    assert partly == Restart(True, ("linux-image-6.1", "libc6"), 4, False, True, True)
    put(state / "versions/0004/kit/manifest.json", "{}")
    assert facts.restart(root, state).whole
    os.unlink(state / "kept")
    os.symlink("../elsewhere", state / "kept")
    assert facts.restart(root, state).kept is None
