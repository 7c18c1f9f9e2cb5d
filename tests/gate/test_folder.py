"""Requests on the disk: whole or not at all, bounded, and nothing of them trusted."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from netcharter.cli import gate_command
from netcharter.gate.requests import (
    AT,
    KEPT,
    LARGEST,
    LONGEST_REACH,
    LONGEST_WHY,
    MOST,
    Box,
    Request,
    data_of,
    over,
    request_of,
    taken,
)
from netcharter.gate.server import serving
from netcharter.gate.server.folder import RequestFolder
from netcharter.render import gate as rendered
from netcharter.rollout.trouble import EffectFailed, RolloutRefused, StateBroken
from netcharter.tasks.gate import old_ones_go, requests
from tests.cli.running import run
from tests.docs.shapes import breaches, shapes
from tests.gate.site import told
from tests.steward.apart import finished

NOW = datetime(2026, 11, 26, 10, tzinfo=UTC)


def request(name: str = "bets.example", asked: datetime = NOW, why: str = "please") -> Request:
    return Request(name, "bunkrooms", "evenings", why, "class 7b", asked)


def test_what_is_kept_is_read_back(tmp_path: Path) -> None:
    folder = RequestFolder(str(tmp_path))
    folder.keep(3, request())
    folder.keep(1, request("ä" * 20))
    assert folder.box().requests == {1: request("ä" * 20), 3: request()}
    assert os.stat(tmp_path / "3.json").st_mode & 0o777 == 0o600
    assert folder.drop(3) and not folder.drop(3)
    assert list(folder.box().requests) == [1]
    assert RequestFolder(str(tmp_path / "none")).box() == Box({})
    with pytest.raises(EffectFailed):
        RequestFolder(str(tmp_path / "none")).keep(1, request())


def test_all_speak_of_one_folder() -> None:
    """The unit's, where the commands look, and where old ones go."""
    assert gate_command.REQUESTS == AT == f"/var/lib/{rendered.STATE}"


def test_the_longest_that_may_be_typed_fits_into_a_file() -> None:
    widest = "\U0001f600"
    one = Request(
        "x" * 253, widest * 60, widest * 60, widest * LONGEST_WHY, widest * LONGEST_REACH, NOW
    )
    data = data_of(one)
    assert len(data) <= LARGEST and request_of("x", data) == one


def test_they_go_after_thirty_days() -> None:
    kept = {1: request(asked=NOW - KEPT), 2: request(asked=NOW - KEPT - timedelta(seconds=1))}
    assert over(Box(kept), NOW) == (2,)


def test_nothing_in_the_folder_is_trusted(tmp_path: Path) -> None:
    """Who writes there faces everybody: links, pipes, large files and nonsense are left alone."""
    sound = data_of(request())
    (tmp_path / "secret").write_bytes(sound)
    (tmp_path / "1.json").symlink_to(tmp_path / "secret")
    os.mkfifo(tmp_path / "2.json")
    (tmp_path / "3.json").mkdir()
    (tmp_path / "4.json").write_bytes(sound + b" " * LARGEST)
    (tmp_path / "5.json").write_bytes(b"\x00" * 40)
    (tmp_path / "6.json").write_text(json.dumps({"name": 1}))
    (tmp_path / "7.json").write_bytes(sound)
    (tmp_path / "8.json.netcharter-new").write_bytes(sound)
    for odd in ("0.json", "09.json", "-1.json", "1e3.json", "99999999999.json", "9.json.bak"):
        (tmp_path / odd).write_bytes(sound)
    assert RequestFolder(str(tmp_path)).box() == Box({7: request()}, 6, 7)
    for number in range(10, 10 + 2 * MOST):
        (tmp_path / f"{number}.json").write_bytes(sound)
    assert len(RequestFolder(str(tmp_path)).box().requests) <= MOST + 1
    for broken in (b"", b"[]", sound[:-20], sound.replace(b"2026", b"today")):
        with pytest.raises(StateBroken):
            request_of("x", broken)


def test_no_number_is_given_twice(tmp_path: Path) -> None:
    """Neither that of a file that can't be read, nor that of a request that has gone."""
    folder, sound = RequestFolder(str(tmp_path)), data_of(request())
    folder.keep(1, request())
    (tmp_path / "2.json").write_bytes(sound.replace(b'"format": 1', b'"format": 2'))
    another = request("videos.example")
    assert taken(folder.box(), another).number == 3
    folder.keep(3, another)
    requests(str(tmp_path), (3,), lambda: NOW)
    assert taken(folder.box(), another).number == 4
    assert not requests(str(tmp_path), (), lambda: NOW + 2 * KEPT).kept
    assert taken(folder.box(), another).number == 4
    assert (tmp_path / "2.json").read_bytes() != sound
    for odd in (b"", b"-7", b"9" * 12, b"\xff", b"4 4"):
        (tmp_path / "last-number").write_bytes(odd)
        assert taken(folder.box(), another).number == 3


