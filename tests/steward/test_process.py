"""The steward as a real process: it says that it is ready, answers, ends, is killed, comes back."""

from __future__ import annotations

import grp
import json
import os
import pwd
import shutil
import signal
import socket
import stat
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from netcharter.rollout.store import format_text
from netcharter.steward.loop.door import ask, may_speak
from netcharter.steward.loop.manager import Manager as Told
from netcharter.steward.protocol import MOST_CLIENTS, MOST_LINE
from tests.cli.running import CHARTER, process
from tests.steward.running import PATIENCE, Manager, Running, manager, steward


@pytest.fixture
def heard(short_path: Path) -> Iterator[Manager]:
    with manager(str(short_path / "notify")) as found:
        yield found


@pytest.fixture
def running(short_path: Path, heard: Manager) -> Iterator[Running]:
    """A steward without a kit, ready."""
    with steward(short_path, str(short_path / "notify")) as found:
        heard.until("READY=1")
        yield found


@pytest.mark.parametrize("abstract", [False, True])
def test_it_tells_the_service_manager_of_its_life(short_path: Path, abstract: bool) -> None:
    address = f"@netcharter-test-{os.getpid()}" if abstract else str(short_path / "notify")
    with manager(address) as heard, steward(short_path, address, watchdog=0.3) as running:
        heard.until("READY=1")
        heard.until("WATCHDOG=1", 3)
        assert running.end() == 0
        heard.until("STOPPING=1")
    assert any(line.startswith("STATUS=") for line in heard.heard)
    assert not Path(running.path).exists()


def test_it_answers_through_its_socket(running: Running) -> None:
    assert stat.S_IMODE(os.stat(running.path).st_mode) == 0o660
    found = json.loads(ask(running.path, {"ask": "status"}, PATIENCE))
    assert [duty["name"] for duty in found["duties"]] == [
        "hours", "names", "lines", "health", "updates", "addresses", "leading", "prefixes", "lists", "conversations",
        "holds",
    ]  # fmt: skip
    assert found["site"] is None and found["version"] is None and found["sets"] == []
    assert json.loads(ask(running.path, {"ask": "wake"}, PATIENCE)) == {"ok": True}
    refused = json.loads(ask(running.path, {"ask": "sing"}, PATIENCE))
    assert refused["ok"] is False and "status" in refused["fault"]


def test_the_command_line_tells_the_same(running: Running, short_path: Path) -> None:
    told = process("steward", "--socket", running.path, "--status")
    assert "hours: fills the timed sets" in told.out and told.err == "" and told.code in (0, 1)
    document = process("steward", "--socket", running.path, "--status", "--json")
    assert document.json["ok"] is (document.code == 0)
    silent = process("steward", "--socket", running.path, "--silence", "health", "--for", "2")
    assert (silent.code, silent.out[:12]) == (0, "silent until")
    assert process("steward", "--socket", running.path, "--restart", "hours").out == "done\n"
    wrong = process("steward", "--socket", running.path, "--restart", "nothing")
    assert (
        wrong.code == 2
        and "hours, names, lines, health, updates, addresses, leading, prefixes, lists, conversations, holds"
        in " ".join(wrong.err.split())
    )
    nobody = process("steward", "--socket", str(short_path / "none"), "--status", "--json")
    assert nobody.code == 2 and nobody.json["diagnostics"][0]["message"].startswith("no steward")
    two = process("steward", "--status", "--wake")
    assert two.code == 2 and "one thing at a time" in two.err


def test_hostile_lines_and_too_many_clients_are_refused_and_it_lives_on(running: Running) -> None:
    with ExitStack() as open_:
        clients = []
        for _ in range(MOST_CLIENTS):
            client = open_.enter_context(socket.socket(socket.AF_UNIX))
            client.settimeout(PATIENCE)
            client.connect(running.path)
            client.sendall(b'{"ask": "wake", "duty": "updates"}\n')
            assert client.recv(4096) == b'{"ok":true}\n'  # it is served, and keeps its place
            clients.append(client)
        assert b"too many" in ask(running.path, {"ask": "status"}, PATIENCE)
        clients[0].sendall(b"x" * (MOST_LINE * 3))
        assert b"too long" in clients[0].recv(4096)
        clients[1].sendall(b"\xff\0[[[[\n")
        assert b'"ok":false' in clients[1].recv(4096)
    end = time.monotonic() + PATIENCE  # until the last of them has been noticed to be gone
    while "duties" not in json.loads(ask(running.path, {"ask": "status"}, PATIENCE)):
        assert time.monotonic() < end
    assert running.process.poll() is None


def test_only_root_the_steward_itself_and_the_group_may_speak() -> None:
    assert may_speak(0, 0, "root", "none") and may_speak(os.geteuid(), 1, "me", "none")
    assert not may_speak(65_534, 65_534, "nobody", "none")
    group = grp.getgrgid(pwd.getpwnam("daemon").pw_gid)
    assert may_speak(65_534, group.gr_gid, "nobody", group.gr_name)
    assert not may_speak(65_534, 65_534, "nobody", group.gr_name)


