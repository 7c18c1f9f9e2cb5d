"""Files and services of a kit on a host, by a pretended service manager that can die anywhere.

The manager follows systemctl(1) and systemd.unit(5): a unit that was loaded stays as it was until
`daemon-reload`; `start` does nothing for one that runs; `disable` fails where there is no file.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from ipaddress import ip_interface
from itertools import product

import pytest

from netcharter.render import render
from netcharter.render.placing import OURS, UNITS
from netcharter.rollout import placing
from netcharter.rollout import wanted as wanting
from netcharter.rollout.contents import KitBroken, contents
from netcharter.rollout.converge import converge, left_out, rehearsal
from netcharter.rollout.shapes import (
    Effect,
    Folder,
    Held,
    HostState,
    Link,
    Lying,
    Remove,
    Route,
    Run,
    Running,
    Step,
    Write,
)
from netcharter.rollout.snapshot import restored, snapshot
from netcharter.rollout.unlike import unlike
from netcharter.rollout.wanted import as_before, by_hand, needs, settings_of, wanted
from tests.rollout.scene import planned

CHARTER = """
charter: 1
site: {{name: Hut, timezone: Europe/London, managed-from: desk}}
lines:
  copper: {{device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
{lines}
areas:
  office: {{device: eth1, prefix: 10.7.0.0/26}}
devices:
  desk: {{area: office, hardware: '02:00:00:aa:00:01', address: lasting}}
"""
DIALLED = "  fibre: {{device: eth2, mtu: {mtu}, pppoe: {{as: site@isp.example}}}}"
SECOND = "  mast: {device: eth3, pppoe: {as: other@isp.example}}"
UNIT, OTHER = "netcharter-ppp2.service", "netcharter-ppp3.service"
PEER, HOOK = "/etc/ppp/peers/netcharter-ppp2", "/etc/ppp/ip-up.d/netcharter"


def kit(*lines: str) -> Mapping[str, bytes]:
    return render(planned(CHARTER.format(lines="\n".join(lines)))).files


PLAIN, ONE = kit(), kit(DIALLED.format(mtu=1492))
NARROW, TWO = kit(DIALLED.format(mtu=1400)), kit(DIALLED.format(mtu=1492), SECOND)
KITS = (None, PLAIN, ONE, NARROW, TWO)
NAMES = settings_of(ONE, NARROW, TWO)


class Died(BaseException):
    """Nothing more of it happens."""


@dataclass
class Machine:
    """files: by path; loaded: what the manager knows of units; runs: by which files each runs;
    dies: before which effect, half-way through a file."""

    files: dict[str, tuple[bytes, int]] = field(default_factory=dict)
    loaded: dict[str, bytes] = field(default_factory=dict)
    runs: dict[str, dict[str, bytes]] = field(default_factory=dict)
    enabled: set[str] = field(default_factory=set)
    failed: set[str] = field(default_factory=set)
    manager: bool = True
    dies: int | None = None
    asked: list[tuple[str, ...]] = field(default_factory=list)

    def observe(self, names: Iterable[str] = NAMES) -> HostState:
        lying = {p: self._lying(p) for p in names if placing.is_path(p)}
        units = {u: self._running(u) for u in names if placing.is_unit(u) and self.manager}
        return HostState(0.0, files=lying, services=units)

    def _lying(self, path: str) -> Lying | None:
        found = self.files.get(path)
        return None if found is None else placing.lying(path, *found)

    def _running(self, unit: str) -> Running:
        on = unit in self.runs
        return Running(on, on and unit not in self.failed, unit in self.enabled)

    def take(self, steps: Iterable[Step]) -> None:
        for number, effect in enumerate(e for step in steps for e in step.effects):
            if number == self.dies:
                if isinstance(effect, Write):
                    self.files[effect.path + placing.NEW] = effect.data[:5], effect.mode
                raise Died
            self._do(effect)

    def _do(self, effect: Effect) -> None:
        match effect:
            case Write(path, data, mode):
                self.files.pop(path + placing.NEW, None)
                self.files[path] = data, mode
            case Remove(path):
                self.files.pop(path, None)
            case Run(argv) if argv[0] == "systemctl":
                words = [word for word in argv[1:] if not word.startswith("--")]
                self.asked.append(tuple(words))
                assert self._manage(*words) or not effect.fails, argv
            case Folder() | Run():
                pass

    def _manage(self, verb: str, *units: str) -> bool:
        if verb == "daemon-reload":
            self.loaded.clear()
        for unit in units:
            file = self.files.get(placing.unit_path(unit))
            if verb in ("start", "enable", "disable") and file is None:
                return False
            if verb == "stop":
                self.runs.pop(unit, None)
            elif verb == "start" and unit not in self.runs and file is not None:
                self.loaded.setdefault(unit, file[0])
                self.failed.discard(unit)
                stem = unit.removeprefix("netcharter-").removesuffix(".service")
                ppp = {p: d for p, (d, _) in self.files.items() if not p.startswith(UNITS)}
                own = {p: d for p, d in ppp.items() if stem in p or (p == HOOK and "ppp" in stem)}
                self.runs[unit] = {**own, placing.unit_path(unit): self.loaded[unit]}
            elif verb == "enable":
                self.enabled.add(unit)
            elif verb == "disable":
                self.enabled.discard(unit)
        return True

    def stale(self) -> list[str]:
        """Services that run by other files than lie there."""
        return [
            f"{unit}: {path}"
            for unit, by in self.runs.items()
            for path, data in by.items()
            if self.files.get(path, (None, 0))[0] != data
        ]


@pytest.fixture(autouse=True)
def read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Kits are read some thousand times here, and do not change."""
    known = {id(kit): contents(kit) for kit in KITS if kit}
    monkeypatch.setattr(wanting, "contents", lambda kit: known[id(kit)])


def elsewhere(state: HostState) -> HostState:
    """What is looked at here alone."""
    return HostState(0.0, files=state.files, services=state.services)


def led(machine: Machine, new: Mapping[str, bytes] | None, old: Mapping[str, bytes] | None) -> None:
    """To a kit, or to none."""
    now = machine.observe()
    both = [each for each in (new, old) if each is not None]
    target = wanted(new, now, old) if new else as_before(HostState(0.0), now, *both)
    machine.take(converge(now, elsewhere(target), needs=needs(*both)))


def is_as(machine: Machine, kit: Mapping[str, bytes] | None) -> bool:
    """Whether just the files of a kit lie there and its services run by them; of the manifest."""
    told = json.loads(kit["manifest.json"]) if kit else {"placed": [], "services": []}
    files = {p["at"]: (kit[p["file"]], int(p["mode"], 8)) for p in told["placed"]} if kit else {}
    runs = {one["unit"] for one in told["services"]}
    return machine.files == files and set(machine.runs) == runs and not machine.stale()


@pytest.mark.parametrize("old", range(len(KITS)))
@pytest.mark.parametrize("new", range(len(KITS)))
def test_wherever_one_dies_who_comes_next_makes_it_old_or_new(old: int, new: int) -> None:
    """Of every pair of kits, at every effect: undone to what stood before, and led on as well."""
    for died in range(40):
        one, other = Machine(), Machine()
        for machine in (one, other):
            led(machine, KITS[old], None)
            assert is_as(machine, KITS[old])
        before = restored("a snapshot", snapshot(one.observe()))
        one.dies = other.dies = died
        lived = True
        try:
            led(one, KITS[new], KITS[old])
        except Died:
            lived = False
            with pytest.raises(Died):
                led(other, KITS[new], KITS[old])
        one.dies = other.dies = None
        both = [kit for kit in (KITS[new], KITS[old]) if kit]
        now = one.observe()
        target = as_before(before, now, *both)
        one.take(converge(now, elsewhere(target), needs=needs(*both)))
        assert is_as(one, KITS[old]), died
        assert unlike(elsewhere(before), one.observe()) == ()
        led(other, KITS[new], KITS[old])
        assert is_as(other, KITS[new]), died
        if lived:
            return
    raise AssertionError("there are more effects than were tried")


def test_a_start_of_the_machine_in_a_trial_brings_its_files_back_before_anything_runs() -> None:
    for old, new in product((None, PLAIN, ONE, TWO), (ONE, NARROW, TWO, PLAIN)):
        machine = Machine()
        led(machine, old, None)
        before = machine.observe()
        led(machine, new, old)
        machine.runs.clear()  # nothing is enabled, so nothing runs
        machine.loaded.clear()
        assert not machine.enabled
        now = machine.observe()
        machine.take(placing.later(converge(now, placing.put_back(before, now))))
        assert machine.runs == {} and machine.observe().files == before.files
        led(machine, old, None)
        assert is_as(machine, old)


def test_what_is_as_it_should_be_is_left_alone() -> None:
    machine = Machine()
    led(machine, ONE, None)
    machine.asked.clear()
    led(machine, ONE, ONE)
    assert machine.asked == []
    led(machine, TWO, ONE)  # the session that both have goes on
    assert not any("stop" in words or UNIT in words for words in machine.asked)
    assert any(words == ("start", OTHER) for words in machine.asked)


def test_a_service_that_ends_again_and_again_is_told_and_begun_anew() -> None:
    machine = Machine()
    led(machine, ONE, None)
    machine.failed.add(UNIT)
    target = elsewhere(wanted(ONE, machine.observe(), ONE))
    assert unlike(target, machine.observe()) == (
        f"service {UNIT} is begun again and again, and ends",
    )
    led(machine, ONE, ONE)
    assert is_as(machine, ONE) and not machine.failed


def test_whatever_is_not_as_planned_is_told_and_mended() -> None:
    machine = Machine()
    led(machine, ONE, None)
    del machine.files[HOOK]
    machine.files[PEER] = machine.files[PEER][0] + b"debug\n", 0o600
    machine.runs.clear()
    target = elsewhere(wanted(ONE, machine.observe(), None))
    assert set(unlike(target, machine.observe())) >= {
        f"file missing: {HOOK}",
        f"file {PEER} holds something else",
        f"service {UNIT} does not run",
    }
    led(machine, ONE, None)
    assert is_as(machine, ONE)
    machine.files[PEER] = machine.files[PEER][0], 0o600
    assert unlike(target, machine.observe()) == (f"file {PEER} has mode 0600 instead of 0644",)


def test_a_file_of_others_is_neither_written_over_nor_taken_away() -> None:
    theirs = (b"#!/bin/sh\n# mine\n", 0o755)
    machine = Machine(files={PEER: theirs})
    now = machine.observe()
    target = elsewhere(wanted(ONE, now, None))
    assert placing.foreign(now, target) == (PEER,)
    assert left_out(now, target) == (
        f"{PEER} is there, and it is not netcharter's; it is left as it is",
    )
    led(machine, ONE, None)
    assert machine.files[PEER] == theirs and machine.files[HOOK][1] == 0o755
    led(machine, None, ONE)
    assert machine.files == {PEER: theirs}


def test_a_unit_of_others_is_neither_begun_nor_ended() -> None:
    path = f"{UNITS}/{UNIT}"
    machine = Machine(files={path: (b"[Service]\n", 0o644)})
    led(machine, ONE, None)
    assert UNIT not in machine.runs
    machine.runs[UNIT] = {}
    led(machine, PLAIN, ONE)
    assert UNIT in machine.runs and path in machine.files


def test_a_unit_that_its_keeper_enabled_stays_so_and_goes_with_its_file() -> None:
    machine = Machine()
    led(machine, ONE, None)
    machine.enabled.add(UNIT)
    before = machine.observe()
    led(machine, NARROW, ONE)
    assert machine.enabled == {UNIT}
    led(machine, PLAIN, NARROW)
    assert machine.enabled == set() and ("disable", UNIT) in machine.asked
    now = machine.observe()
    machine.take(converge(now, elsewhere(as_before(before, now, ONE, PLAIN)), needs=needs(ONE)))
    assert machine.enabled == {UNIT} and is_as(machine, ONE)


def test_without_a_service_manager_files_are_placed_and_commands_named() -> None:
    machine = Machine(manager=False)
    led(machine, ONE, None)
    assert PEER in machine.files and machine.asked == [] and machine.runs == {}
    told = (
        "systemd does not run here; begin netcharter-ppp2 yourself: /usr/sbin/pppd call netcharter"
    )
    assert any(one == f"{told}-ppp2 nodetach" for one in by_hand(ONE, None, machine.observe()))
    assert by_hand(ONE, None, Machine().observe()) == ()
    assert not any("ppp" in one for one in by_hand(PLAIN, None, machine.observe()))
    ended = "systemd does not run here; end netcharter-ppp2 yourself, if you began it"
    assert ended in by_hand(PLAIN, ONE, machine.observe())
    assert ended in by_hand(None, ONE, machine.observe())
    assert by_hand(ONE, ONE, machine.observe()) == () == by_hand(None, None, machine.observe())
    (anew,) = by_hand(NARROW, ONE, machine.observe())
    assert anew == f"{told}-ppp2 nodetach"


def test_a_host_that_was_not_asked_for_files_is_left_alone() -> None:
    bare = HostState(0.0)
    steps = converge(bare, elsewhere(wanted(ONE, bare, None)), needs=needs(ONE))
    assert steps == () and rehearsal(steps) == ()


def test_ours_are_told_by_their_first_lines() -> None:
    mark = OURS.encode()
    for data in (mark + b"x\n", b"#!/bin/sh\n" + mark + b"x\n"):
        assert placing.lying("/etc/x", data, 0o644).ours
    for other in (b"", b"\n", b"x\n" + mark + b"x\n", b"#!/bin/sh\n\n" + mark + b"\n", None):
        assert not placing.lying("/etc/x", other, 0o644).ours
    assert placing.lying(f"/etc/x{placing.NEW}", b"", 0o600).ours
    odd = bytes(range(256))
    found = placing.lying("/etc/x", OURS.encode() + odd, 0o644)
    state = HostState(0.0, files={"/etc/x": found, "/etc/y": None}, services={UNIT: Running(True)})
    assert restored("x", snapshot(state)) == state


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("at", "/tmp/x"), ("at", "/etc/../srv/x"), ("at", "/etc/x\n"), ("at", "etc/x"),
        ("at", 3), ("mode", "rwx"), ("mode", None), ("file", "nftables.nft"), ("file", "none"),
    ],
)  # fmt: skip
def test_a_manifest_that_places_anything_else_is_no_kit(key: str, value: object) -> None:
    told = json.loads(ONE["manifest.json"])
    told["placed"][0][key] = value
    with pytest.raises(KitBroken, match="lies elsewhere"):
        contents({**ONE, "manifest.json": json.dumps(told).encode()})


