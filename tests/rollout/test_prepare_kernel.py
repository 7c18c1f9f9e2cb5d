"""Cables of a real kernel: devices in a namespace of their own, whose other ends go up and down.

What is pretended in the other tests is compared here with what `ip`, `nft` and sysfs really say.
"""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.kernel import namespace

pytestmark = pytest.mark.kernel

PRELUDE = """
import json, subprocess
from netcharter.rollout.preparing.ports import Port, Watch
from netcharter.rollout.prepare import Use, Wanted, asked, facts_of, prepare
from netcharter.rollout.run import gathering

def run(*argv):
    subprocess.run(argv, check=True)

run("mount", "-t", "sysfs", "none", "/sys")  # it shows the devices of the namespace it is made in
for n in range(3):
    run("ip", "link", "add", f"port{n}", "type", "veth", "peer", "name", f"far{n}")
    run("ip", "link", "set", f"port{n}", "up")
"""
WATCHING = """
ports = (Port("eth0", ("copper",)), Port("eth1", ("office",)), Port("eth2", ("barn",)))
names, orders, heard = ["port0", "port1", "port2"], iter(["far2", "far0", "far1"]), []
found = {}
for watch, one in gathering.watching(Watch(ports), names, settled=0.4, patience=20.0):
    heard += [one.saying] if one.saying != "wait" else []
    found = dict(watch.found)
    if one.saying == "begin":
        run("ip", "link", "set", next(orders), "up")
print(json.dumps([heard, found]))
"""
FACTS = """
run("ip", "link", "set", "far1", "up")
run("ip", "link", "add", "bridge0", "type", "bridge")
run("ip", "link", "set", "port2", "master", "bridge0")
run("ip", "addr", "add", "192.0.2.1/24", "dev", "port1", "valid_lft", "900", "preferred_lft", "900")
run("nft", "add", "table", "inet", "foreign")
facts = facts_of(gathering.gather(asked()))
told = {n: [d.up, d.carrier, d.master, d.lent, d.kind] for n, d in facts.devices.items()}
uses = (Use("line", "copper", "port0"), Use("line", "mast", "port1", automatic=True),
        Use("area", "office", "port2"), Use("area", "barn", "portt1"))
found = [(f.id, f.about) for f in prepare(Wanted(uses), facts).findings]
print(json.dumps([told, facts.tables, found]))
"""


def within(script: str, folder: Path) -> Any:
    (folder / "script.py").write_text(PRELUDE + script)
    return json.loads(
        namespace.run(f"{shlex.quote(sys.executable)} script.py", folder, private=True)
    )


def test_the_kernel_tells_which_cable_was_plugged_in(tmp_path: Path) -> None:
    heard, found = within(WATCHING, tmp_path)
    assert heard == ["begin", "told"] * 3 + ["done"]
    assert found == {"eth0": "port2", "eth1": "port0", "eth2": "port1"}


def test_facts_are_what_was_done_to_the_machine(tmp_path: Path) -> None:
    told, tables, found = within(FACTS, tmp_path)
    assert told["port0"] == [True, False, "", False, "veth"]
    assert told["port1"] == [True, True, "", True, "veth"]
    assert told["port2"] == [True, False, "bridge0", False, "veth"]
    assert told["far0"][:2] == [False, None]
    assert tables == [["inet", "foreign"]]
    ids = [tuple(one) for one in found]
    assert ("no-carrier", "port0") in ids and ("device-within", "port2") in ids
    assert ("device-missing", "portt1") in ids and ("table-of-another", "inet foreign") in ids
    assert ("line-without-client", "port1") not in ids and ("no-carrier", "port1") not in ids
