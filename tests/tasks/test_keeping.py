"""What the areas of an earlier kit have stays theirs, wherever in the charter others come and go."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import AreaPlan, Plan
from netcharter.render import render
from netcharter.tasks.keeping import Kept, NotAKit, kept_areas
from netcharter.tasks.kit import render_charter
from netcharter.tasks.show import show_charter
from netcharter.tasks.sources import Source, load_plan
from tests.cli.running import run

Areas = Mapping[str, int]  # hosts by name, in the order of the charter


def text(areas: Areas, site: str = "Hut") -> str:
    first = next(iter(areas))
    lines = [
        "charter: 1",
        f"site: {{name: {site}, timezone: Europe/London, managed-from: d-{first}}}",
        "lines:",
        '  dsl: {device: eth0, address: automatic, prefix: "2001:db8:7a00::/48"}',
        "areas:",
        *(f"  {n}: {{device: eth1, vlan: {vlan(n)}, hosts: {h}}}" for n, h in areas.items()),
        "devices:",
        *(f"  d-{n}: {{area: {n}, hardware: {mac(n)}, address: lasting}}" for n in areas),
    ]
    return "\n".join(lines) + "\n"


def vlan(name: str) -> int:
    return 100 + int(name[1:])


def mac(name: str) -> str:
    return f"02:00:00:aa:{int(name[1:]) >> 8:02x}:{int(name[1:]) & 255:02x}"


def planned(areas: Areas, kept: Kept | None = None) -> Plan:
    loaded = load_plan(Source("hut.yaml", text(areas).encode(), kept=kept))
    assert not [d for d in loaded.plan.notes if d.severity == "error"]
    return loaded.plan


def kept(plan: Plan) -> Kept:
    """What a later run learns from the kit of a plan."""
    return kept_areas("kit", render(plan).files["manifest.json"])


@dataclass(frozen=True)
class Has:
    """All that must stay of an area: its prefixes, its number, its device's addresses."""

    number: int
    v4: str
    v6: tuple[str, ...]
    device: tuple[str, ...]


def has(plan: Plan, area: AreaPlan) -> Has:
    device = next(d for d in plan.devices if d.area == area.name)
    addresses = (*device.addresses4, *device.addresses6)
    six = tuple(str(s.network) for s in area.subnets6)
    return Has(area.number, str(area.v4), six, tuple(map(str, addresses)))


def everything(plan: Plan) -> dict[str, Has]:
    return {area.name: has(plan, area) for area in plan.areas}


def changed(rng: Random, areas: Areas, fresh: list[str]) -> dict[str, int]:
    """Some areas go, some come, anywhere."""
    found = [(n, h) for n, h in areas.items() if rng.random() < 0.8]
    for _ in range(rng.randrange(1, 4)):
        name = fresh.pop()
        found.insert(rng.randrange(len(found) + 1), (name, rng.choice([1, 3, 12, 90, 500, 3000])))
    return dict(found)


@settings(max_examples=25, deadline=None)
@given(st.randoms(use_true_random=False))
def test_areas_that_come_and_go_anywhere_renumber_nobody(rng: Random) -> None:
    fresh = [f"a{n}" for n in range(60, 0, -1)]
    rng.shuffle(fresh)
    areas = {fresh.pop(): rng.choice([2, 12, 60, 300]) for _ in range(rng.randrange(1, 7))}
    plan = planned(areas)
    earlier: dict[str, Has] = {}
    numbers: dict[str, int] = {}
    for _ in range(4):
        earlier |= everything(plan)
        numbers |= {name: found.number for name, found in everything(plan).items()}
        areas = changed(rng, areas, fresh)
        before, plan = set(everything(plan)), planned(areas, kept(plan))
        now = everything(plan)
        for name in now.keys() & before:
            assert now[name] == earlier[name]
        for name in now.keys() & numbers.keys():
            assert now[name].number == numbers[name]  # also of an area that comes back
        for name in now.keys() - numbers.keys():
            assert now[name].number not in numbers.values()


