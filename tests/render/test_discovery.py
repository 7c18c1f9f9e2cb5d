"""What the relay is told, and how it is run."""

from __future__ import annotations

import ast
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import relay, render
from netcharter.render.discovery import AT, CONF, PROGRAM_AT, PROGRAM_FILE, UNIT, UNIT_FILE
from netcharter.render.placing import OURS
from netcharter.render.relay import settings

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], local-prefix: "fd5c:7a11:b0e::/48"}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: "2001:db8:77::/48"}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
  'Büro"#': {device: eth4, vlan: 7, prefix: 10.40.1.0/28}
  shed: {device: eth5, hosts: 3}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
ASKED = "discovery:\n  - {let: hall, find: [printing, _Lights._UDP.local.], in: Büro}\n"


def planned(text: str = CHARTER.replace("'Büro\"#'", "Büro") + ASKED) -> Plan:
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def test_the_relay_is_told_devices_networks_and_types() -> None:
    files = render(planned()).files
    told = settings(files[CONF].decode("ascii"))
    hall, office, _ = planned().areas
    assert {*told.networks} == {"eth3", "eth4.7"}
    six = [subnet.network for subnet in office.subnets6]
    assert [*told.networks["eth4.7"]] == [office.v4, *six] and len(six) == 2
    gateways = [str(one) for area in (hall, office) for one in
                (area.gateway4, *(s.gateway for s in area.subnets6))]  # fmt: skip
    assert told.own >= {*gateways}
    (find,) = told.finds
    assert (find.by, find.within) == (frozenset({"eth3"}), "eth4.7")
    assert find.types[0] == (b"_ipp", b"_tcp", b"local")
    assert find.types[-1] == (b"_lights", b"_udp", b"local") and len(find.types) == 5


def test_without_discovery_there_is_nothing_of_it() -> None:
    kit = render(planned(CHARTER.replace("'Büro\"#'", "Büro")))
    assert not {PROGRAM_FILE, CONF, UNIT_FILE} & kit.files.keys()
    assert b"found-services" not in kit.files["nftables.nft"]


def test_its_files_are_ours_and_lie_where_the_unit_looks() -> None:
    kit = render(planned())
    at = {one["file"]: one["at"] for one in kit.manifest["placed"]}
    assert (at[PROGRAM_FILE], at[CONF]) == (PROGRAM_AT, AT)
    assert at[UNIT_FILE].endswith(f"/{UNIT}")
    assert {"unit": UNIT, "files": [PROGRAM_FILE, CONF, UNIT_FILE]} in kit.manifest["services"]
    for name in (PROGRAM_FILE, CONF, UNIT_FILE):
        assert kit.files[name].startswith(OURS.encode())
    unit = kit.files[UNIT_FILE].decode()
    assert f"ExecStart=/usr/bin/python3 -I -B {PROGRAM_AT} {AT}\n" in unit
    assert "RestrictNetworkInterfaces=eth3 eth4.7\n" in unit


def test_the_program_is_whole_and_needs_python_alone() -> None:
    program = render(planned()).files[PROGRAM_FILE].decode("ascii")
    assert program.partition("\n")[2] == Path(relay.__file__).read_text("ascii")
    wanted = {
        alias.name if isinstance(node, ast.Import) else node.module or ""
        for node in ast.walk(ast.parse(program))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    assert {name.partition(".")[0] for name in wanted} <= sys.stdlib_module_names


def test_it_begins_by_itself_and_ends_when_it_is_told_to(tmp_path: Path) -> None:
    """At devices that are not there it waits for them."""
    files = render(planned()).files
    for name in (PROGRAM_FILE, CONF):
        (tmp_path / name).write_bytes(
            files[name].replace(b'"eth3"', b'"nc-no-0"').replace(b'"eth4.7"', b'"nc-no-1"')
        )
    told = json.loads((tmp_path / CONF).read_text().partition("\n{")[2].join(("{", "")))
    assert {*told["networks"]} == {"nc-no-0", "nc-no-1"}
    with subprocess.Popen(
        [sys.executable, "-I", "-B", str(tmp_path / PROGRAM_FILE), str(tmp_path / CONF)],
        stderr=subprocess.PIPE,
    ) as running:
        try:
            with pytest.raises(subprocess.TimeoutExpired):
                running.wait(1.0)
            running.terminate()
            assert running.wait(10) == 0
        finally:
            running.kill()
        assert running.stderr is not None and running.stderr.read() == b""


def test_the_service_manager_knows_every_word_of_the_unit(tmp_path: Path) -> None:
    """By systemd-analyze(1), where it is there; it also looks for the program."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("NO UNIT WAS VERIFIED: there is no systemd-analyze")
    path = tmp_path / UNIT
    text = render(planned()).files[UNIT_FILE].decode().replace("/usr/bin/python3", "/bin/true")
    path.write_text(text)
    found = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert UNIT not in found.stderr, found.stderr
