"""Two lines of a real gateway fail and come back, with a steward at work and a host inside."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from netcharter.steward.loop.door import ask
from tests.cli.gateway import CHARTER, DESK, FAR, Gateway, Machine, gateway
from tests.docs.shapes import breaches, shapes

pytestmark = pytest.mark.kernel

SHAPES = shapes((Path(__file__).parents[2] / "docs/reference/json.md").read_text(encoding="utf-8"))
WEB = 80
GONE = "nft list set inet netcharter nc_gone4"
TALK = 40.0  # seconds of a call that lasts longer than the better line takes to come back
PATIENCE = 60.0  # seconds for what takes as long as it takes
WATCH = f", watch: {{targets: {FAR}}}"
LINES = CHARTER.replace("next-hop: 203.0.113.9}", f"next-hop: 203.0.113.9{WATCH}}}").replace(
    "role: standby}", f"role: standby{WATCH}}}"
)
DARK = """\
table inet dark {
    chain nothing_comes {
        type filter hook prerouting priority raw
        iifname "peer0" drop
    }
}
"""


@contextmanager
def steward(place: Gateway) -> Iterator[str]:
    """A steward at work on the gateway; the path of its socket."""
    path = str(place.folder / "steward.sock")
    command = [sys.executable, "-m", "netcharter", "steward", "--state", "state", "--socket", path]
    with open(place.folder / "log", "wb") as log:
        process = subprocess.Popen(
            [*place.bench.way, *command],
            cwd=place.folder,
            env=place.environment({}),
            stdin=subprocess.DEVNULL,
            stderr=log,
        )
    try:
        yield path
    finally:
        process.terminate()
        process.wait(PATIENCE)


def far(place: Gateway, script: str) -> None:
    """A command of the shell at the far end of the lines."""
    subprocess.run([*place.far.way, "sh", "-eu", "-c", script], check=True, timeout=PATIENCE)


def eventually(what: Callable[[], bool], seconds: float = PATIENCE) -> float:
    """Wait until it is so; the seconds that took."""
    begin = time.monotonic()
    while not what():
        assert time.monotonic() - begin < seconds, "it never came"
        time.sleep(0.1)
    return time.monotonic() - begin


def status(path: str) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(ask(path, {"ask": "status"}, PATIENCE))
    except OSError:
        return {"lines": []}
    return found


def stands(path: str, line: str) -> str:
    """How a line is, and whether new conversations are led there."""
    found = [one for one in status(path)["lines"] if one["line"] == line]
    return " ".join(f"{one['state']} {'used' if one['used'] else 'left'}" for one in found)


def lines_of(place: Gateway, port: int) -> set[int]:
    """The lines that the conversations from a port of the desk go by, as they are marked."""
    text = place.bench.sure(("cat", "/proc/net/nf_conntrack"))
    found = [one for one in text.splitlines() if f"sport={port} dport={WEB} " in one]
    return {int(one.split("mark=")[1].split()[0]) & 15 for one in found}


def new_line(place: Gateway) -> int:
    """The line by which a new conversation of the desk goes, 0 where it gets no answer."""
    one = Machine(place.desk.way)
    try:
        port = one.do("dial", FAR, WEB, DESK)[1]
        found = lines_of(place, port)
        return found.pop() if len(found) == 1 else 0
    except (ValueError, OSError):
        return 0
    finally:
        one.close()


@contextmanager
def talking(place: Gateway, wait: bool = False) -> Iterator[Machine]:
    """A host inside with an open conversation. wait: it is yet to be begun."""
    one = Machine(place.desk.way)
    try:
        if not wait:
            one.do("dial", FAR, WEB, DESK)
        yield one
    finally:
        one.close()


FAILS = {
    "carrier": ("ip link set peer0 down", "ip link set peer0 up"),
    "silently": (f"nft -f - <<end\n{DARK}end", "nft delete table inet dark"),
}


@pytest.mark.parametrize("how", list(FAILS))
def test_new_conversations_move_to_the_line_that_works_and_back(tmp_path: Path, how: str) -> None:
    pull, mend = FAILS[how]
    with gateway(tmp_path) as place:
        place.kept(LINES)
        place.far.do("serve", WEB)
        with steward(place) as path, ExitStack() as stack:
            eventually(lambda: stands(path, "copper") == stands(path, "mast") == "up used")
            assert new_line(place) == 1
            speaks, waits = (stack.enter_context(talking(place)) for _ in range(2))
            far(place, pull)  # how long it takes: benchmarks/line_failover.py
            eventually(lambda: stands(path, "copper") == "down left")
            assert new_line(place) == 2
            # Who speaks hears at once that it is over, and does not wait for his own patience.
            eventually(lambda: "0x00000001" in place.bench.shell(GONE))
            assert speaks.do("told")
            told = status(path)
            assert list(breaches(told, "steward", SHAPES)) == []
            assert "lines/copper" in [alarm["matter"] for alarm in told["alarms"]]
            command = [sys.executable, "-m", "netcharter", "steward", "--socket", path, "--status"]
            words = " ".join(place.bare(command).out.split())
            assert "copper, IPv4: HAS FAILED since" in words, words
            assert "new conversations are kept from it - mast, IPv4: works since" in words
            holds = place.run("holds")
            assert holds.code == 0, holds.told  # what the steward does is no difference
            (note,) = holds.json()["notes"]
            assert "IPv4 are kept from line copper since" in note and "brings them back" in note
            every = [alarm["matter"] for alarm in status(path)["alarms"]]
            assert not [one for one in every if one.startswith("health/line copper")]
            with talking(place) as standby:
                far(place, mend)
                eventually(lambda: stands(path, "copper") == "up used")
                assert new_line(place) == 1
                assert standby.do("say")
                assert waits.do("say")  # who said nothing meanwhile goes on, by his mark
                assert "elements" not in place.bench.shell(GONE)
                # The other line fails: what is on the one that survives lives on.
                with talking(place) as copper:
                    far(place, "ip link set peer1 down")
                    eventually(lambda: stands(path, "mast") == "down left")
                    assert copper.do("say") and new_line(place) == 1
                    assert not standby.do("say")
                    far(place, "ip link set peer0 down")
                    eventually(lambda: stands(path, "copper").startswith("down"))
                    assert stands(path, "copper") == "down used"  # the last one stays


# The lines in another order, so that each has the number of the other.
SWAPPED = re.sub(r"(  copper: \{)(.*\n)(  mast: .*\n)", r"\3\1role: main, \2", LINES)


def test_no_conversation_ends_for_a_line_that_failed_under_another_number_or_before_a_boot(
    tmp_path: Path,
) -> None:
    with gateway(tmp_path) as place:
        place.kept(LINES)
        place.far.do("serve", WEB)
        with steward(place) as path:
            eventually(lambda: stands(path, "copper") == stands(path, "mast") == "up used")
            far(place, "ip link set peer0 down")
            eventually(lambda: "0x00000001" in place.bench.shell(GONE))
            place.kept(SWAPPED)  # 1 is the mast now
            assert new_line(place) == 1
            eventually(lambda: "0x00000002" in place.bench.shell(GONE))
        far(place, "ip link set peer0 up")
        assert place.run("boot").code == 0  # with nobody at work who would empty the sets
        assert new_line(place) == 2
        assert "elements" not in place.bench.shell(GONE)


TOGETHER = """\
exits:
  - {from: office, with: http, by: [copper, mast], together: true, because: calls hold together}
"""


def test_who_talks_stays_on_his_line_until_he_is_quiet(tmp_path: Path) -> None:
    """A call goes on over the line where it is, and so does all that belongs to it; once it is over
    the device moves back to the better line."""
    with gateway(tmp_path) as place:
        place.kept(LINES + TOGETHER)
        place.far.do("serve", WEB)
        with steward(place) as path, talking(place, wait=True) as caller:
            eventually(lambda: stands(path, "copper") == stands(path, "mast") == "up used")
            far(place, "ip link set peer0 down")
            eventually(lambda: stands(path, "copper") == "down left")
            caller.do("dial", FAR, WEB, DESK)
            caller.begin("watch", TALK)
            far(place, "ip link set peer0 up")
            eventually(lambda: stands(path, "copper") == "up used")
            assert new_line(place) == 2
            assert [one["staying"] for one in status(path)["lines"]] == [0, 1]
            assert caller.end()["silent"] == 0  # the call was not cut
            eventually(lambda: [one["staying"] for one in status(path)["lines"]] == [0, 0])
            assert new_line(place) == 1 and not caller.do("say")