def test_without_an_earlier_kit_an_area_put_first_does_renumber() -> None:
    """The property above would be empty otherwise."""
    before = everything(planned({"a1": 12, "a2": 12}))
    after = everything(planned({"a3": 12, "a1": 12, "a2": 12}))
    assert after["a1"] != before["a1"]


def test_an_area_that_comes_back_has_its_prefix_again() -> None:
    first = planned({"a1": 12, "a2": 12, "a3": 12})
    without = planned({"a1": 12, "a4": 12, "a3": 12}, kept(first))
    assert without.numbered["a2"] == first.numbered["a2"]
    again = planned({"a2": 12, "a1": 12, "a4": 12, "a3": 12}, kept(without))
    assert everything(again)["a2"] == everything(first)["a2"]


def test_a_prefix_that_was_given_away_is_not_kept_for_who_is_gone() -> None:
    first = planned({"a1": 12, "a2": 12})
    taken = str(first.numbered["a2"])
    now = text({"a1": 12, "a3": 12}).replace("vlan: 103, hosts: 12", f"vlan: 103, prefix: {taken}")
    reading = read(now, "hut.yaml")
    assert reading.charter is not None
    plan = make_plan(reading.charter, kept(first).areas)
    assert plan.numbered["a2"] is None and str(plan.numbered["a3"]) == taken
    again = planned({"a1": 12, "a2": 12}, kept(plan))
    assert everything(again)["a2"].number == 2


def test_an_area_grows_in_place_and_keeps_its_number() -> None:
    first = planned({"a1": 12, "a2": 12})
    grown = planned({"a3": 5, "a1": 20, "a2": 12}, kept(first))
    assert everything(grown)["a1"].number == 1
    old, new = first.numbered["a1"], grown.numbered["a1"]
    assert old is not None and new is not None and old != new and old.subnet_of(new)
    assert everything(grown)["a2"] == everything(first)["a2"]


def test_the_same_charter_over_its_own_kit_is_the_same_kit() -> None:
    plan = planned({"a1": 12, "a2": 90})
    again = planned({"a1": 12, "a2": 90}, kept(plan))
    assert render(again).files == render(plan).files


def test_the_manifest_lists_areas_by_number_those_that_are_gone_among_them() -> None:
    plan = planned({"a9": 5, "a2": 12}, kept(planned({"a1": 12, "a2": 12})))
    told = json.loads(render(plan).files["manifest.json"])["areas"]
    assert [(a["name"], a["number"], a["gone"]) for a in told] == [
        ("a1", 1, True), ("a2", 2, False), ("a9", 3, False)
    ]  # fmt: skip
    assert all(a["prefix"] for a in told)


