"""How the machine is, read from the kernel's files. Folders are arguments, so tests have their own.

What is missing is left out: not every machine has a sensor, not every one a certificate.
"""

from __future__ import annotations

import ctypes
import os
import struct
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from netcharter.rollout.run import files
from netcharter.rollout.store import Paths, kept_by
from netcharter.rollout.trouble import EffectFailed, StateBroken
from netcharter.rollout.units import BOOT_UNIT
from netcharter.steward import certificates
from netcharter.steward.shapes import (
    Certificate,
    Clock,
    Disk,
    Heat,
    Restart,
)
from netcharter.steward.unit import UNIT

MOST = 1 << 16  # bytes of one of the kernel's files
_TIMEX = struct.Struct("@Illlli")  # struct timex of linux/timex.h, up to `status`
_TIMEX_ROOM = 512
_UNSYNCHRONISED, _TIME_ERROR = 0x40, 5  # STA_UNSYNC, TIME_ERROR
_ENABLED = "etc/systemd/system/multi-user.target.wants"


def clock() -> Clock:
    """What the kernel says of its clock (adjtimex(2)); asking needs no power."""
    room = ctypes.create_string_buffer(_TIMEX_ROOM)
    state = ctypes.CDLL(None, use_errno=True).adjtimex(room)
    if state < 0:
        return Clock(False)
    _, _, _, most, _, status = _TIMEX.unpack_from(room.raw)
    return Clock(state != _TIME_ERROR and not status & _UNSYNCHRONISED, most / 1e6)


def boot_id() -> str:
    """The id of this boot (random(4))."""
    return _text(Path("/proc/sys/kernel/random/boot_id"))


def disks(paths: Iterable[str]) -> tuple[Disk, ...]:
    """The file systems that these paths lie on, each once."""
    found: dict[int, Disk] = {}
    for path in paths:
        with suppress(OSError):
            device = os.stat(path).st_dev
            room = os.statvfs(path)
            found.setdefault(
                device,
                Disk(
                    path,
                    room.f_bavail * room.f_frsize,
                    room.f_blocks * room.f_frsize,
                    room.f_favail,
                    room.f_files,
                ),
            )
    return tuple(found.values())


def memory(proc: Path) -> tuple[int, int]:
    """Bytes that can still be had, and in all (proc_meminfo(5)); zeros where it isn't said."""
    said: dict[str, int] = {}
    for line in _text(proc / "meminfo").splitlines():
        name, _, value = line.partition(":")
        words = value.split()
        if words and words[0].isdigit():
            said[name] = int(words[0]) * 1024
    if "MemAvailable" not in said:
        return 0, 0
    return said["MemAvailable"], said.get("MemTotal", 0)


def heat(sys: Path) -> tuple[Heat, ...]:
    """All sensors (the kernel's documents on sysfs-class-thermal and sysfs-class-hwmon)."""
    return (*_zones(sys / "class" / "thermal"), *_sensors(sys / "class" / "hwmon"))


def _zones(folder: Path) -> Iterator[Heat]:
    for zone in sorted(folder.glob("thermal_zone*")):
        degrees = _thousandths(zone / "temp")
        if degrees is None:
            continue
        trips = (
            _thousandths(kind.with_name(kind.name.replace("_type", "_temp")))
            for kind in zone.glob("trip_point_*_type")
            if _text(kind) == "critical"
        )
        critical = min((trip for trip in trips if trip), default=None)
        yield Heat(f"{zone.name} {_text(zone / 'type')}".strip(), degrees, critical)


def _sensors(folder: Path) -> Iterator[Heat]:
    for chip in sorted(folder.glob("hwmon*")):
        for sensor in sorted(chip.glob("temp*_input")):
            degrees = _thousandths(sensor)
            stem = sensor.name.removesuffix("_input")
            if degrees is None:
                continue
            label = _text(chip / f"{stem}_label") or stem
            critical = _thousandths(chip / f"{stem}_crit")
            yield Heat(f"{_text(chip / 'name')} {label}".strip(), degrees, critical or None)


def certificate(path: str) -> Certificate:
    """When a certificate ends, or why that can't be told."""
    try:
        data = files.read(path)
        if data is None:
            return Certificate(path, None, "there is no such file")
        if len(data) > certificates.MOST:
            return Certificate(path, None, "it is too long")
        return Certificate(path, certificates.ends(data))
    except EffectFailed as fault:
        return Certificate(path, None, fault.said)
    except ValueError as fault:
        return Certificate(path, None, str(fault))


def restart(root: Path, state: Path) -> Restart:
    """Whether a restart waits, and what comes back after it."""
    packages = _text(root / "run" / "reboot-required.pkgs").split()
    paths = Paths(str(state))
    try:
        kept = kept_by(files.link(paths.kept))
    except (StateBroken, EffectFailed):
        kept = None
    whole = kept is not None and Path(paths.version(kept, "kit", "manifest.json")).is_file()
    return Restart(
        required=(root / "run" / "reboot-required").exists(),
        packages=tuple(dict.fromkeys(packages)),
        kept=kept,
        whole=whole,
        boot_unit=os.path.lexists(root / _ENABLED / BOOT_UNIT),
        steward_unit=os.path.lexists(root / _ENABLED / UNIT),
    )


def _thousandths(path: Path) -> float | None:
    said = _text(path)
    return int(said) / 1000 if said.lstrip("-").isdigit() else None


def _text(path: Path) -> str:
    """The beginning of a file without the space around it; nothing where it can't be read."""
    try:
        with open(path, "rb") as file:
            return file.read(MOST).decode("utf-8", "replace").strip()
    except OSError:
        return ""


def host_name(proc: Path) -> str:
    """What the machine is called."""
    return _text(proc / "sys" / "kernel" / "hostname") or "gateway"
