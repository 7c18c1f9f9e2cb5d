"""The kit as files: whole, digested, the same every time, and as kept under golden/."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import labels, make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import Kit, render
from netcharter.render.kit import COMMANDS
from tests.render.plans import small_charter, small_plan

GOLDEN = Path(__file__).with_name("golden")
UPDATE = "NETCHARTER_UPDATE_GOLDEN"  # set: write what is rendered instead of comparing
NAMES = {
    "links.batch",
    "addresses.batch",
    "nftables.nft",
    "sysctl.conf",
    "routes.batch",
    "routes6.batch",
    "advertising.conf",
    "advertising.service",
    "names.conf",
    "names.service",
    "withholding.conf",
    "withholding.service",
    "discovery.conf",
    "discovery.service",
    "discovery.py",
    "gate.json",
    "gate.service",
    "leading.conf",
    "leading.service",
    "manifest.json",
}
NOT_KEPT = {"manifest.json", "discovery.py", "gate.json"}  # long, and of what is kept elsewhere


@pytest.fixture(scope="module")
def demo(repository: Path) -> Plan:
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.fixture(scope="module")
def kit(demo: Plan) -> Kit:
    return render(demo)


@pytest.mark.parametrize("name", sorted(NAMES - NOT_KEPT))
def test_the_demo_site_is_rendered_as_kept(kit: Kit, name: str) -> None:
    """Run with NETCHARTER_UPDATE_GOLDEN=1 to keep what is rendered now, and read the difference."""
    kept = GOLDEN / name
    if os.environ.get(UPDATE):
        GOLDEN.mkdir(exist_ok=True)
        kept.write_bytes(kit.files[name])
    assert kit.files[name].decode() == kept.read_text(encoding="ascii")


def test_every_file_is_there_with_its_size_and_digest(kit: Kit) -> None:
    assert set(kit.files) == NAMES
    manifest = json.loads(kit.files["manifest.json"])
    assert manifest == kit.manifest
    assert set(manifest["files"]) == NAMES - {"manifest.json"}
    for name, said in manifest["files"].items():
        data = kit.files[name]
        assert said == {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    assert {entry["name"] for entry in kit.listing()} == NAMES
    loaded = [name for name in manifest["files"] if name in COMMANDS]
    assert [step["file"] for step in manifest["order"]] == loaded


def test_the_manifest_tells_every_decision_of_the_filter(kit: Kit, demo: Plan) -> None:
    told = {row["label"]: row for row in kit.manifest["rows"]}
    text = kit.files["nftables.nft"].decode()
    assert list(told) == [row.label for row in demo.rows if not row.routed]
    for row in demo.rows:
        if not row.routed:
            assert f"    counter {told[row.label]['counter']} {{" in text
            assert f"    chain {told[row.label]['chain']} {{" in text


def test_rendering_again_gives_the_same_bytes(kit: Kit, demo: Plan) -> None:
    assert render(demo) == kit


def test_rendering_in_another_process_gives_the_same_bytes(
    tmp_path: Path, repository: Path
) -> None:
    """Sets and dictionaries must not leak their order, which changes with the hash seed."""
    code = (
        "import hashlib; from tests.render.plans import small_plan; "
        "from netcharter.render import render; files = render(small_plan()).files; "
        "print([(n, hashlib.sha256(d).hexdigest()) for n, d in files.items()])"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code],
            cwd=repository,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Asia/Kathmandu"))
    }
    assert len(seen) == 1


def test_the_ruleset_replaces_its_own_table_and_nothing_else(kit: Kit) -> None:
    text = kit.files["nftables.nft"].decode()
    assert "flush" not in text
    starts = [line for line in text.splitlines() if re.match(r"\S*table|delete", line)]
    assert starts == [
        "table inet netcharter",
        "delete table inet netcharter",
        "table inet netcharter {",
    ]


def test_every_decision_of_the_charter_is_commented_with_its_name_and_place(
    kit: Kit, demo: Plan
) -> None:
    text = kit.files["nftables.nft"].decode()
    for row in demo.rows:
        if row.span is not None:
            chain = text.split(f"    chain {labels.row_name(row.label)} {{\n")[1].split("    }\n")[
                0
            ]
            assert f"at charter.yaml:{row.span.line}" in chain


def test_a_decision_about_line_states_cannot_be_a_filter() -> None:
    plan = small_plan()
    broken = tuple(replace(row, routed=False) for row in plan.rows)
    with pytest.raises(ValueError, match="which lines are up"):
        render(replace(plan, rows=broken))


def test_two_decisions_of_one_name_are_refused() -> None:
    plan = small_plan()
    doubled = (*plan.rows, replace(plan.rows[-1], index=len(plan.rows)))
    with pytest.raises(ValueError, match="share a name"):
        render(replace(plan, rows=doubled))


def test_a_site_without_sign_in_hours_or_offers_has_no_sets_for_them() -> None:
    charter = small_charter()
    areas = {name: replace(area, sign_in=False) for name, area in charter.areas.items()}
    rules = tuple(r for r in charter.rules if not r.during and not r.until and r.who != ("team",))
    plain = make_plan(replace(charter, areas=areas, rules=rules, offers=()))
    text = render(plain).files["nftables.nft"].decode()
    assert not re.search(r"nc_(who|signed|class|open|rest|offers|dnat|nat)", text)
