"""Files and services on a real host with an /etc of its own: told when they are otherwise, mended,
and never put over those of others."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.kernel import namespace

pytestmark = pytest.mark.kernel

ROOT = Path(__file__).parents[2]
SCRIPT = """
import json, subprocess, sys
from datetime import UTC, datetime
from pathlib import Path

from netcharter.render import render
from netcharter.rollout.phases import Making
from netcharter.rollout.trouble import RolloutRefused
from netcharter.rollout.work import enact, keep
from netcharter.tasks.enacting import acts
from tests.rollout import managed
from tests.rollout.deaths import DIALLING
from tests.rollout.scene import OLD, planned

folder = Path(sys.argv[1])
managed.furnished(folder)
lines = ["link set dev lo up"]
for number in range(4):
    lines += [f"link add eth{number} type veth peer name peer{number}", f"link set peer{number} up"]
subprocess.run(["ip", "-batch", "-"], input="\\n".join(lines), text=True, check=True)
work = acts.work_at(str(folder / "state"), "the keeper", host=managed.host())
found, now = {}, datetime.now(UTC)

def put(text):
    making = Making(render(planned(text)).files, text.encode(), "the keeper")
    return enact(work, making, 60.0, lambda: ())

def held():
    seen = acts.still_holds(work, now)
    return [seen.state, *seen.others]

found["enacted"] = type(put(OLD)).__name__
keep(work)
found["kept"] = held()
conf, unit = Path("/etc/netcharter/advertising.conf"), "netcharter-advertising.service"
conf.unlink()
(managed.MANAGER / "running" / unit).unlink()
found["otherwise"] = held()
acts.mend(work)
found["mended"] = held()
theirs = Path("/etc/ppp/peers/netcharter-ppp2")
theirs.parent.mkdir(parents=True)
theirs.write_text("# mine\\n")
before = (managed.MANAGER / "asked").read_text()
try:
    put(DIALLING)
except RolloutRefused as refusal:
    found["refused"] = str(refusal)
found["theirs"] = theirs.read_text()
asked = (managed.MANAGER / "asked").read_text().removeprefix(before).splitlines()
found["asked"] = [one for one in asked if " show " not in one]
found["versions"] = sorted(one.name for one in (folder / "state" / "versions").iterdir())
print(json.dumps(found))
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("files")
    (folder / "script.py").write_text(SCRIPT, encoding="utf-8")
    (folder / "host").mkdir()
    paths = f"PYTHONPATH={shlex.quote(str(ROOT))}"
    said = namespace.run(
        f"{paths} {shlex.quote(sys.executable)} script.py {shlex.quote(str(folder / 'host'))}",
        folder,
        private=True,
    )
    told: dict[str, Any] = json.loads(said.splitlines()[-1])
    return told


def test_what_is_kept_holds_with_its_files_and_services(found: dict[str, Any]) -> None:
    assert found["enacted"] == "Waiting"
    assert found["kept"] == ["as planned"]


def test_a_file_that_is_missing_and_a_service_that_rests_are_told_and_mended(
    found: dict[str, Any],
) -> None:
    state, *otherwise = found["otherwise"]
    assert state == "otherwise"
    assert otherwise == [
        "file missing: /etc/netcharter/advertising.conf",
        "service netcharter-advertising.service does not run",
    ]
    assert found["mended"] == ["as planned"]


def test_a_file_of_others_is_a_refusal_before_anything_changes(found: dict[str, Any]) -> None:
    assert found["refused"].startswith(
        "/etc/ppp/peers/netcharter-ppp2 is there, and not netcharter"
    )
    assert "nothing was changed" in found["refused"] and found["theirs"] == "# mine\n"
    assert (found["asked"], found["versions"]) == ([], ["0001"])
