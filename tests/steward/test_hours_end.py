"""A real steward at a gateway of namespaces when hours end: what they let is cut, the rest goes on.

The hours end at a whole minute of the real clock, since that is what a charter can say; so this
takes a minute or two, most of it waiting for the bell.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from netcharter.steward.loop.door import ask
from tests.cli.gateway import CHARTER, COPPER, DESK, FAR, SSH, Gateway, gateway
from tests.steward.running import PATIENCE

pytestmark = pytest.mark.kernel

AHEAD = timedelta(seconds=25)  # between what is written and the end of the hours, at least
BELL = 150.0  # seconds in which the bell has rung and all that follows is done
WEB = 80
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
def steward(there: Gateway) -> Iterator[str]:
    """A real one on the gateway; its socket."""
    path = str(there.folder / "steward.sock")
    command = [sys.executable, "-m", "netcharter", "steward", "--state", "state", "--socket", path]
    with open(there.folder / "log", "ab") as log:
        process = subprocess.Popen(
            [*there.bench.way, *command],
            cwd=there.folder,
            env=there.environment({}),
            stdin=subprocess.DEVNULL,
            stderr=log,
        )
    try:
        yield path
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
    with gateway(tmp_path) as there:
        there.kept(until(a_whole_minute() + timedelta(hours=1)))
        there.far.do("serve", WEB)
        there.far.do("dial", COPPER, SSH, FAR)
        (tmp_path / "state" / "steward.yaml").write_text("steward: 1\ntrust-clock: true\n")
        for _ in range(3):  # a machine that is very slow may miss the bell
            text = until(a_whole_minute())
            (tmp_path / "state" / "versions" / "0001" / "charter.yaml").write_text(text)
            with steward(there) as path:
                if is_open(path, there):
                    _at_the_bell(there, path)
                    return
        raise AssertionError("the bell was always missed")


def _at_the_bell(there: Gateway, path: str) -> None:
    there.desk.do("dial", FAR, WEB, DESK)
    assert there.desk.do("say") and there.far.do("say")
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
