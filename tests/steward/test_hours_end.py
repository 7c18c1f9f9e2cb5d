"""A real steward at a gateway of namespaces when hours end: what they let is cut, the rest goes on.

The hours end at a whole minute, since that is what a charter can say. So that nobody waits for it,
the steward and what it starts have a clock that is put to some seconds before.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from netcharter.steward.loop.door import ask
from tests.cli.gateway import CHARTER, COPPER, DESK, FAR, SSH, Gateway, gateway
from tests.steward import shifted
from tests.steward.running import PATIENCE, short

pytestmark = pytest.mark.kernel

AHEAD = timedelta(minutes=30)  # between what is written and the end of the hours, at least
SOON = timedelta(seconds=5)  # before the bell the clock is put to; it is seen within two
BELL = 100.0  # seconds in which the bell has rung and all that follows is done
WEB = 80
PLAIN = (sys.executable, "-m", "netcharter")
UTC_SITE = CHARTER.replace("Europe/London", "UTC").replace(
    "with: [http, https], because", "with: [http, https], during: day, because"
)


def until(end: datetime) -> str:
    """The charter with hours from an hour before to an instant, over midnight too."""
    begin = end - timedelta(hours=1)
    wanted = UTC_SITE.replace("08:00-16:00", f"{begin:%H:%M}-{end:%H:%M}")
    assert wanted != UTC_SITE
    return wanted


def a_whole_minute() -> datetime:
    """The first one that is far enough ahead; never midnight, at which the next day's begins."""
    found = (datetime.now(UTC) + AHEAD).replace(second=0, microsecond=0) + timedelta(minutes=1)
    return found if (found.hour, found.minute) != (0, 0) else found + timedelta(minutes=1)


@contextmanager
def steward(there: Gateway, program: Sequence[str] = PLAIN) -> Iterator[str]:
    """A real one on the gateway; its socket."""
    with short() as folder:
        path = str(folder / "steward.sock")
        with _at_work(there, [*program, "steward", "--state", "state", "--socket", path]):
            yield path


@contextmanager
def _at_work(there: Gateway, command: Sequence[str]) -> Iterator[None]:
    with open(there.folder / "log", "ab") as log:
        process = subprocess.Popen(
            [*there.bench.way, *command],
            cwd=there.folder,
            env=there.environment({}),
            stdin=subprocess.DEVNULL,
            stderr=log,
        )
    try:
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(PATIENCE)
        finally:
            process.kill()
            process.wait(PATIENCE)


def status(path: str, there: Gateway) -> dict[str, Any]:
    """What the steward says, once it is there."""
    end = time.monotonic() + PATIENCE
    while True:
        try:
            found: dict[str, Any] = json.loads(ask(path, {"ask": "status"}, PATIENCE))
            return found
        except OSError:
            assert time.monotonic() < end, (there.folder / "log").read_text()
            time.sleep(0.05)


def is_open(path: str, there: Gateway) -> bool:
    """Whether it has filled the set of the hours, and they have not ended meanwhile."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        found = status(path, there)
        if [duty["state"] for duty in found["duties"] if duty["name"] == "hours"] == ["well"]:
            return bool(found["sets"][0]["due"])
        time.sleep(0.05)
    raise AssertionError((there.folder / "log").read_text())


def test_what_hours_let_is_cut_at_the_bell_and_what_is_still_let_goes_on(tmp_path: Path) -> None:
    bell = a_whole_minute()
    clock = tmp_path / "clock"
    clock.write_text("0")
    with gateway(tmp_path) as there:
        there.kept(until(bell))
        there.far.do("serve", WEB)
        there.far.do("dial", COPPER, SSH, FAR)
        (tmp_path / "state" / "steward.yaml").write_text("steward: 1\ntrust-clock: true\n")
        with steward(there, (*shifted.COMMAND, str(clock))) as path:
            assert is_open(path, there)
            there.desk.do("dial", FAR, WEB, DESK)
            assert there.desk.do("say") and there.far.do("say")
            other = tmp_path / "other"
            other.write_text(str((bell - SOON - datetime.now(UTC)).total_seconds()))
            other.rename(clock)
            _at_the_bell(there, path)


def _at_the_bell(there: Gateway, path: str) -> None:
    end = time.monotonic() + BELL
    while status(path, there)["cutting"]["at"] is None:
        assert time.monotonic() < end, (status(path, there), (there.folder / "log").read_text())
        time.sleep(0.2)
    found = status(path, there)
    assert not found["sets"][0]["due"], found
    assert (found["cutting"]["cut"], found["cutting"]["waits"]) == (1, False), found
    assert not there.desk.do("say")
    assert there.far.do("say")
    assert not there.desk.do("probe", FAR, WEB, DESK)
    log = (there.folder / "log").read_text()
    assert log.count("open conversations were decided again") == 1
    assert "no longer open: nc_open_day" in log