def test_there_is_one_steward_at_a_time(running: Running, short_path: Path) -> None:
    second = process("steward", "--state", short_path, "--socket", short_path / "other.sock")
    assert second.code == 2 and "a steward is at work" in " ".join(second.err.split())
    elsewhere = short_path / "elsewhere"
    elsewhere.mkdir()
    third = process("steward", "--state", elsewhere, "--socket", running.path)
    assert third.code == 2 and "another steward listens there" in " ".join(third.err.split())
    assert "duties" in json.loads(ask(running.path, {"ask": "status"}, PATIENCE))


def test_one_that_was_killed_goes_on_where_it_was(short_path: Path, heard: Manager) -> None:
    with steward(short_path, str(short_path / "notify")) as first:
        heard.until("READY=1")
        request = {"ask": "silence", "what": "all", "seconds": 3600, "why": "tests"}
        assert json.loads(ask(first.path, request, PATIENCE))["ok"]
        assert first.end(signal.SIGKILL) == -signal.SIGKILL
    assert Path(first.path).exists()
    with steward(short_path, str(short_path / "notify")) as second:
        heard.until("READY=1")
        found = json.loads(ask(second.path, {"ask": "status"}, PATIENCE))
        assert [one["why"] for one in found["silences"]] == ["tests"]
        assert second.end(signal.SIGINT) == 0


def until_all_had_a_turn(running: Running) -> dict[str, str]:
    """The states of all duties, once none waits for its first turn."""
    end = time.monotonic() + PATIENCE
    while True:
        found = json.loads(ask(running.path, {"ask": "status"}, PATIENCE))
        states = {duty["name"]: duty["state"] for duty in found["duties"]}
        if "waiting" not in states.values():
            return states
        assert time.monotonic() < end, states


def test_a_duty_that_fails_is_told_and_the_others_go_on(short_path: Path, heard: Manager) -> None:
    """A version is kept whose charter is gone: hours can't know what to do."""
    (short_path / "versions" / "0001").mkdir(parents=True)
    (short_path / "format").write_bytes(format_text())
    (short_path / "kept").symlink_to("versions/0001")
    with steward(short_path, str(short_path / "notify")) as running:
        heard.until("READY=1")
        assert until_all_had_a_turn(running) == {
            "hours": "failing", "names": "failing", "lines": "failing", "health": "well", "updates": "well", "addresses": "failing", "leading": "failing", "prefixes": "well", "lists": "well", "conversations": "well",
            "holds": "failing",
        }  # fmt: skip
        found = json.loads(ask(running.path, {"ask": "status"}, PATIENCE))
        assert "its charter is missing" in found["duties"][0]["fault"]
        assert "steward/hours" in [alarm["matter"] for alarm in found["alarms"]]
        shutil.copy(CHARTER, short_path / "versions" / "0001" / "charter.yaml")
        ask(running.path, {"ask": "restart", "duty": "hours"}, PATIENCE)
        assert running.end() == 0
    assert "its charter is missing" in running.said


def test_settings_that_are_wrong_are_told_with_their_place(short_path: Path) -> None:
    (short_path / "steward.yaml").write_text("steward: 1\nmnd: true\n")
    found = process("steward", "--state", short_path, "--socket", short_path / "s")
    assert found.code == 2 and "steward.yaml:2:1" in found.err and "write mend" in found.err


def test_the_unit_can_be_printed() -> None:
    found = process("steward", "--unit", "--state", "/srv/net charter")
    assert found.code == 0 and 'steward --state "/srv/net charter"\n' in found.out
    assert 'ReadWritePaths="/srv/net charter"\n' in found.out
    near = process("steward", "--unit", "--state", "near", "--socket", "near/sock")
    assert f"--state {os.getcwd()}/near --socket {os.getcwd()}/near/sock\n" in near.out
    assert near.out.count(f"ReadWritePaths={os.getcwd()}/near\n") == 2  # for the state, the socket
    wrong = process("steward", "--unit", "--state", "/srv/a\nb")
    assert wrong.code == 2 and "can't stand in a unit" in " ".join(wrong.err.split())


@pytest.mark.parametrize(
    ("environment", "seconds"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "1000000"}, None),
        ({"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": "1500000"}, 1.5),
        ({"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": "x"}, None),
        ({"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": "0"}, None),
        ({"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": "9", "WATCHDOG_PID": "1"}, None),
        ({"NOTIFY_SOCKET": "relative", "WATCHDOG_USEC": "9"}, None),
    ],
)
def test_the_watchdog_is_the_one_that_is_meant_for_us(
    environment: dict[str, str], seconds: float | None
) -> None:
    """sd_watchdog_enabled(3). That nobody listens is no fault."""
    told = Told(environment)
    assert told.watchdog == seconds
    told.notify("READY=1")
