"""One who is refused now is cut before anything is read back: seen by the one who talks, not by us.

How soon that is, is a matter of figures (benchmarks/FIGURES-enact.md). What is not cut talks on for
as long as it likes, since the filter lets what is established.
"""

from __future__ import annotations

import json
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from netcharter.steward.loop.door import ask
from tests.cli.cutting import LESS, TRACKED, cuts
from tests.cli.gateway import (
    CHARTER,
    COPPER,
    FAR,
    HURRY,
    LIMIT,
    SSH,
    Gateway,
    faked,
    gateway,
)
from tests.steward.test_hours_end import status, steward

pytestmark = pytest.mark.kernel

LONG = 8  # seconds that reading back takes where it is made slow

# Faked: to list the rules takes long, as it takes long to read back many of them. When it began is
# written down, in seconds from boot.
SLOW = """case " $* " in
*" -j list ruleset "*) cut -d " " -f 1 /proc/uptime >> LISTED; sleep LONG;;
esac"""


@pytest.mark.parametrize("slow", [False, True], ids=["", "where-reading-back-takes-long"])
def test_who_is_refused_now_is_cut_before_anything_is_read_back(tmp_path: Path, slow: bool) -> None:
    if not Path(TRACKED).exists():
        pytest.skip(f"ONE TEST OF ENACT DID NOT RUN: this kernel has no {TRACKED}")
    listed = tmp_path / "listed"
    fake = SLOW.replace("LISTED", str(listed)).replace("LONG", str(LONG))
    with gateway(tmp_path) as place:
        place.kept()
        place.logged_in()
        for one in cuts(place, faked(place, "slow", fake) if slow else ""):
            assert one.silent and not one.tracked, one
            end = _first_after(one.swapped, listed) + LONG if slow else one.through
            assert one.swapped + one.last < end, one
        assert place.desk.do("say"), "the administrator's own conversation is never cut"
        assert not place.far.do("probe", COPPER, SSH, FAR)
        assert place.run("undo").json()["left"] == []
        assert place.far.do("probe", COPPER, SSH, FAR)


def _first_after(swapped: float, listed: Path) -> float:
    """When reading back began (CLOCK_MONOTONIC)."""
    slept = time.clock_gettime(time.CLOCK_BOOTTIME) - time.monotonic()
    began = [float(line) - slept for line in listed.read_text().split()]
    return min(when for when in began if when > swapped)


@pytest.mark.parametrize("back", [(), ("1",)], ids=["what-is-on-trial", "an-earlier-version"])
def test_going_back_cuts_what_the_version_before_refuses(
    tmp_path: Path, back: tuple[str, ...]
) -> None:
    if not Path(TRACKED).exists():
        pytest.skip(f"ONE TEST OF ENACT DID NOT RUN: this kernel has no {TRACKED}")
    with gateway(tmp_path) as place:
        place.write("less.yaml", LESS)
        place.write("good.yaml", CHARTER)
        assert place.run("enact", "less.yaml", *HURRY).code == 0
        assert place.run("keep").code == 0
        place.logged_in()
        assert place.run("enact", "good.yaml", *HURRY).code == 0
        if back:
            assert place.run("keep").code == 0
        place.far.do("dial", COPPER, SSH, FAR)
        assert place.far.do("say")
        again = place.run("undo", *back).json()["again"]
        assert [FAR in one["sentence"] for one in again["cut"]] == [True], again
        assert not place.far.do("say")
        assert place.desk.do("say"), "the administrator's own conversation is never cut"


def test_the_steward_cuts_what_the_version_refuses_that_the_timer_brings_back(
    tmp_path: Path,
) -> None:
    """The administrator's conversation is let by it, and so goes on."""
    if not Path(TRACKED).exists():
        pytest.skip(f"ONE TEST OF ENACT DID NOT RUN: this kernel has no {TRACKED}")
    with gateway(tmp_path) as place:
        place.kept(LESS)
        place.logged_in()
        (tmp_path / "state" / "steward.yaml").write_text("steward: 1\ntrust-clock: true\n")
        place.write("good.yaml", CHARTER)
        assert place.run("enact", "good.yaml", *HURRY).code == 0
        place.far.do("dial", COPPER, SSH, FAR)
        undone(place)
        with steward(place) as path:
            end = time.monotonic() + LIMIT
            while (found := status(path, place)["cutting"])["at"] is None:
                assert time.monotonic() < end, found
                time.sleep(0.1)
            assert (found["cut"], found["why"]) == (1, "version 1 stands again"), found
        assert not place.far.do("say")
        assert place.desk.do("say")


def test_the_steward_leaves_the_session_alone_from_which_one_undoes(tmp_path: Path) -> None:
    """It is refused by the version gone back to, and open only since the other let it. The steward
    looks again and again meanwhile."""
    if not Path(TRACKED).exists():
        pytest.skip(f"ONE TEST OF ENACT DID NOT RUN: this kernel has no {TRACKED}")
    with gateway(tmp_path) as place:
        place.kept(LESS)
        (tmp_path / "state" / "steward.yaml").write_text("steward: 1\ntrust-clock: true\n")
        place.write("good.yaml", CHARTER)
        assert place.run("enact", "good.yaml", *HURRY).code == 0
        with steward(place) as path, ThreadPoolExecutor(1) as beside:
            host, port = place.far.do("dial", COPPER, SSH, FAR)
            place.session = f"{host} {port} {COPPER} {SSH}"
            undoing = beside.submit(place.run, "undo")
            while not undoing.done():
                turned(path, place)
            assert undoing.result().json()["again"]["cut"] == []
            for _ in range(3):
                turned(path, place)
            assert status(path, place)["cutting"]["at"] is None
        assert place.far.do("say")


def turned(path: str, place: Gateway) -> None:
    """Once the duty that has conversations cut has had a turn more."""
    before, end = last_turn(path, place), time.monotonic() + LIMIT
    while last_turn(path, place) == before:
        ask(path, {"ask": "wake", "duty": "conversations"}, LIMIT)
        time.sleep(0.05)
        assert time.monotonic() < end


def last_turn(path: str, place: Gateway) -> object:
    duties = status(path, place)["duties"]
    return next(duty["ran"] for duty in duties if duty["name"] == "conversations")


def undone(place: Gateway) -> None:
    """Once the timer has undone it, whose time has come now."""
    path = place.folder / "state" / "trial" / "trial.json"
    trial = json.loads(path.read_bytes())
    early = path.with_name("early")
    early.write_text(json.dumps(trial | {"deadline_boot": 0.0}))
    early.rename(path)
    end = time.monotonic() + LIMIT
    while (place.folder / "state" / "trial").exists():
        assert time.monotonic() < end
        time.sleep(0.1)