def test_a_service_of_another_name_is_none_and_kits_of_before_have_none() -> None:
    told = json.loads(ONE["manifest.json"])
    told["services"][0]["unit"] = "ssh.service"
    with pytest.raises(KitBroken, match="lies elsewhere"):
        contents({**ONE, "manifest.json": json.dumps(told).encode()})
    del told["services"], told["placed"]
    found = contents({**ONE, "manifest.json": json.dumps(told).encode()})
    assert (found.placed, found.services) == ({}, {})


def test_a_manager_s_answers_are_read_as_it_writes_them() -> None:
    """systemctl(1), `show`: blocks of properties, apart by an empty line; states of
    org.freedesktop.systemd1(5)."""

    def block(unit: str, active: str, sub: str, file: str) -> str:
        return f"Id={unit}\nActiveState={active}\nSubState={sub}\nUnitFileState={file}\n"

    said = "\n".join((
        block(UNIT, "activating", "auto-restart", "enabled"), block(OTHER, "inactive", "dead", ""),
    ))  # fmt: skip
    assert placing.answer([UNIT, OTHER], said) == {
        UNIT: Running(True, False, True), OTHER: Running()
    }  # fmt: skip
    assert placing.answer([UNIT], block(UNIT, "active", "running", "disabled")) == {
        UNIT: Running(True, True)
    }
    for wrong in ("", "Id=x", block("ssh.service", "active", "running", ""), "\n" + block(OTHER, "failed", "failed", "")):  # fmt: skip
        with pytest.raises(ValueError, match="expected|every"):
            placing.answer([UNIT], wrong)


def test_what_came_with_a_session_is_as_it_is_now() -> None:
    """An undo neither brings an old address of a provider's back nor calls it missing."""

    def up(address: str) -> HostState:
        words = ("default", "dev", "ppp2", "table", "102", "proto", "4", "scope", "253")
        return HostState(
            0.0,
            links=(Link("ppp2", True),),
            addresses=(Held("ppp2", ip_interface(address)),),
            routes=(Route(4, words),),
        )

    before, now = up("203.0.113.77/32"), up("203.0.113.78/32")
    assert as_before(before, now, ONE).addresses == now.addresses
    down = replace(now, links=(), addresses=(), routes=())
    assert unlike(as_before(before, down, ONE), down) == ()
