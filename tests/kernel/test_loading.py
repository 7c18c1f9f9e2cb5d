"""The real kernel takes the kit: it loads, loads again, and lists what the plan says."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from ipaddress import ip_interface
from pathlib import Path
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan import labels, make_plan
from netcharter.plan.shapes import AreaPlan, LinePlan, Plan
from netcharter.render import Kit, render
from tests.kernel.namespace import listing, made, needed, run, written
from tests.render.plans import area, line, offer, rule, small_charter, small_plan

# The kernel of a test machine need not know VLAN devices; a pair of Ethernet devices of the same
# name stands in for each, and the lines that would make one are left out.
LOAD = """
grep -v 'type vlan' links.batch | ip -batch -
ip -batch addresses.batch
load_ruleset
load_ruleset
sysctl -q -p sysctl.conf
ip -force -batch routes.batch
ip -6 -force -batch routes6.batch
"""


def devices(plan: Plan) -> list[str]:
    parts: tuple[LinePlan | AreaPlan, ...] = (*plan.lines, *plan.areas)
    return [*(part.device for part in parts), *(part.parent for part in parts)]


def loaded(plan: Plan, script: str, folder: Path) -> tuple[Kit, str]:
    kit = render(plan)
    written(kit.files, folder)
    return kit, run(made(devices(plan)) + LOAD + script, folder)


@pytest.fixture(scope="module")
def demo(repository: Path) -> Plan:
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


def test_the_demo_site_is_loaded_and_listed_whole(demo: Plan, tmp_path: Path) -> None:
    script = "nft -j list ruleset; echo; ip -j address show; echo; nft list ruleset > again.nft"
    kit, out = loaded(demo, script, tmp_path)
    ruleset, addresses = (json.loads(text) for text in out.split("\n") if text.strip())
    kinds: dict[str, set[str]] = {}
    for item in ruleset["nftables"]:
        ((kind, said),) = item.items()
        if kind not in ("metainfo", "rule"):
            kinds.setdefault(kind, set()).add(said["name"])
    assert kinds["table"] == {"netcharter"}
    rows = {labels.row_name(row.label) for row in demo.rows if not row.routed}
    assert kinds["counter"] == rows | {"nc_stray", "nc_invalid"}
    written_chains = re.findall(
        r"^    chain (\S+) \{", kit.files["nftables.nft"].decode(), re.MULTILINE
    )
    assert kinds["chain"] == set(written_chains)
    held = {
        (device["ifname"], str(ip_interface(f"{a['local']}/{a['prefixlen']}")))
        for device in addresses
        for a in device["addr_info"]
        if a["scope"] == "global"
    }
    for each in demo.areas:
        assert (each.device, f"{each.gateway4}/{each.v4.prefixlen}") in held
        for subnet in each.subnets6:
            assert (each.device, f"{subnet.gateway}/64") in held


def test_what_the_kernel_lists_as_text_can_be_loaded_again(tmp_path: Path) -> None:
    """The listing is what an undo would keep, in one transaction, which only root may make."""
    if needed() != ("unshare", "-n"):
        pytest.skip("ONE TEST DID NOT RUN: only root may load a large ruleset in one transaction")
    script = """
    nft -s list ruleset > first
    nft flush ruleset
    nft -f first
    nft -s list ruleset > second
    cmp first second && echo same
    """
    _, out = loaded(small_plan(), script, tmp_path)
    assert out.strip() == "same"


def test_loading_again_leaves_other_tables_alone(tmp_path: Path) -> None:
    script = """
    nft add table ip other
    nft add chain ip other keep
    load_ruleset
    nft list tables
    """
    _, out = loaded(small_plan(), script, tmp_path)
    assert sorted(out.split("\n")) == ["", "table inet netcharter", "table ip other"]


def test_the_settings_hold_in_the_namespace(tmp_path: Path) -> None:
    plan = small_plan()
    kit = render(plan)
    pairs = [
        text.removeprefix("-").split(" = ")
        for text in kit.files["sysctl.conf"].decode().splitlines()
        if text and text[0] != "#"
    ]
    script = "\n".join(f"cat /proc/sys/{key} || echo none" for key, _ in pairs)
    _, out = loaded(plan, script, tmp_path)
    for (key, value), seen in zip(pairs, out.split("\n"), strict=False):
        assert seen == value or (key.startswith("net/bridge") and seen == "none"), key


WAYS = """
way() { ip route get "$@" 2>&1 | head -1; }
way 10.7.2.9
way 9.9.9.9
way 9.9.9.9 mark 1
way 9.9.9.9 mark 2
way 2620:fe::fe from 2001:db8:7a00:1::9 iif eth2
way 10.9.9.9 from 198.51.100.7 iif eth0
ip route flush table 101
way 9.9.9.9
way 10.9.9.9 from 198.51.100.7 iif eth0
way 10.7.2.9
"""


def test_the_routes_lead_where_the_plan_says(tmp_path: Path) -> None:
    _, out = loaded(small_plan(), WAYS, tmp_path)
    found = out.strip().split("\n")
    for seen, wanted in zip(
        found,
        [
            r"10\.7\.2\.9 dev eth4 ",
            r"9\.9\.9\.9 via 203\.0\.113\.9 dev eth0 table 101 ",
            r"9\.9\.9\.9 via 203\.0\.113\.9 dev eth0 table 101 ",
            r"RTNETLINK answers: (Permission denied|No route)",  # mast has no way out yet
            r"2620:fe::fe from 2001:db8:7a00:1::9 via 2001:db8:7aff::1 dev eth0 table 101 ",
            r"10\.9\.9\.9 from 198\.51\.100\.7 via 203\.0\.113\.9 dev eth0 ",
            r"RTNETLINK answers: Permission denied",  # no line: prohibited
            r"RTNETLINK answers: Invalid argument",  # from a line: dropped silently
            r"10\.7\.2\.9 dev eth4 ",
        ],
        strict=True,
    ):
        assert re.match(wanted, seen), f"{seen} instead of {wanted}"


# --- names that try to be something else ---------------------------------------------------------

HOSTILE = (
    'x"; drop; comment "',
    "two\nlines\n}\nflush ruleset\n",
    "$(reboot) `reboot` ${HOME} $x",
    "\\\\ backslash \\n",
    "\u202eeman tfel-ot-thgir",
    "\U0001f511 \U0001f6d1",
    "# a remark",
    "}; table inet other { }",
    "\u05e9\u05dc\u05d5\u05dd",
    "a" * 300,
    "\u00e9" * 90,
    "* wild { 1.2.3.4 }",
    "with \x00 and \x1b[31mred\x1b[0m",
    "",
)


def hostile_plan() -> Plan:
    """Hostile names wherever a charter may put a name."""
    charter = small_charter()
    rules = tuple(
        rule(name, number % 2 == 0, (name,), ("internet",), services=("https",))
        for number, name in enumerate(HOSTILE)
    )
    offers = (offer('offer "; drop', ("https",), ('line"\n',), "booking"),)
    areas = {
        name: area(name, f"area{number}", f"10.8.{number}.0/24", sign_in=number == 0)
        for number, name in enumerate(HOSTILE)
    }
    lines = {
        'line"\n': replace(charter.lines["copper"], name='line"\n'),
        "mast": line("mast", "eth1"),
    }
    said = {"booking": replace(charter.devices["booking"], area=HOSTILE[0])}
    plan = make_plan(
        replace(
            charter,
            site=replace(charter.site, name='Tarn "Hollow"\n}', managed_from=()),
            lines=lines,
            areas=areas,
            devices=said,
            rules=rules,
            offers=offers,
        )
    )
    spans = [replace(row.span, file='c";\n.yaml') if row.span else None for row in plan.rows]
    rows = tuple(replace(row, span=span) for row, span in zip(plan.rows, spans, strict=True))
    return replace(plan, rows=rows)


def test_hostile_names_load_and_stay_names(tmp_path: Path) -> None:
    plan = hostile_plan()
    kit = render(plan)
    for data in kit.files.values():
        assert re.fullmatch(rb"[\n -~]*", data), "something else than printable ASCII"
    text = kit.files["nftables.nft"].decode()
    outside = re.sub(r'"[^"\n]*"', '""', text)
    assert not re.search(r"flush ruleset|table inet other|; drop;|[$`\\%]", outside)
    assert all(line.count('"') % 2 == 0 for line in text.splitlines())
    found = listing(kit.files["nftables.nft"], tmp_path)
    tables = [item["table"]["name"] for item in found["nftables"] if "table" in item]
    assert tables == ["netcharter"]
    comments = [v["comment"] for item in found["nftables"] for v in item.values() if "comment" in v]
    assert any("x%22%3B drop%3B comment %22" in comment for comment in comments)
    assert all(len(comment) <= 128 for comment in comments)


def test_hostile_names_do_not_disturb_the_other_files(tmp_path: Path) -> None:
    _, out = loaded(hostile_plan(), "ip -j address show dev eth0", tmp_path)
    seen: list[dict[str, Any]] = json.loads(out)
    assert any(a["local"] == "203.0.113.10" for a in seen[0]["addr_info"])


@pytest.mark.parametrize("name", ["up", "via", "dev", "table", "a", "lo0"])
def test_devices_may_be_called_like_words_of_ip(name: str, tmp_path: Path) -> None:
    charter = small_charter()
    areas = {**charter.areas, "office": replace(charter.areas["office"], device=name)}
    plan = make_plan(replace(charter, areas=areas))
    _, out = loaded(plan, f"ip -j address show dev {name}", tmp_path)
    seen: list[dict[str, Any]] = json.loads(out)
    assert any(a["local"] == "10.7.0.1" for a in seen[0]["addr_info"])
