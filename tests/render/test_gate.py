"""What the gateway's pages are told, read back as the same; and the unit that runs them."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.gate import settings as pages
from netcharter.plan import make_plan
from netcharter.render import gate, render
from netcharter.render.kit import placed
from netcharter.render.placing import OURS
from netcharter.rollout.trouble import StateBroken
from netcharter.tasks.units import PROGRAM
from tests.gate.site import CHARTER, plan
from tests.oracle.random_charters import random_charter


def test_what_the_pages_are_told_is_what_the_plan_says() -> None:
    """Written by one room and read by another, over random charters."""
    told = 0
    for number in range(30):
        charter = read(random_charter(Random(f"gate {number}")), "random.yaml").charter
        assert charter is not None
        found = make_plan(charter)
        if not gate.shown_in(found):
            assert gate.gate(found) == {}
            continue
        told += 1
        again = pages.read(gate.settings(found).encode())
        assert (again.site, str(again.zone)) == (found.site, found.timezone)
        assert {one.name for one in again.areas} == {area.name for area in gate.shown_in(found)}
        for row, other in zip(found.names.rows, again.names.rows, strict=True):
            assert (row.label, row.kind, row.action) == (other.label, other.kind, other.action)
            assert (row.audience, row.what) == (other.audience, other.what)
            assert (row.during, row.until) == (other.during, other.until)
        assert {
            name: found.hours[name].windows for name in again.hours
        }.keys() == again.hours.keys()
        for name, hours in again.hours.items():
            one = found.hours[name]
            assert (hours.weekly, dict(hours.dates)) == (one.weekly, dict(one.dates))
            assert (hours.terms, hours.outside) == (one.terms, one.outside)
        for area in again.areas:
            assert all(any(at in network for network in area.networks) for at in area.listens)
    assert told > 8


def test_where_no_name_is_withheld_there_are_no_pages() -> None:
    for names in ("", "names: [{answer: bets.example, for: bunkrooms}]",
                  "names: [{rewrite: a.example, to: b.example, for: bunkrooms}]"):  # fmt: skip
        text = CHARTER.partition("names:")[0] + names
        kit = render(plan(text))
        assert not {gate.SETTINGS, gate.UNIT_FILE} & set(kit.files)
        assert gate.UNIT not in str(kit.manifest["services"])
        assert "withheld-page" not in [row.label for row in plan(text).rows]


def test_the_manifest_says_where_they_lie_and_what_runs() -> None:
    kit = render(plan(), PROGRAM)
    told = {one["at"]: one["file"] for one in kit.manifest["placed"]}
    assert told[gate.AT] == gate.SETTINGS
    assert told[f"/etc/systemd/system/{gate.UNIT}"] == gate.UNIT_FILE
    assert {"unit": gate.UNIT, "files": [gate.SETTINGS, gate.UNIT_FILE]} in kit.manifest["services"]
    for name in (gate.SETTINGS, gate.UNIT_FILE):
        assert kit.files[name].decode("ascii").startswith(OURS)
    assert gate.AT in {one.at for one in placed(plan())}
    begun = re.search(r"^ExecStart=(.*)$", kit.files[gate.UNIT_FILE].decode(), re.MULTILINE)
    assert begun is not None and begun[1].split()[:4] == [*PROGRAM, "gate"]


def test_only_areas_from_which_anything_is_withheld_are_listened_in() -> None:
    told = json.loads(gate.settings(plan()).partition("\n")[2])
    assert [one["name"] for one in told["areas"]] == ["office", "bunkrooms"]  # the desk's, too
    text = CHARTER.replace("  - {withhold: desk-only.example, for: desk}\n", "")
    told = json.loads(gate.settings(plan(text)).partition("\n")[2])
    assert [one["name"] for one in told["areas"]] == ["bunkrooms"]
    [listens] = [one["listens"] for one in told["areas"]]
    assert listens[0] == "10.40.0.1" and len(listens) == 2


@pytest.mark.parametrize(
    "word", ["a\nExecStartPre=/bin/x", "a\x1b", "\udce4", '/a"b', "/a'b", "/a\\b", ""]
)
def test_a_program_that_no_unit_can_hold_reaches_none(word: str) -> None:
    with pytest.raises(ValueError, match="can't stand in a unit"):
        gate.gate(plan(), (word,))


def test_a_program_may_lie_anywhere(tmp_path: Path) -> None:
    """A kit may be made where another path leads to the program. The service manager looks whether
    there is one, so it reads the words as they were meant."""
    odd = tmp_path / "jane däé %n $HOME $$; ~"
    odd.mkdir()
    shutil.copy("/bin/true", odd / "python")
    kit = render(plan(), (str(odd / "python"), "-m", "netcharter"))
    assert verified(tmp_path, kit.files[gate.UNIT_FILE].decode("ascii")) == ""
    kit = render(plan(), (str(odd / "pythom"), "-m", "netcharter"))
    assert "not executable" in verified(tmp_path, kit.files[gate.UNIT_FILE].decode("ascii"))


def test_hostile_words_stay_within_their_text() -> None:
    text = CHARTER.replace("evenings", '\'e"}],"x":[{<script>\'')
    told = pages.read(gate.settings(plan(text)).encode())
    assert any(row.label == 'e"}],"x":[{<script>' for row in told.names.rows)
    assert gate.settings(plan(text)).isascii()


def test_settings_cut_short_anywhere_are_refused() -> None:
    data = gate.settings(plan()).encode()
    for end in range(0, len(data) - 2, 97):
        with pytest.raises(StateBroken):
            pages.read(data[:end])


def test_the_unit_is_one_that_the_service_manager_takes(tmp_path: Path) -> None:
    text = gate.gate(plan())[gate.UNIT_FILE]
    for said in ("DynamicUser=yes", "CapabilityBoundingSet=CAP_NET_BIND_SERVICE", "NoNewPrivileges=yes",
                 "StateDirectory=netcharter-gate", "ProtectSystem=strict"):  # fmt: skip
        assert f"\n{said}\n" in text
    assert verified(tmp_path, text) == ""


def verified(folder: Path, text: str) -> str:
    """What systemd-analyze(1) finds wrong with a unit."""
    verify = shutil.which("systemd-analyze")
    if verify is None:
        pytest.skip("no systemd-analyze here")
    (folder / gate.UNIT).write_text(text)
    said = subprocess.run(
        [verify, "verify", "--man=no", "--recursive-errors=no", str(folder / gate.UNIT)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return said.stderr if said.returncode else ""
