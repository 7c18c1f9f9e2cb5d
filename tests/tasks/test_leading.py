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

from netcharter.render import render
from netcharter.rollout.contents import contents
from netcharter.rollout.host import Host
from netcharter.rollout.reading import fields, written
from netcharter.rollout.shapes import HostState
from netcharter.rollout.store import Paths
from netcharter.rollout.trouble import RolloutRefused
from netcharter.steward.duties.lines import Condition, State, duty, read
from netcharter.steward.loop.alone import alone, at_work
from netcharter.tasks.enacting.leading import as_led, left_out
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
