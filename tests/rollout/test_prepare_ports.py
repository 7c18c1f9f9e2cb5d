"""Cables plugged and pulled, bouncing, two at once, none: which socket is which."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from pathlib import Path

from netcharter.rollout.preparing.ports import (
    PATIENCE,
    SETTLED,
    Heard,
    Port,
    Watch,
    looked,
    mapping,
    ports_of,
    skipped,
    sockets,
)
from netcharter.rollout.preparing.reading import facts_of
from netcharter.rollout.run import gathering
from tests.rollout.machine import USES, answers, link, vlan

PORTS = (Port("eth0", ("copper",)), Port("eth2", ("office",)), Port("eth3", ("phones", "cameras")))
NONE = {"a": False, "b": False, "c": False, "d": False}


class Bench:
    """Somebody at the machine: time passes in tenths of a second, sockets feel what is done."""

    def __init__(self, ports: tuple[Port, ...] = PORTS, **felt: bool) -> None:
        self.watch = Watch(ports)
        self.felt: dict[str, bool | None] = {**NONE, **felt}
        self.at = 1000.0
        self.heard: list[Heard] = []

    def look(self) -> str:
        self.watch, heard = looked(self.watch, self.at, dict(self.felt))
        self.at += 0.1
        self.heard.append(heard)
        return heard.saying

    def wait(self, seconds: float) -> list[str]:
        said = [self.look() for _ in range(round(seconds * 10))]
        return [one for one in said if one != "wait"]

    def plug(self, *names: str, seconds: float = SETTLED + 0.5) -> list[str]:
        self.felt |= {name: not self.felt[name] for name in names}
        return self.wait(seconds)


def test_one_cable_after_the_other() -> None:
    bench = Bench()
    assert bench.wait(1) == ["begin"]
    assert (
        bench.heard[0].words == "plug the cable of copper in now; if it is in already, pull it out"
    )
    assert bench.plug("c") == ["told", "begin"]
    assert bench.plug("a") == ["told", "begin"]
    assert bench.heard[-1].port == PORTS[2]
    assert set(bench.plug("b")) == {"told", "done"}
    assert bench.watch.done
    assert bench.watch.found == {"eth0": "c", "eth2": "a", "eth3": "b"}
    assert [one.words for one in bench.heard if one.saying == "told"] == [
        "copper: c", "office: a", "phones, cameras: b",
    ]  # fmt: skip


def test_a_cable_that_is_in_is_pulled() -> None:
    bench = Bench(a=True, b=True)
    bench.wait(1)
    assert bench.plug("b")[0] == "told"
    assert bench.watch.found == {"eth0": "b"}


def test_what_bounces_counts_once_it_is_still() -> None:
    bench = Bench()
    bench.wait(1)
    for _ in range(20):
        assert bench.plug("c", seconds=0.3) == []
    bench.felt["c"] = False
    assert bench.wait(5) == []  # it ended where it began
    assert bench.plug("c", seconds=SETTLED - 0.2) == []
    assert bench.wait(1)[0] == "told"


def test_two_at_once_are_asked_for_again() -> None:
    bench = Bench()
    bench.wait(1)
    assert bench.plug("a", "d") == ["several"]
    said = next(one for one in bench.heard if one.saying == "several")
    assert said.devices == ("a", "d") and "copper once more" in said.words
    assert bench.watch.found == {}
    assert bench.plug("a")[0] == "told"  # out again, and only it
    assert bench.watch.found == {"eth0": "a"}


def test_one_shortly_after_the_other_is_two_at_once() -> None:
    bench = Bench()
    bench.wait(1)
    assert bench.plug("a", seconds=SETTLED / 2) == []
    assert bench.plug("b") == ["several"]


def test_nothing_within_the_time() -> None:
    bench = Bench()
    bench.wait(1)
    assert bench.wait(PATIENCE) == ["nothing", "begin"]
    assert bench.watch.skipped == ("eth0",)
    assert bench.plug("a")[0] == "told"
    assert bench.watch.found == {"eth2": "a"}


def test_what_is_known_is_out_of_the_game() -> None:
    bench = Bench()
    bench.wait(1)
    bench.plug("c")
    assert bench.plug("c", seconds=10) == []  # put back, or pulled by mistake
    assert bench.plug("c", "a")[0] == "told"
    assert bench.watch.found == {"eth0": "c", "eth2": "a"}


def test_a_socket_that_is_off_comes_or_goes_is_no_cable() -> None:
    bench = Bench()
    bench.felt["d"] = None
    bench.wait(1)
    bench.felt["e"] = False
    assert bench.wait(5) == []
    del bench.felt["e"], bench.felt["d"]
    assert bench.wait(5) == []
    bench.felt["f"] = True  # one that was plugged into the machine together with its cable
    assert bench.wait(5)[0] == "told"


def test_a_keeper_may_go_on() -> None:
    watch = skipped(Watch(PORTS[:1]))
    assert watch.done and watch.skipped == ("eth0",) and skipped(watch) == watch
    assert looked(watch, 0, {})[1].words == "all cables are known"


def test_only_what_differs_is_changed_in_the_charter() -> None:
    assert mapping(Watch((), {"eth0": "eth0", "eth2": "eth3", "eth3": "eth2"})) == {
        "eth2": "eth3", "eth3": "eth2",
    }  # fmt: skip


def test_a_device_with_vlans_is_one_cable_and_only_real_ones_are_sockets() -> None:
    assert ports_of(USES) == PORTS
    devices = facts_of(answers(link("eth0"), vlan("eth0.7", "eth0", 7))).devices
    assert devices is not None and sockets(devices) == ("eth0",)


def test_names_are_escaped() -> None:
    assert "\x1b" not in Heard("told", PORTS[0], ("\x1b[31m",)).words


def test_whatever_happens_no_two_cables_are_in_one_socket() -> None:
    for seed in range(40):
        dice = random.Random(seed)
        bench = Bench()
        for _ in range(400):
            for name in NONE:
                if dice.random() < 0.02:
                    bench.felt[name] = dice.choice([True, False, None])
            bench.at += dice.choice([0, 0.1, 1, 5])
            bench.look()
        found = [*bench.watch.found.values()]
        assert len(set(found)) == len(found)
        every = [*bench.watch.found, *bench.watch.skipped, *(p.device for p in bench.watch.todo)]
        assert every and sorted(every) == ["eth0", "eth2", "eth3"]


# --- real files ----------------------------------------------------------------------------------


def test_files_are_watched_until_all_is_known(tmp_path: Path) -> None:
    places = {name: tmp_path / "sys/class/net" / name for name in ("a", "b")}
    for place in places.values():
        place.mkdir(parents=True)
        (place / "carrier").write_text("0\n")
    said: list[str] = []
    plugged: Iterable[str] = iter(("b", "a"))
    watching = gathering.watching(Watch(PORTS[:2]), places, settled=0, root=str(tmp_path))
    found: Mapping[str, str] = {}
    for watch, heard in watching:
        said.append(heard.saying)
        found = watch.found
        if heard.saying == "begin":
            (places[next(iter(plugged))] / "carrier").write_text("1\n")
    assert said == ["begin", "told", "begin", "told", "done"]
    assert found == {"eth0": "b", "eth2": "a"}


def test_watching_ends_by_itself(tmp_path: Path) -> None:
    *_, (watch, heard) = gathering.watching(Watch(PORTS), ["a"], patience=0, root=str(tmp_path))
    assert watch.skipped == ("eth0", "eth2", "eth3") and heard.saying == "done"
