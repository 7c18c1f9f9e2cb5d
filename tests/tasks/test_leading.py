"""A kit as it is while the steward keeps new conversations from a line: no difference, and no excuse."""

from __future__ import annotations

import errno
import fcntl
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast

import pytest

from netcharter.plan.shapes import Plan
from netcharter.render import render
from netcharter.rollout.contents import contents
from netcharter.rollout.host import Host
from netcharter.rollout.reading import fields, written
from netcharter.rollout.shapes import HostState
from netcharter.rollout.store import Paths
from netcharter.rollout.trouble import RolloutRefused
from netcharter.steward.duties.lines import Condition, State, duty, read
from netcharter.steward.loop.alone import alone, at_work
from netcharter.tasks.enacting.leading import as_led, as_led_before, left_out
from netcharter.tasks.sources import Source, usable_plan
from tests.cli.gateway import CHARTER

PLAN = usable_plan(Source("hut.yaml", CHARTER.encode())).plan
KIT = dict(render(PLAN).files)
COPPER = ("copper", 4)
NOW = datetime(2026, 11, 26, 3, tzinfo=UTC)


@dataclass
class Disk:
    """A host of which only one file is asked for."""

    data: bytes | None

    def read(self, path: str) -> bytes | None:
        assert path == "/srv/state/steward/lines.json"
        return self.data


def led(data: bytes | None, kernel: Mapping[str, bytes]) -> dict[str, bytes]:
    now = HostState(0.0, choices=contents(kernel).choices)
    return as_led(cast(Host, Disk(data)), Paths("/srv/state"), PLAN, KIT, now)


def saved(*out: tuple[str, int]) -> bytes:
    legs = {COPPER: Condition(False, NOW, "silent")}
    return written(duty().written(State(legs, frozenset(out))))


def lacking() -> dict[str, bytes]:
    """The kernel without copper's rules, as `ip rule` was told."""
    text = KIT["routes.batch"].decode().splitlines(keepends=True)
    gone = [line for line in text if line.endswith(" lookup 101\n") and " fwmark 0x1/" not in line]
    assert len(gone) == 2
    return {**KIT, "routes.batch": "".join(one for one in text if one not in gone).encode()}


def test_what_the_steward_took_away_is_not_wanted() -> None:
    assert led(saved(COPPER), lacking()) == lacking()


@pytest.mark.parametrize("data", [None, b"{", saved()])
def test_what_it_did_not_write_down_is_wanted(data: bytes | None) -> None:
    assert led(data, lacking()) == KIT


@pytest.mark.parametrize(
    ("working", "said"),
    [
        (True, "the steward brings them back"),
        (False, "no steward is at work, so nobody brings them back"),
        (None, "can't be told here"),
    ],
)
def test_what_is_not_wanted_is_told_with_its_age(working: bool | None, said: str) -> None:
    """Else the file of a steward that died would excuse it for ever, and nobody knew."""
    found = read(fields("lines.json", saved(COPPER)))
    now = HostState(0.0, choices=contents(lacking()).choices)
    (text,) = left_out(found, PLAN, now, NOW + timedelta(hours=5, minutes=7), working)
    assert text.startswith(
        "note: new conversations of IPv4 are kept from line copper since 2026-11-26T03:00:00Z"
        " (5 h 7 min): it had failed; "
    )
    assert said in text
    whole = HostState(0.0, choices=contents(KIT).choices)
    assert not [*left_out(found, PLAN, whole, NOW, working)]


def test_a_lock_that_can_not_be_had_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert at_work(tmp_path) is False
    with alone(tmp_path):
        assert at_work(tmp_path) is True
        with pytest.raises(RolloutRefused, match="at work with this state folder already"):
            alone(tmp_path).__enter__()
    assert at_work(tmp_path) is False

    def no_locks(descriptor: int, what: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", no_locks)
    assert at_work(tmp_path) is None
    with pytest.raises(RolloutRefused, match="No locks available"):
        alone(tmp_path).__enter__()
    with pytest.raises(RolloutRefused, match="can't be locked"):
        alone(tmp_path / "nowhere").__enter__()


def test_what_is_there_all_the_same_is_wanted() -> None:
    assert led(saved(COPPER), KIT) == KIT


def test_the_last_line_is_wanted_whatever_was_written_down() -> None:
    """As where an earlier version had more lines, or the file is an old one."""
    data = saved(COPPER, ("mast", 4))
    text = KIT["routes.batch"].decode().splitlines(keepends=True)
    none = "".join(line for line in text if "lookup 10" not in line or " fwmark " in line)
    assert led(data, {**KIT, "routes.batch": none.encode()}) == KIT


def of(text: str) -> tuple[Plan, dict[str, bytes]]:
    plan = usable_plan(Source("hut.yaml", text.encode())).plan
    return plan, dict(render(plan).files)


def led_before(text: str, kernel: Mapping[str, bytes], before: Plan | None = PLAN) -> bool:
    """Whether a charter that is to come leaves copper out as it is out now."""
    plan, files = of(text)
    now = HostState(0.0, choices=contents(kernel).choices)
    host = cast(Host, Disk(saved(COPPER)))
    found = as_led_before(host, Paths("/srv/state"), before, plan, files, now)
    (number,) = (line.number for line in plan.lines if line.name == "copper")
    lines = files["routes.batch"].decode().splitlines(keepends=True)
    ours = [one for one in lines if one.endswith(f" lookup {100 + number}\n")]
    gone = [one for one in ours if f" fwmark {number:#x}/" not in one]
    out = "".join(one for one in lines if one not in gone).encode()
    assert found in (files, {**files, "routes.batch": out}) and out != files["routes.batch"]
    return found != files


MORE = CHARTER + "  - {let: barn, reach: internet, with: https, because: bookings}\n"
FIRST = CHARTER.replace(
    "  copper:", "  new: {device: eth7, address: 192.0.2.34/28, next-hop: 192.0.2.33}\n  copper:"
)


def test_a_charter_that_comes_while_a_line_is_out_leaves_it_out() -> None:
    assert led_before(MORE, lacking())
    assert led_before(FIRST, lacking()), "also where it has another number by then"


def test_a_charter_that_comes_takes_a_line_that_is_in_or_is_another() -> None:
    assert not led_before(MORE, KIT)
    assert not led_before(MORE, lacking(), None)
    moved = CHARTER.replace("next-hop: 203.0.113.9", "next-hop: 203.0.113.14")
    assert not led_before(moved, lacking())
    alone = "".join(one for one in CHARTER.splitlines(keepends=True) if "mast:" not in one)
    assert not led_before(alone, lacking()), "the last line is never left out"
