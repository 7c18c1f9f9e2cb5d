"""What dnsdist is told: by dnsdist's own checker for many kits, and what no text of a charter can do."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.coding import address
from netcharter.plan.names.shapes import What
from netcharter.plan.shapes import Plan
from netcharter.render import render, resolver, stores
from netcharter.render.placing import OURS, OURS_IN_LUA
from netcharter.render.withholding import (
    AT,
    CONF,
    EVERYTHING,
    PLAIN,
    PROXIED,
    UNIT,
    UNIT_FILE,
    Pool,
    settings,
    withholding,
    withholds,
)
from netcharter.rollout.placing import is_ours
from netcharter.space.ranges import has
from tests.kernel.namespace import needed
from tests.lab.test_withheld import RULES, TEXT
from tests.render.names_rules import random_names_rules

RANDOM = 12


def planned(rules: str = RULES) -> Plan:
    reading = read(TEXT + rules, "hut.yaml")
    assert reading.charter is not None, reading.diagnostics
    return make_plan(reading.charter)


def dnsdist(text: str, folder: Path) -> str:
    """What is wrong with settings, by `dnsdist --check-config` (1.7.3 of Debian 12); "" for nothing."""
    program = path_of("dnsdist")
    if program is None:
        pytest.skip("DNSDIST DID NOT READ ITS SETTINGS: none is here (tools/setup demo)")
    (folder / CONF).write_text(text, "ascii")
    found = subprocess.run(
        [program, "--check-config", "-C", str(folder / CONF)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return "" if found.returncode == 0 else found.stderr or "refused"


def test_dnsdist_takes_every_kit(tmp_path: Path) -> None:
    for seed in range(RANDOM):
        rules = random_names_rules(Random(seed), ("hall", "yard"), ("desk", "cam"), 20)
        text = render(planned(rules)).files[CONF].decode("ascii")
        assert not dnsdist(text, tmp_path), rules
    assert dnsdist("nonsense()\n", tmp_path)


def test_without_names_rules_unbound_is_alone() -> None:
    plain, ruled = planned(""), planned()
    assert not withholds(plain) and CONF not in render(plain).files
    assert withholds(ruled)
    alone, behind = (resolver.settings(one) for one in (plain, ruled))
    assert "    port: 53\n" in alone and "    interface: 10.40.0.1\n" in alone
    assert "10.40.0.1\n" not in "".join(re.findall(r"^ *interface: .*\n", behind, re.MULTILINE))
    assert f"interface: 127.0.0.1@{PROXIED}\n" in behind and f"127.0.0.1@{PLAIN}\n" in behind
    assert f"proxy-protocol-port: {PROXIED}\n" in behind


def test_answers_are_kept_for_long_only_where_no_rule_has_hours() -> None:
    assert "cache-max-ttl: 300\n" in resolver.settings(planned())
    timeless = planned("names: [{withhold: games.example, for: hall}]\n")
    assert "cache-max-ttl" not in resolver.settings(timeless)


def test_decisions_stand_in_the_plan_s_order_each_once() -> None:
    plan = planned()
    told = re.findall(r"^-- ([^:\n]+)", settings(plan), re.MULTILINE)
    labels = [row.label for row in plan.names.rows]
    assert told[-len(labels) :] == labels


def test_who_asks_is_told_as_the_plan_has_it() -> None:
    """Every address of both areas, by the networks that stand before the decision about a device."""
    plan = planned()
    text = settings(plan)
    (row,) = [one for one in plan.names.rows if one.what[0].term == "cam.example"]
    rule = re.search(rf"^-- {row.label}\nled\(all\({{who\[(\d+)\]", text, re.MULTILINE)
    assert rule is not None
    (said,) = re.findall(rf"^who\[{rule[1]}\] = hosts\({{(.*)}}\)$", text, re.MULTILINE)
    source = row.audience[0].source
    cam = next(one for one in plan.devices if one.name == "cam")
    assert said == ", ".join(f'"{a}/{a.max_prefixlen}"' for a in sorted(
        (*cam.addresses4, *cam.addresses6), key=address))  # fmt: skip
    assert source is not None and all(has(source, address(a)) for a in cam.addresses4)


CODE = 'os.execute("touch ran")'
HOSTILE = ("x\n{}\n", "]] {} --[[", '"){} --', "\\", "\x00", "\u202e{}", "--[[")


def test_no_text_of_a_charter_is_code(tmp_path: Path) -> None:
    """Though a charter's reader lets little of it through; dnsdist itself reads it."""
    plan = planned(
        "lists: {games: {entries: [x.example]}}\nnames: [{withhold: games, for: hall}]\n"
    )
    games = plan.names.lists["games"]
    for shape in HOSTILE:
        text = shape.replace("{}", CODE.replace("ran", str(tmp_path / "ran")))
        rows = tuple(replace(row, because=text, label=text) for row in plan.names.rows)
        lists = {text: replace(games, said=replace(games.said, name=text, source="x"))}
        found = settings(replace(plan, names=replace(plan.names, rows=rows, lists=lists)))
        found = found.replace('list["games"]', EVERYTHING)
        assert found.isascii() and found.count("\n") == settings(plan).count("\n")
        assert not dnsdist(found, tmp_path) and not (tmp_path / "ran").exists(), shape
    dnsdist(CODE.replace("ran", str(tmp_path / "ran")) + "\n", tmp_path)
    assert (tmp_path / "ran").exists()  # so it would have been seen


