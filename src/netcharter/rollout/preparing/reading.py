"""Answers of a machine to facts; whatever they hold, nothing here raises."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from netcharter.rollout.observe import Said
from netcharter.rollout.preparing import managers
from netcharter.rollout.preparing.asking import (
    ADDRESS,
    CLOCK,
    DISK,
    LINK,
    NFT,
    SERVICES,
    TABLES,
    UNITS,
    WAITING,
    Answers,
)
from netcharter.rollout.preparing.kernel import FEATURES, PPPOE, VLAN, kernel_of
from netcharter.rollout.preparing.shapes import Facts, Managed, NetDevice, Unit

MOST_DEVICES = 4_000
_NAME = re.compile(r"[^\s/:]{1,15}")  # what the kernel takes as a name (dev_valid_name)
_LOADS = re.compile(
    r"^\s*Exec(?:Start|StartPre|StartPost|Reload|Stop|StopPost)\s*=.*"
    r"(?:^|[\s/=\"'])(?:nft|ip6?tables(?:-(?:restore|legacy|nft))*|ebtables|ipset)(?:\s|$)",
    re.MULTILINE,
)
_EMPTIES = re.compile(r"\bnft\b[^\n]*\bflush\s+ruleset\b")


def facts_of(answers: Answers) -> Facts:
    """What a machine said, understood as far as it can be."""
    devices = _devices(answers)
    texts = {
        path: data.decode("utf-8", "replace")
        for path, data in answers.files.items()
        if not path.startswith(("/proc/", "/sys/", "/lib/modules/", "/boot/"))
    }
    known = devices or {}
    processes = managers.processes(answers.files, answers.links)
    running = frozenset(managers.program(words) for _, words in processes)
    kernel = kernel_of(answers.files)
    own_modules = kernel.built_in is not None or kernel.loadable is not None
    return Facts(
        devices=devices,
        managed=_managed(texts, known, processes, running),
        running=running,
        packages=_packages(answers.said),
        tables=_tables(answers.said.get(TABLES)),
        units=_units(texts, answers.said.get(UNITS)),
        features={one.words: kernel.can(one) for one in (*FEATURES, VLAN, PPPOE)},
        kernel=kernel.release,
        other_kernels=() if own_modules else kernel.others,
        nft=_version(answers.said.get(NFT)),
        memory=_memory(answers.files.get("/proc/meminfo", b"")),
        disk=_disk(answers.said),
        clock=_clock(answers.said.get(CLOCK)),
        keeps_rules=managers.keeps_rules(texts),
        waiting=_text(answers.said.get(WAITING)),
        files=answers.files,
        accounts=answers.accounts,
    )


def _text(said: Said | None) -> str:
    return "" if said is None or said.code != 0 else said.out.decode("utf-8", "replace")


def _records(said: Said | None) -> list[dict[str, Any]] | None:
    try:
        found = json.loads(_text(said), strict=False)
    except (ValueError, RecursionError):
        return None
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else None


# --- devices -------------------------------------------------------------------------------------


def _devices(answers: Answers) -> dict[str, NetDevice] | None:
    records = _records(answers.said.get(LINK))
    if records is None:
        return None
    held = {_word(one.get("ifname")): one for one in _records(answers.said.get(ADDRESS)) or []}
    found: dict[str, NetDevice] = {}
    for record in records[:MOST_DEVICES]:
        name = _word(record.get("ifname"))
        if _NAME.fullmatch(name):
            found[name] = _device(name, record, held.get(name, {}), answers)
    return found


def _device(
    name: str, record: Mapping[str, Any], held: Mapping[str, Any], answers: Answers
) -> NetDevice:
    flags = _list(record.get("flags"))
    info = _map(record.get("linkinfo"))
    data = _map(info.get("info_data"))
    entries = [_map(one) for one in _list(held.get("addr_info"))]
    own = [one for one in entries if one.get("scope") != "link"]
    tag = data.get("id")
    up = "UP" in flags
    kind = "loopback" if "LOOPBACK" in flags else _word(info.get("info_kind"))
    return NetDevice(
        name=name,
        up=up,
        carrier=_carrier(name, flags, up, answers),
        hardware=_word(record.get("address")).lower(),
        kind=kind,
        parent=_word(record.get("link")),
        tag=tag if kind == "vlan" and type(tag) is int else None,
        master=_word(record.get("master")),
        addresses=tuple(f"{_word(e.get('local'))}/{e.get('prefixlen')}" for e in own)[:64],
        lent=any(e.get("dynamic") is True and e.get("family") == "inet" for e in own),
        speed=_speed(answers.files.get(f"/sys/class/net/{name}/speed", b"")),
        bus=_word(record.get("parentdev")),
        driver=answers.links.get(f"/sys/class/net/{name}/device/driver", "").rpartition("/")[2],
    )


def _carrier(name: str, flags: list[Any], up: bool, answers: Answers) -> bool | None:
    """The kernel tells it only of a device that is switched on."""
    said = answers.files.get(f"/sys/class/net/{name}/carrier", b"").strip()
    if said in (b"0", b"1"):
        return said == b"1"
    return "LOWER_UP" in flags if up else None


def _speed(said: bytes) -> int | None:
    """In Mbit/s; -1 or nothing where it is not known (sysfs-class-net)."""
    text = said.strip()
    return int(text) * 1_000_000 if re.fullmatch(rb"[1-9][0-9]{0,7}", text) else None


def _word(value: Any) -> str:
    return value if isinstance(value, str) and len(value) <= 64 else ""


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _map(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


# --- who else ------------------------------------------------------------------------------------


def _managed(
    texts: Mapping[str, str],
    devices: Mapping[str, NetDevice],
    processes: list[tuple[str, list[str]]],
    running: frozenset[str],
) -> tuple[Managed, ...]:
    """Those that run count; files of a program that does not run are told to nobody."""
    found = [*managers.ifupdown(texts, devices)]
    named = {one.device for one in found}
    if "systemd-networkd" in running:
        found += managers.networkd(texts, devices)
    if "NetworkManager" in running:
        found += managers.network_manager(texts, devices, named)
    found += managers.clients(processes, [n for n, d in devices.items() if d.kind != "loopback"])
    return tuple(found)


def _units(texts: Mapping[str, str], said: Said | None) -> tuple[Unit, ...]:
    """Units that run a program which loads rules; a unit in /etc hides one of its name."""
    states = {}
    for line in _text(said).splitlines():
        words = line.split()
        if len(words) > 1:
            states[words[0]] = words[1]
    found: dict[str, Unit] = {}
    for pattern in SERVICES:
        for path, text in managers.matching(texts, (pattern,)).items():
            name = path.rpartition("/")[2]
            if name in found or name.startswith("netcharter") or not _LOADS.search(text):
                continue
            state = states.get(name)
            enabled = None if state is None else state.startswith("enabled")
            empties = bool(_EMPTIES.search(text)) or _loads_emptying(text, texts)
            found[name] = Unit(name, path, enabled, empties)
    return tuple(found.values())


def _loads_emptying(unit: str, texts: Mapping[str, str]) -> bool:
    file = "/etc/nftables.conf"
    return file in unit and bool(
        re.search(r"^\s*flush\s+ruleset", texts.get(file, ""), re.MULTILINE)
    )


# --- the rest ------------------------------------------------------------------------------------


def _packages(said: Mapping[tuple[str, ...], Said]) -> dict[str, str] | None:
    """dpkg-query ends with 1 where a package is unknown, and prints the others all the same."""
    answer = next((one for argv, one in said.items() if argv[:1] == ("dpkg-query",)), None)
    if answer is None or answer.code not in (0, 1):
        return None
    rows = [line.split("\t") for line in answer.out.decode("utf-8", "replace").splitlines()]
    return {row[0]: row[1] for row in rows if len(row) == 3 and row[2] == "installed"}


def _tables(said: Said | None) -> tuple[tuple[str, str], ...] | None:
    try:
        document = json.loads(_text(said), strict=False)
    except (ValueError, RecursionError):
        return None
    rows = [_map(_map(one).get("table")) for one in _list(_map(document).get("nftables"))]
    pairs = [(_word(one.get("family")), _word(one.get("name"))) for one in rows if one]
    return tuple(pairs)


def _version(said: Said | None) -> tuple[int, ...] | None:
    found = re.search(r"nftables v([0-9]{1,4}(?:\.[0-9]{1,4}){1,3})", _text(said))
    return tuple(map(int, found[1].split("."))) if found else None


def _memory(data: bytes) -> int | None:
    found = re.search(rb"^MemAvailable:\s+([0-9]{1,12}) kB", data, re.MULTILINE)
    return int(found[1]) * 1024 if found else None


def _disk(said: Mapping[tuple[str, ...], Said]) -> int | None:
    """The fourth column of the last line (POSIX df, portable form), in 1024 bytes."""
    answer = next((one for argv, one in said.items() if argv[: len(DISK)] == DISK), None)
    lines = _text(answer).splitlines()
    found = re.search(r"\s([0-9]{1,15})\s+[0-9]{1,3}%\s", lines[-1]) if len(lines) > 1 else None
    return int(found[1]) * 1024 if found else None


def _clock(said: Said | None) -> bool | None:
    words = {"NTPSynchronized=yes": True, "NTPSynchronized=no": False}
    return words.get(_text(said).strip())
