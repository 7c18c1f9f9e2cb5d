"""`enact --prepare --ports`: real devices whose cables come and go, and a charter that follows.

The second opinion on the charter that is written is PyYAML's own loader.
"""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.cli.running import run
from tests.cli.test_enact import CHARTER, SHAPES
from tests.docs.shapes import breaches
from tests.kernel import namespace

CABLES = Path(__file__).with_name("cables.py")
# The far ends are in another namespace, as they are in another house. What stands in /sys is about
# the namespace in which it was mounted.
SOCKETS = """\
mount -t sysfs sysfs /sys
unshare -n sleep 100 > /dev/null 2>&1 &
far=$!
trap 'kill $far' EXIT
while [ "$(readlink /proc/$far/ns/net)" = "$(readlink /proc/self/ns/net)" ]; do sleep 0.05; done
for each in eth0 eth2 eth5; do
    ip link add name $each type veth peer name p$each
    ip link set p$each netns $far
    nsenter -t $far -n ip link set p$each up
    ip link set $each up
done
"""


def asked(folder: Path, plan: dict[str, str], *words: str, before: str = "") -> tuple[int, str]:
    (folder / "charter.yaml").write_text(CHARTER, encoding="utf-8")
    (folder / "plan.json").write_text(json.dumps(plan), encoding="utf-8")
    command = [sys.executable, "-m", "netcharter", "enact", "charter.yaml", "--prepare", "--ports"]
    line = shlex.join([sys.executable, str(CABLES), "plan.json", "FAR", *command, *words])
    line = line.replace("FAR", "$far")
    script = f"{SOCKETS}{before}set +e\n{line}\necho $? > code\nip -j link show > after.json\n"
    namespace.run(script, folder, private=True)
    assert (folder / "charter.yaml").read_text("utf-8") == CHARTER
    return int((folder / "code").read_text()), (folder / "said.txt").read_text("utf-8")


def devices(text: str) -> dict[str, str]:
    found: dict[str, Any] = yaml.safe_load(text)
    every = {**found["lines"], **found["areas"]}
    return {name: one["device"] for name, one in every.items()}


@pytest.mark.kernel
def test_cables_tell_which_socket_is_which(tmp_path: Path) -> None:
    plan = {
        "switched off": "type y",
        "cable of copper": "down peth5",
        "cable of office": "down peth0",
        "cable of barn": "down peth2",
    }
    code, said = asked(tmp_path, plan, "--json", "-o", "new.yaml", before="ip link set eth5 down\n")
    assert code == 0, said
    for words in ("copper: eth5; the charter says eth0", "written: new.yaml"):
        assert words in said
    found = json.loads((tmp_path / "out.json").read_text("utf-8"))
    assert list(breaches(found, "ports", SHAPES)) == []
    assert [one["found"] for one in found["ports"]] == ["eth5", "eth0", "eth2"]
    assert [one["name"] for one in found["changed"]] == ["copper", "office", "barn"]
    new = (tmp_path / "new.yaml").read_text("utf-8")
    assert devices(new) == {"copper": "eth5", "office": "eth0", "barn": "eth2"}
    after = json.loads((tmp_path / "after.json").read_text("utf-8"))
    assert [one["ifname"] for one in after if "UP" not in one["flags"]] == ["lo", "eth5"]


@pytest.mark.kernel
def test_a_cable_is_skipped_and_what_would_be_named_twice_is_not_written(tmp_path: Path) -> None:
    plan = {"cable of copper": "down peth0", "cable of office": "down peth5", "of barn": "enter"}
    code, said = asked(tmp_path, plan, "--json", "-o", "new.yaml")
    found = json.loads((tmp_path / "out.json").read_text("utf-8"))
    assert code == 1 and list(breaches(found, "ports", SHAPES)) == []
    assert [one["found"] for one in found["ports"]] == ["eth0", "eth5", None]
    assert "named twice" in found["reason"] and not (tmp_path / "new.yaml").exists()
    assert "copper: eth0, as the charter says" in said


@pytest.mark.kernel
def test_a_file_that_is_there_is_written_over_only_if_that_is_wished(tmp_path: Path) -> None:
    plan = {
        "cable of copper": "down peth2",
        "cable of office": "down peth0",
        "Write over it?": "type no",
    }
    words = ("--leave", "barn", "--json", "-o", "charter.yaml")
    code, said = asked(tmp_path, plan, *words)
    assert code == 0 and "charter.yaml is left as it is" in said and "of barn" not in said


def test_options_that_do_not_go_together_are_told(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    for words in (("--ports",), ("--prepare", "-o", "x"), ("--waive", "management"),
                  ("--prepare", "--ports", "-o", "x", "--on", "gw")):  # fmt: skip
        assert run("enact", path, *words).code == 2
    assert not (tmp_path / "x").exists()
