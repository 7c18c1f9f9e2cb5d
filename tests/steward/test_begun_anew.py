"""Every duty can be begun anew by itself, and the steward's socket is for root and the group alone."""

from __future__ import annotations

import asyncio
import grp
import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from netcharter.steward.loop.door import Door, ask
from tests.cli.running import process
from tests.steward.apart import finished
from tests.steward.running import PATIENCE, Running, manager, steward

DUTIES = (
    "hours",
    "names",
    "lines",
    "leading",
    "prefixes",
    "lists",
    "health",
    "updates",
    "addresses",
    "conversations",
    "holds",
)


@pytest.fixture
def running(short_path: Path) -> Iterator[Running]:
    """A steward all of whose duties have had a turn."""
    notify = str(short_path / "notify")
    with manager(notify) as heard, steward(short_path, notify) as found:
        heard.until("READY=1")
        turned(found, {})
        yield found


Turn = dict[str, str | None]


def turns(running: Running) -> dict[str, Turn]:
    """When each duty had its last turn (`ran`), and has its next one (`due`)."""
    found: Any = json.loads(ask(running.path, {"ask": "status"}, PATIENCE))
    assert {duty["state"] for duty in found["duties"]} <= {"well", "waiting"}, found
    return {duty["name"]: {k: duty[k] for k in ("ran", "due")} for duty in found["duties"]}


def turned(running: Running, before: dict[str, Turn]) -> dict[str, Turn]:
    """Once every duty has had a turn, other than before if one is named."""
    for _ in range(5000):
        now = turns(running)
        late = [name for name, was in before.items() if now[name]["ran"] == was["ran"]]
        if all(turn["ran"] for turn in now.values()) and not late:
            return now
    raise AssertionError(now)


def untouched(before: Turn, after: Turn) -> bool:
    """No turn has come that was not due."""
    return before["ran"] == after["ran"] or str(after["ran"]) >= str(before["due"])


@pytest.mark.parametrize("name", DUTIES)
def test_one_is_begun_anew_and_the_others_notice_nothing(running: Running, name: str) -> None:
    before = turned(running, {})
    assert before.keys() == set(DUTIES)
    assert process("steward", "--socket", running.path, "--restart", name).out == "done\n"
    after = turned(running, {name: before[name]})
    assert not untouched(before[name], after[name])
    assert all(untouched(before[one], after[one]) for one in DUTIES if one != name)
    assert running.process.poll() is None and running.end() == 0
    assert f"{name} is restarted for " in running.said


def opened(path: str, group: str) -> os.stat_result:
    async def answer(*_: Any) -> dict[str, Any]:
        return {"ok": True}

    async def told() -> os.stat_result:
        before = os.umask(0)
        os.umask(before)
        door = Door(path, group, answer)
        await door.open()
        try:
            assert os.umask(before) == before
            return os.stat(path)
        finally:
            await door.close()

    return finished(asyncio.wait_for(told(), PATIENCE))


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_the_socket_is_for_whoever_runs_it_and_for_the_group(short_path: Path, mask: int) -> None:
    """unix(7): connecting to a socket takes the right to write to it."""
    if os.geteuid() != 0:
        pytest.skip("only root may give a file to a group that it is not in")
    group = next(one for one in grp.getgrall() if one.gr_gid != os.getegid())
    path = str(short_path / "steward.sock")
    before = os.umask(mask)
    try:
        found = opened(path, group.gr_name)
        nobody = opened(path, "no-such-group")
    finally:
        os.umask(before)
    assert stat.S_ISSOCK(found.st_mode) and stat.S_IMODE(found.st_mode) == 0o660
    assert (found.st_uid, found.st_gid) == (0, group.gr_gid)
    assert (stat.S_IMODE(nobody.st_mode), nobody.st_gid) == (0o660, os.getegid())
    assert not Path(path).exists()


def asked_by_nobody(path: str) -> bytes:
    """What another user of the machine hears there, in a process of his own."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups([])
            os.setgid(65_534)
            os.setuid(65_534)
            os.write(writer, ask(path, {"ask": "status"}, PATIENCE))
        except OSError as fault:
            os.write(writer, type(fault).__name__.encode())
        finally:
            os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    said = os.read(reader, 999)
    os.close(reader)
    return said


def test_who_is_neither_root_nor_in_the_group_cannot_even_connect() -> None:
    """Asked of the kernel; and were the file open to all, the steward would not answer either."""
    if os.geteuid() != 0:
        pytest.skip("only root may become another")
    with TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        notify = f"{folder}/notify"
        with manager(notify) as heard, steward(Path(folder), notify) as running:
            heard.until("READY=1")
            assert asked_by_nobody(running.path) == b"PermissionError"
            os.chmod(running.path, 0o666)
            assert b"you may not speak" in asked_by_nobody(running.path)
            assert running.end() == 0
