"""What happens in the namespace of `test_kernel_sets`: argument 1 says which of it, in this folder.

python -m tests.steward.inside exact|process|mend|hops
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.duties.hours import due, turns
from netcharter.steward.loop import lines
from netcharter.steward.loop.door import ask
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import Fill, Hold, LineDue, LineFact, Schedule, Timed
from netcharter.tasks.steward import in_place
from tests.steward.apart import finished
from tests.steward.running import PATIENCE, manager, steward

DEVICES = ("eth0", "eth1.20", "lo")
# As the unit has it: root without root's powers but two.
LIMITED = (
    "setpriv",
    "--bounding-set=-all,+net_admin,+net_raw",
    "--inh-caps=-all",
    "--no-new-privs",
)
PROOFS = 100.0  # seconds for some proofs, and for what is done after them
SLACK = timedelta(milliseconds=150)  # between two programs that read the clock


def elements(name: str) -> dict[str, float]:
    """What a set holds, with the seconds each still has."""
    command = ["nft", "-j", "list", "set", "inet", "netcharter", name]
    said = subprocess.run(command, capture_output=True, check=True, timeout=PATIENCE).stdout
    found: dict[str, Any] = json.loads(said)["nftables"][1]["set"]
    return {one["elem"]["val"]: one["elem"]["expires"] for one in found.get("elem", [])}


def now() -> datetime:
    return datetime.now(UTC)


def eventually(what: Callable[[], bool], patience: float = PATIENCE) -> None:
    end = time.monotonic() + patience
    while not what():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)


def exact(folder: Path) -> None:
    """Elements are there until their instant and not after it; renewing makes them last longer."""
    nobody = Handed(lambda: None, lambda: "")
    world = RealWorld(folder, Settings(), nobody)
    first, second = "nc_open_evening", "nc_rest_lights-out"
    end = now() + timedelta(seconds=60)
    put(world, Fill(first, DEVICES, end), Fill(second, DEVICES, end))
    assert set(elements(first)) == set(elements(second)) == set(DEVICES)
    assert all(50 <= left <= 60 for left in elements(first).values()), elements(first)
    put(world, Fill(first, DEVICES[1:], end + timedelta(seconds=100)), Fill(second, (), end))
    renewed = elements(first)
    assert set(renewed) == set(DEVICES[1:]) and min(renewed.values()) > 100, renewed
    assert elements(second) == {}
    begin = now()
    end = begin + timedelta(seconds=1.5)
    put(world, Fill(first, DEVICES, end), Fill(second, DEVICES, end + timedelta(seconds=60)))
    late = now() - begin + SLACK  # nft is told how long, and not until when: it may take its time
    seen = [0, 0]
    while now() < end + late + timedelta(seconds=1):
        began, held = now(), elements(first)
        if now() < end - SLACK:
            assert set(held) == set(DEVICES)
            seen[0] += 1
        elif began > end + late:
            assert held == {}
            seen[1] += 1
    assert seen[1] and len(elements(second)) == 3, seen
    put(world, Fill(first, DEVICES, now() - timedelta(seconds=1)))
    assert elements(first) == {}
    try:
        put(world, Fill(first, DEVICES, now() + timedelta(seconds=60)), Fill("nc_open_x", (), end))
    except EffectFailed as fault:
        assert "nft" in fault.what
    else:
        raise AssertionError("a set that is not there was filled")
    assert set(elements(first)) == set(DEVICES)  # what can be done is done all the same


def put(world: RealWorld, *fills: Fill) -> None:
    finished(world.perform(Hold(fills)))


def process(folder: Path) -> None:
    """A real steward keeps the demo's hours; it is killed and comes back; what others do to the
    sets is put right."""
    plan = in_place(folder)
    assert plan is not None and plan.version == 1
    open_all_day = next(one.set for one in plan.timed if stays(one, plan))
    everywhere = set(plan.devices)
    notify = str(folder / "notify")
    with manager(notify) as heard, steward(folder, notify, before=LIMITED) as running:
        heard.until("READY=1")
        eventually(lambda: all(as_wanted(plan, one) for one in plan.timed))
        eventually(lambda: turn(running.path, "holds") != "waiting", PROOFS)
        told = {alarm["matter"]: alarm["text"] for alarm in status(running.path)["alarms"]}
        assert turn(running.path, "holds") == "well" and "eth0" in told["holds/kernel"], told
        assert all(left <= 300 for left in elements(open_all_day).values())
        nft(f"flush set inet netcharter {open_all_day}")
        assert json.loads(ask(running.path, {"ask": "wake"}, PATIENCE))["ok"]
        eventually(lambda: set(elements(open_all_day)) == everywhere)
        running.end(9)
        assert set(elements(open_all_day)) == everywhere  # what is there needs no steward
    nft(f"flush set inet netcharter {open_all_day}")
    with manager(notify + "2") as heard, steward(folder, notify + "2") as running:
        heard.until("READY=1")
        eventually(lambda: set(elements(open_all_day)) == everywhere)
        (folder / "kept").unlink()  # undone: nothing of ours is in place
        nft("delete table inet netcharter")
        eventually(lambda: status(running.path)["version"] is None)
        assert status(running.path)["duties"][0]["state"] == "well"
        assert running.end() == 0


def stays(one: Timed, plan: Schedule) -> bool:
    """Whether a set is to be filled all the time that this takes."""
    return due(one, plan, now()) and turns(one, plan, now(), now() + timedelta(hours=1)) is None


def mend(folder: Path) -> None:
    """A steward that mends: what is taken from the kernel comes back, and the alarm ends."""
    notify = str(folder / "notify")
    with manager(notify) as heard, steward(folder, notify, before=LIMITED) as running:
        heard.until("READY=1")

        def well() -> bool:
            ask(running.path, {"ask": "wake", "duty": "holds"}, PATIENCE)
            found = status(running.path)
            matters = [alarm["matter"] for alarm in found["alarms"]]
            return turn(running.path, "holds") == "well" and "holds/kernel" not in matters

        try:
            eventually(well, PROOFS)
            nft("delete table inet netcharter")
            eventually(lambda: b"nc_stray" in tables() and well(), PROOFS)
            plan = in_place(folder)
            assert plan is not None and plan.timed
            eventually(lambda: all(as_wanted(plan, one) for one in plan.timed))
        except AssertionError:
            raise AssertionError(status(running.path), running.said) from None
        assert running.end() == 0
    assert "the plan is put in place again" in running.said, running.said
    happened = [json.loads(line) for line in (folder / "history.jsonl").read_text().splitlines()]
    assert {(one["what"], one["who"], one["version"]) for one in happened} == {
        ("mended", "steward", 1)
    }


def hops(folder: Path) -> None:
    """A next hop that answers, one that does not, a carrier, a device that is not there."""
    other = subprocess.Popen(["unshare", "-n", "sleep", "100"])
    try:
        eventually(lambda: apart(other.pid))
        ip(f"link add copper0 type veth peer name far netns {other.pid}")
        ip("addr add 203.0.113.10/29 dev copper0")
        ip("link set copper0 up")
        assert not seen_carrier("copper0")
        far = ["nsenter", "-t", str(other.pid), "-n", "ip"]
        for words in ("addr add 203.0.113.9/29 dev far", "link set far up"):
            subprocess.run([*far, *words.split()], check=True, timeout=PATIENCE)
        eventually(lambda: seen_carrier("copper0"))
        assert (found()[0].no_address, found()[0].no_route) == (("203.0.113.12/29",), (4,))
        ip("addr add 203.0.113.12/29 dev copper0")
        ip("route add default via 203.0.113.9 dev copper0 table 101")
        assert (found()[0].no_address, found()[0].no_route) == ((), ())
        ip("route flush table 101")
        assert found()[0].no_route == (4,)
        eventually(lambda: answers() == {"203.0.113.9": True, "203.0.113.11": False})
        subprocess.run([*far, "link", "set", "far", "arp", "off"], check=True, timeout=PATIENCE)
        ip("neigh flush dev copper0")
        eventually(lambda: answers()["203.0.113.9"] is False)
    finally:
        other.kill()
        other.wait()


def apart(pid: int) -> bool:
    """Whether a process has got its own namespace by now."""
    return not os.path.samefile(f"/proc/{pid}/ns/net", "/proc/self/ns/net")


OWN = ("203.0.113.10/29", "203.0.113.12/29")
COPPER = LineDue("copper", "copper0", ("203.0.113.9", "203.0.113.11"), OWN, ((4, "101"),))
WAYS = (COPPER, LineDue("mast", "none0"))


def found() -> tuple[LineFact, ...]:
    plan = Schedule("Small", ZoneInfo("UTC"), {}, (), (), WAYS)
    return lines.lines(plan, Path("/sys"))


def seen_carrier(device: str) -> bool:
    copper, mast = found()
    assert mast.carrier is None
    return copper.carrier is True


def answers() -> dict[str, bool | None]:
    return dict(found()[0].answers)


def ip(words: str) -> None:
    subprocess.run(["ip", *words.split()], check=True, timeout=PATIENCE)


def tables() -> bytes:
    command = ["nft", "list", "ruleset"]
    return subprocess.run(command, capture_output=True, check=True, timeout=PATIENCE).stdout


def turn(path: str, name: str) -> str:
    return next(str(d["state"]) for d in status(path)["duties"] if d["name"] == name)


def as_wanted(plan: Schedule, one: Timed) -> bool:
    wanted = set(plan.devices) if due(one, plan, now()) else set()
    return set(elements(one.set)) == wanted


def status(path: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(ask(path, {"ask": "status"}, PATIENCE))
    return found


def nft(text: str) -> None:
    subprocess.run(["nft", "-f", "-"], input=text.encode(), check=True, timeout=PATIENCE)


if __name__ == "__main__":
    {"exact": exact, "process": process, "mend": mend, "hops": hops}[sys.argv[1]](Path.cwd())