def test_names_of_a_pool_are_asked_of_its_server_wherever_they_are_answered(tmp_path: Path) -> None:
    pool = Pool(
        "places",
        "127.0.0.1:5335",
        (What("pay", "pay.example"), What("x", "x.example", below=False)),
    )
    text = settings(planned(), (pool,))
    assert not dnsdist(text, tmp_path)
    assert 'newServer({address = "127.0.0.1:5335", pool = "places"}):setUp()' in text
    assert 'names = any({itself({"x.example"}), below({"pay.example"})})' in text


def test_where_names_lead_stands_once_however_many_rules_there_are() -> None:
    """dnsdist 1.7.3 took 32 s to take in 21 000 rules (500 of the charter, 20 areas)."""
    rules = "".join(f"  - {{withhold: n{one}.example, for: anyone}}\n" for one in range(50))
    text = settings(planned("names:\n" + rules))
    assert text.count("kind = DNSQType.") == 2 * 2 and text.count("\nled(") == 50


def test_who_leads_to_the_same_name_shares_a_server() -> None:
    """dnsdist 1.7.3 keeps 2.8 MB and a thread for each that it is told of, at 8192 outstanding."""
    rules = "".join(
        f"  - {{rewrite: [n{one}.example, n.example], to: strict{one % 2}.example, for: {who}}}\n"
        for one in range(20)
        for who in ("hall", "yard")
    )
    plan = planned("names:\n" + rules)
    text, behind = settings(plan), resolver.settings(plan)
    assert len(re.findall(r"^rewriter\(", text, re.MULTILINE)) == 2
    assert len(re.findall(r"^rewritten\(", text, re.MULTILINE)) == 40
    assert behind.count("access-control-view: 127.53.0.") == 2
    assert behind.count('local-data: "n.example.') == 2
    small = text.index("setMaxUDPOutstanding(1024)")
    assert text.index("setMaxUDPOutstanding(8192)") < text.index("useProxyProtocol") < small
    assert small < text.index("\nrewriter(")
    assert "setMaxUDPOutstanding(1024)" not in settings(planned("names: []\n"))


def test_each_list_is_looked_up_where_its_stores_are() -> None:
    plan = planned(
        RULES.replace(
            "games: {entries", "far: {from: 'https://lists.example.org/x'}\n  games: {entries"
        ).replace("[play, ads", "[play, far, ads")
    )
    text = settings(plan)
    for one in plan.names.lists.values():
        assert f'listed("{stores.AT}/{stores.place(one)}")' in text
    assert stores.place(plan.names.lists["far"]) == "fetched/far"
    other = planned(RULES.replace("bets.example", "dice.example"))
    places = [stores.place(one.names.lists["games"]) for one in (plan, other)]
    assert len(set(places)) == 2 and all(one.startswith("said/") for one in places)


def test_nobody_is_told_who_asked_for_what() -> None:
    """No log, no console, no page, no message to its makers (dnsdist's documentation, "Configuration
    Reference": what would have to be there for each)."""
    text = settings(planned())
    assert 'setSecurityPollSuffix("")' in text and "setRingBuffersSize(1, 1)" in text
    for word in (
        "Log",
        "webserver",
        "controlSocket",
        "carbon",
        "dnstap",
        "Remote",
        "newPacketCache",
    ):
        assert word not in text, word