# --- on the command line -------------------------------------------------------------------------


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A charter with its kit, and the same charter with an area put first."""
    (tmp_path / "old.yaml").write_text(text({"a1": 12, "a2": 12}))
    new = text({"a3": 300, "a1": 12, "a2": 12}).replace("from: d-a3", "from: d-a1")
    (tmp_path / "new.yaml").write_text(new)
    assert run("render", tmp_path / "old.yaml", "-o", tmp_path / "kit").code == 0
    return tmp_path


def shown(*arguments: str | Path) -> dict[str, str]:
    return {a["name"]: a["ipv4"]["prefix"] for a in run("show", *arguments, "--json").json["areas"]}


def test_render_over_an_earlier_kit_keeps_what_its_areas_have(site: Path) -> None:
    before = shown(site / "old.yaml")
    told = run("render", site / "new.yaml", "-o", site / "kit")
    assert told.code == 0
    assert "keep the prefixes and numbers they had in" in " ".join(told.out.split())
    after = json.loads((site / "kit" / "manifest.json").read_text())["areas"]
    assert [a["name"] for a in after] == ["a1", "a2", "a3"]
    assert {a["name"]: a["prefix"] for a in after if a["name"] in before} == before
    fresh = run("render", site / "new.yaml", "-o", site / "elsewhere")
    assert "keep the prefixes" not in fresh.out
    kits = [(site / name / "manifest.json").read_text() for name in ("kit", "elsewhere")]
    assert kits[0] != kits[1]


@pytest.mark.parametrize("kit", ["kit", "kit/manifest.json"])
def test_every_command_judges_with_what_a_kit_keeps(site: Path, kit: str) -> None:
    keep, new, old = ("--keep", site / kit), site / "new.yaml", site / "old.yaml"
    before = shown(old)
    assert {n: p for n, p in shown(new, *keep).items() if n in before} == before
    assert shown(new)["a1"] != before["a1"]
    told = run("why", new, "--from", "d-a1", "--to", "gateway", "--with", "ssh", *keep)
    assert before["a1"].rsplit(".", 1)[0] in told.out
    assert run("check", new, *keep).code == 0
    asked = run("ask", new, "what can a1 reach", *keep, "--json")
    assert asked.code == 0 and asked.json["rows"]
    assert run("compare", old, old, *keep).code == 0
    elsewhere = run("render", new, "-o", site / "other", *keep)
    assert elsewhere.code == 0
    told_areas = json.loads((site / "other" / "manifest.json").read_text())["areas"]
    assert [a["name"] for a in told_areas] == ["a1", "a2", "a3"]


def test_both_sides_of_a_comparison_keep(site: Path) -> None:
    charters = (site / "old.yaml", site / "new.yaml")
    apart = run("compare", *charters, "--json").json["totals"]
    both = run("compare", *charters, "--keep", site / "kit", "--json").json["totals"]
    assert int(apart["closed"]) > 0
    assert both["closed"] == "0"


BROKEN = {
    "not JSON": "nonsense",
    "deep": "[" * 100_000,
    "a list": "[]",
    "another program's": '{"name": "a page"}',
    "no areas": '{"netcharter": "1", "files": {}}',
    "areas of another kind": '{"netcharter": "1", "areas": {"a": 1}}',
    "an area that is none": '{"netcharter": "1", "areas": [7]}',
    "a prefix that is none": '{"netcharter": "1", "areas": [{"name": "a", "prefix": "10.0.0.1/8"}]}',
    "a prefix of a kind": '{"netcharter": "1", "areas": [{"name": "a", "prefix": 7}]}',
    "twice": '{"netcharter": "1", "areas": [{"name": "a", "prefix": null},'
    ' {"name": "a", "prefix": null}]}',
    "delegated of a kind": '{"netcharter": "1", "areas": [], "delegated": []}',
    "delegated that is none": '{"netcharter": "1", "areas": [], "delegated": {"a": "10.0.0.0/8"}}',
    "delegated number": '{"netcharter": "1", "areas": [], "delegated": {"a": 7}}',
    "overlapping": '{"netcharter": "1", "areas": [{"name": "a", "prefix": "10.0.0.0/8"},'
    ' {"name": "b", "prefix": "10.1.0.0/16"}]}',
}


@pytest.mark.parametrize("manifest", BROKEN.values(), ids=BROKEN)
def test_a_manifest_that_tells_nothing_is_a_diagnostic(site: Path, manifest: str) -> None:
    with pytest.raises(NotAKit):
        kept_areas("x", manifest.encode())
    (site / "m.json").write_text(manifest)
    ran = run("check", site / "old.yaml", "--keep", site / "m.json", "--json")
    assert ran.code == 2
    assert [d["id"] for d in ran.json["diagnostics"]] == ["cannot-keep"]


@pytest.mark.parametrize("name", ["absent", "empty"])
def test_a_kit_that_is_not_there_is_a_diagnostic(site: Path, name: str) -> None:
    (site / "empty").mkdir()
    ran = run("show", site / "old.yaml", "--keep", site / name)
    assert ran.code == 2 and "(cannot-keep)" in ran.err


def test_tasks_take_what_is_kept_with_the_source() -> None:
    kit = kept(planned({"a1": 12, "a2": 12}))
    source = Source("hut.yaml", text({"a3": 5, "a1": 12}).encode(), kept=kit)
    assert [a["number"] for a in show_charter(source).areas] == [3, 1]
    assert render_charter(source).kept == kit
    assert [a["number"] for a in show_charter(replace(source, kept=None)).areas] == [1, 2]