KILLED = """
import sys
from tests.gate.test_folder import request
from netcharter.gate.server.folder import RequestFolder
folder = RequestFolder(sys.argv[1])
number = 0
while True:
    number += 1
    folder.keep(number % 50 + 1, request(why="x" * (number % 600)))
    print(number % 50 + 1, flush=True)
"""


def test_whoever_is_killed_leaves_whole_requests(tmp_path: Path) -> None:
    for turn in range(2):
        command = [sys.executable, "-c", KILLED, str(tmp_path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            said = [process.stdout.readline() for _ in range(20 + 7 * turn)]
            process.send_signal(signal.SIGKILL)
            said += process.stdout.readlines()
        box = RequestFolder(str(tmp_path)).box()
        assert box.broken == 0
        assert {int(line) for line in said if line.endswith("\n")} <= set(box.requests)


def test_the_command_shows_them_and_takes_away_what_is_done(tmp_path: Path) -> None:
    folder = RequestFolder(str(tmp_path))
    folder.keep(1, request(why="one\x1b[31m\nline"))
    folder.keep(2, request("videos.example", NOW))
    shown = requests(str(tmp_path), (), lambda: NOW)
    text = "\n".join(shown.lines(80))
    for part in ("1  bets.example  asked from bunkrooms, 2026-11-26 10:00 UTC", "withheld by evenings",
                 "reached by: class 7b", "2  videos.example", "--done NUMBER"):  # fmt: skip
        assert part in text
    done = requests(str(tmp_path), (1,), lambda: NOW)
    assert done.done == (1,) and [number for number, _ in done.kept] == [2]
    with pytest.raises(RolloutRefused, match="no request 1"):
        requests(str(tmp_path), (2, 1), lambda: NOW)
    assert list(folder.box().requests) == [2]
    assert not requests(str(tmp_path), (), lambda: NOW + KEPT + timedelta(1)).kept
    (tmp_path / "3.json").write_bytes(b"{")
    assert not requests(str(tmp_path), (), lambda: NOW).ok


def test_old_ones_go_without_the_pages_too(tmp_path: Path) -> None:
    """A charter that withholds nothing any more has no pages that take them away."""
    folder = RequestFolder(str(tmp_path))
    folder.keep(1, request())
    folder.keep(2, request("videos.example", NOW + KEPT))
    old_ones_go("/srv/elsewhere", NOW + KEPT + timedelta(1), str(tmp_path))
    assert list(folder.box().requests) == [1, 2]
    old_ones_go("/var/lib/netcharter", NOW + KEPT + timedelta(1), str(tmp_path))
    assert list(folder.box().requests) == [2]
    old_ones_go("/var/lib/netcharter", NOW, str(tmp_path / "none"))


def test_taking_old_ones_away_goes_on_whatever_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken(RequestFolder):
        def box(self) -> Box:
            raise StateBroken("x", "broken") if len(said) % 2 else OSError(5, "Input/output error")

    async def tidying() -> None:
        pages = serving.Pages(told(), Broken("/none"), said.append)
        with suppress(TimeoutError):
            await pages.keep_tidy()

    async def soon(seconds: float) -> None:
        assert seconds == serving.TIDY
        if len(said) >= 3:
            raise TimeoutError

    said: list[str] = []
    monkeypatch.setattr("asyncio.sleep", soon)
    finished(tidying())
    assert len(said) == 3 and said[0].endswith("away: Input/output error")
    assert "StateBroken at box" in said[1]


def test_what_people_typed_reaches_no_terminal_as_it_is(tmp_path: Path) -> None:
    RequestFolder(str(tmp_path)).keep(1, request(why="a\x1b]0;b", asked=datetime.now(UTC)))
    shown = run("requests", "--requests", str(tmp_path))
    assert "\x1b" not in shown.out and "<U+001B>" in shown.out and shown.code == 0
    told = json.loads(run("requests", "--requests", str(tmp_path), "--json").out)
    assert told["ok"] and [one["number"] for one in told["requests"]] == [1]
    page = Path(__file__).parents[2] / "docs" / "reference" / "json.md"
    assert list(breaches(told, "requests", shapes(page.read_text("utf-8")))) == []
    assert run("requests", "--requests", str(tmp_path), "--done", "9").code == 2