def test_the_manifest_says_where_they_lie_and_what_runs() -> None:
    kit = render(planned())
    told = {one["at"]: one["file"] for one in kit.manifest["placed"]}
    assert told[AT] == CONF and told[f"/etc/systemd/system/{UNIT}"] == UNIT_FILE
    units = [one["unit"] for one in kit.manifest["services"]]
    assert units.index(UNIT) == units.index(resolver.UNIT) + 1
    assert kit.files[CONF].decode("ascii").startswith(OURS_IN_LUA)
    assert kit.files[UNIT_FILE].decode("ascii").startswith(OURS)
    assert is_ours(kit.files[CONF]) and is_ours(kit.files[UNIT_FILE])
    assert not is_ours(b"-- mine\n") and not is_ours(b"-- Netcharterist: \n")


def test_the_unit_sees_of_the_state_folder_the_stores_alone() -> None:
    """systemd.exec(5), `TemporaryFileSystem=`: an empty one, and in it what is bound there."""
    unit = withholding(planned())[UNIT_FILE].splitlines()
    assert "TemporaryFileSystem=/var/lib/netcharter:ro" in unit
    assert f"BindReadOnlyPaths=-{stores.AT}" in unit
    assert "ExecStartPre=-+/usr/bin/systemctl --runtime --now mask dnsdist.service" in unit
    assert "ExecStopPost=-+/usr/bin/systemctl --runtime unmask dnsdist.service" in unit
    assert "CapabilityBoundingSet=CAP_NET_BIND_SERVICE" in unit and "User=_dnsdist" in unit
    assert {"MemoryMax=512M", "TasksMax=256", "UMask=0077"} <= set(unit)


def test_where_no_dnsdist_of_ours_runs_theirs_does_not_take_the_resolver_s_port() -> None:
    """Its package begins it at port 53 of loopback, and an earlier kit may have asked for it."""
    for rules, aside in (("", True), (RULES, False)):
        unit = resolver.resolver(planned(rules))[resolver.UNIT_FILE]
        assert ("--now mask dnsdist.service" in unit) == aside
        assert "--now mask unbound.service" in unit
        assert unit.count("mask") == unit.count("unmask") * 2
        assert "dnsdist.service runs still" not in unit


def test_a_dnsdist_that_serves_something_else_is_left_alone(tmp_path: Path) -> None:
    """The condition as it stands in the unit, in a network of its own, with programs that do nothing
    in the place of systemctl; who listens is told by ss (ss(8))."""
    program = path_of("dnsdist")
    if program is None:
        pytest.skip("DNSDIST DID NOT RUN: none is here (tools/setup demo)")
    unit = resolver.resolver(planned(""))[resolver.UNIT_FILE]
    (line,) = re.findall(r"^ExecStartPre=-\+/bin/sh -c '(.*dnsdist.*)'$", unit, re.MULTILINE)
    settings = tmp_path / "dnsdist.conf"
    script = f"""ip link set lo up
{program} --supervised --disable-syslog -C {settings} >/dev/null 2>&1 & server=$!
trap 'kill $server' EXIT
for turn in $(seq 100); do ss -Hlnu | grep -q . && break; sleep 0.1; done
{line.replace("/usr/bin/systemctl", "echo")}
"""
    for port, aside in ((53, True), (5353, False)):
        settings.write_text(f'setLocal("127.0.0.1:{port}")\nnewServer("127.0.0.1:1")\n')
        found = subprocess.run(
            [*needed(), "sh", "-c", script],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert ("mask dnsdist.service" in found.stdout) == aside, found


def test_the_unit_is_one_that_the_service_manager_takes(tmp_path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    if verify is None:
        pytest.skip("NO SERVICE MANAGER READ THE UNIT: systemd-analyze is not here")
    text = withholding(planned())[UNIT_FILE].replace("/usr/bin/dnsdist", "/bin/true")
    text = text.replace("=_dnsdist", "=nobody").replace("Group=nobody", "Group=nogroup")
    (tmp_path / UNIT).write_text(text)
    found = subprocess.run(
        [verify, "verify", "--man=no", "--recursive-errors=no", str(tmp_path / UNIT)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert found.returncode == 0, found.stderr
