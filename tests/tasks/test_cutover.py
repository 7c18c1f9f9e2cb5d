"""Area by area: what is left becomes a remark, all else says and stands as before.

The second opinion on the texts is PyYAML's own loader, and a pruning of its plain dictionaries that
knows nothing of charters but the keys below.
"""

from __future__ import annotations

import itertools
import random
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from netcharter.charter.read import read
from netcharter.tasks.check import check
from netcharter.tasks.cutover import CutOver, cut_over
from netcharter.tasks.sources import Source, Unusable, usable_plan

NOW = datetime(2026, 5, 4, 9, tzinfo=UTC)
SMALL = """\
charter: 1
site: {name: T, timezone: Europe/London, managed-from: [box, till]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  office: {device: eth1, hosts: 3}
  tills:          # the shop's
    device: eth2
    hosts: 3
  # about the barn
  barn: {device: eth3, hosts: 3}
devices:
  box: {area: office, hardware: 02:00:00:aa:00:01, address: lasting}
  till: {area: tills, hardware: 02:00:00:aa:00:02, address: lasting}
  booking: {area: barn, hardware: 02:00:00:aa:00:03, address: lasting}
rules:
  - {let: [office, tills, barn], reach: internet, with: [https]}
  - let: tills
    reach: [booking]
    with: https
    because: >
      cards
      and more
  - {refuse: office, reach: [tills, barn], with: anything}
  - {name: late, let: office, reach: gateway, with: ssh}
  - {let: tills, reach: gateway, with: ntp, emergency: true}
offers:
  - {offer: https, on: copper, to: booking}
discovery:
  - {let: [office, barn], find: printing, in: tills}
  - {name: seen, let: tills, find: [files, _ipp._tcp], in: [office, barn]}
promises:
- {never: tills, reach: office}
- {always: box, reach: gateway, with: ssh}
- {always: till, reach: internet, with: https}
"""


def cut(*leave: str, text: str = SMALL) -> CutOver:
    return cut_over(Source("c.yaml", text.encode()), leave)


def ids(found: CutOver) -> list[tuple[str, str]]:
    return [(one.id, one.severity) for one in found.findings]


# --- the second opinion --------------------------------------------------------------------------


def pruned(document: dict[str, Any], leave: tuple[str, ...]) -> dict[str, Any]:
    """The document without some areas, by hand."""
    devices = document.get("devices", {})
    gone = {*leave, *(name for name, one in devices.items() if one["area"] in leave)}

    def rest(value: Any) -> Any:
        if isinstance(value, list):
            return [one for one in value if one not in gone]
        return [] if value in gone else value

    def sentences(rows: list[dict[str, Any]], keys: str) -> list[dict[str, Any]]:
        pared = [
            {key: rest(value) if key in keys.split() else value for key, value in row.items()}
            for row in rows
        ]
        return [row for row in pared if [] not in row.values()]

    found = dict(document)
    found["site"] = {k: rest(v) if k == "managed-from" else v for k, v in found["site"].items()}
    found["site"] = {k: v for k, v in found["site"].items() if v != []}
    for section in ("areas", "devices"):
        if section in found:
            found[section] = {n: one for n, one in found[section].items() if n not in gone}
    for section, keys in (
        ("rules", "let refuse reach"),
        ("offers", "to from"),
        ("promises", "never always only reach"),
        ("discovery", "let in"),
        ("names", "for"),
    ):
        if section in found:
            found[section] = sentences(found[section], keys)
    return {key: value for key, value in found.items() if value not in ([], {})}


class Plain(yaml.SafeLoader):
    """YAML 1.1 but for `on` and `off`, `yes` and `no`, which are words (YAML 1.2.2, 10.3.2)."""


Plain.yaml_implicit_resolvers = {
    first: [one for one in known if one[0] != "tag:yaml.org,2002:bool"]
    for first, known in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
Plain.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("true|false"), ["t", "f"])


def loaded(text: str) -> Any:
    return yaml.load(text, Plain)


def says_the_same(text: str, leave: tuple[str, ...], found: CutOver) -> None:
    after = found.source.text.decode()
    assert loaded(after) == pruned(loaded(text), leave)
    assert len(after) == len(text)
    starts = {0, *(n + 1 for n, letter in enumerate(text) if letter == "\n")}
    for n, (a, b) in enumerate(zip(text, after, strict=True)):
        assert a == b or (a not in "\r\n" and (b == " " or (b == "#" and n in starts)))


AREAS = ("office", "tills", "barn")
SUBSETS = [s for n in (1, 2) for s in itertools.combinations(AREAS, n)]


@pytest.mark.parametrize("leave", SUBSETS)
def test_what_stays_is_what_pruning_by_hand_gives(leave: tuple[str, ...]) -> None:
    says_the_same(SMALL, leave, cut(*leave))


@pytest.mark.parametrize("leave", SUBSETS)
@pytest.mark.parametrize("flow", [True, False, None])
@pytest.mark.parametrize("width", [20, 60, 400])
def test_however_it_is_written(leave: tuple[str, ...], flow: bool | None, width: int) -> None:
    text = yaml.safe_dump(loaded(SMALL), default_flow_style=flow, width=width, sort_keys=False)
    says_the_same(text, leave, cut(*leave, text=text))


def test_the_demo_in_many_restrictions(repository: Path) -> None:
    text = (repository / "examples/tarn-hollow/charter.yaml").read_text("utf-8")
    areas = list(loaded(text)["areas"])
    dice = random.Random(7)
    for _ in range(12):
        leave = tuple(a for a in areas if a in dice.sample(areas, dice.randint(1, len(areas) - 1)))
        found = cut(*leave, text=text)
        says_the_same(text, leave, found)
        assert found.left == leave


TRAPS = {
    "comma in quotes": ("because: >\n      cards\n      and more", 'because: "a, [b: {c"'),
    "quote within": ("because: >\n      cards\n      and more", "because: the shop's own, it's [x"),
    "remark within": ("reach: [booking]", "reach: [ # these, [two\n      booking # and ]\n      ]"),
    "literal": ("because: >\n      cards\n", "because: |-\n      cards\n"),
    "properties": ("  tills:          # the shop's\n", "  tills: &t\n"),
    "dash alone": ("  - let: tills\n    reach: [booking]", "  -\n    let: tills\n    reach: [booking]"),
    "no spaces": ("{let: [office, tills, barn],", "{let: [office,tills,barn],"),
    "quoted names": ("{let: [office, tills, barn],", "{let: ['office', \"tills\", barn],"),
    "last first": ("{let: [office, tills, barn],", "{let: [barn, tills, office],"),
    "quote within brackets": (
        """devices:
  box: {area: office, hardware: 02:00:00:aa:00:01, address: lasting}
  till: {area: tills, hardware: 02:00:00:aa:00:02, address: lasting}
  booking: {area: barn, hardware: 02:00:00:aa:00:03, address: lasting}
""",
        """devices: {
  box: {area: office, hardware: 02:00:00:aa:00:01, because: it's here, address: lasting},
  till: {area: tills, because: the shop's, hardware: 02:00:00:aa:00:02, address: lasting},
  booking: {area: barn, because: 'it''s, {"', hardware: 02:00:00:aa:00:03, address: lasting}
}
""",
    ),
    "long keys": ("  barn: {device: eth3, hosts: 3}", "  'barn'  :   {device: eth3, hosts: 3}"),
}  # fmt: skip


@pytest.mark.parametrize("trap", sorted(TRAPS))
@pytest.mark.parametrize("leave", SUBSETS)
def test_a_trap(trap: str, leave: tuple[str, ...]) -> None:
    before, after = TRAPS[trap]
    text = SMALL.replace(before, after, 1)
    assert text != SMALL
    says_the_same(text, leave, cut(*leave, text=text))


def test_what_another_needs_is_told_and_never_guessed() -> None:
    text = SMALL.replace("reach: [booking]", "reach: &b [booking]").replace(
        "reach: [tills, barn], with", "reach: *b, with"
    )
    with pytest.raises(Unusable) as told:
        cut("tills", text=text)
    assert {one.severity for one in told.value.diagnostics} == {"error"}


# --- what it means -------------------------------------------------------------------------------


def test_it_is_told_what_is_not_in_force() -> None:
    found = cut("barn")
    assert ids(found) == [
        ("area-left", "note"),
        ("area-left-outside", "warning"),
        ("sentence-left-partly", "note"),
        ("sentence-left", "warning"),
        ("sentence-left-partly", "note"),
        ("sentence-left", "warning"),
    ]
    assert "booking" in found.findings[0].message
    assert found.ok


def test_emergencies_and_what_must_always_work_are_warnings() -> None:
    found = [one for one in cut("tills").findings if one.id == "sentence-left"]
    told = {one.span.line: (one.severity, one.message) for one in found}
    emergency = SMALL[: SMALL.index("{let: tills, reach: gateway")].count("\n") + 1
    assert told[emergency][0] == "warning" and "emergencies" in told[emergency][1]
    last = SMALL.count("\n")
    assert told[last][0] == "warning"  # always
    assert told[last - 2][0] == "note"  # never


def test_who_looks_after_the_gateway_must_not_be_left() -> None:
    assert ("area-left-managers", "warning") in ids(cut("tills"))
    assert ("area-left-managers", "error") in ids(cut("office", "tills"))
    assert not cut("office", "tills").ok


def test_without_a_rule_to_the_internet_nothing_is_sent_there() -> None:
    text = SMALL.replace("reach: internet, with: [https]", "reach: gateway, with: [https]")
    assert "area-left-outside" not in [one for one, _ in ids(cut("barn", text=text))]


def test_places_in_the_restricted_text_are_those_of_the_whole() -> None:
    """A finding of `check` underlines the same stretch of text in both."""
    found = cut("barn")
    whole = usable_plan(Source("c.yaml", SMALL.encode())).plan
    rest = usable_plan(found.source).plan
    assert rest.charter.where("rules", 1, "refuse") == whole.charter.where("rules", 2, "refuse")
    assert rest.charter.where("rules", 2, "name") == whole.charter.where("rules", 3, "name")


def test_areas_keep_the_addresses_they_will_have() -> None:
    whole = usable_plan(Source("c.yaml", SMALL.encode())).plan
    for leave in SUBSETS:
        rest = usable_plan(cut(*leave).source).plan
        prefixes = {area.name: area.v4 for area in whole.areas}
        assert {a.name: a.v4 for a in rest.areas}.items() <= prefixes.items()
        assert rest.numbered == whole.numbered


def test_the_restricted_charter_is_one_like_any_other() -> None:
    assert check(cut("barn").source, NOW).as_json()["counts"]["errors"] == 0


def test_nothing_left_is_the_charter_itself() -> None:
    found = cut()
    assert found.source.text == SMALL.encode() and found.findings == () and found.left == ()


def test_a_name_that_is_no_area_is_told() -> None:
    with pytest.raises(Unusable) as told:
        cut("tils")
    assert told.value.diagnostics[0].help == "write tills"
    with pytest.raises(Unusable, match="every area"):
        cut(*AREAS)


def test_the_first_line_that_changes_is_the_areas() -> None:
    pairs = zip(SMALL.splitlines(), cut("barn").source.text.decode().splitlines(), strict=True)
    first = next(before for before, after in pairs if before != after)
    assert first.strip().startswith("barn:")


def test_a_device_that_is_left_is_no_exception_to_lists_any_more() -> None:
    lists = "lists: {seen: {of: addresses, entries: 192.0.2.1}}\n"
    for said, stays in (("[booking, 192.0.2.0/24]", 1), ("[booking]", 0), ("booking", 0)):
        found = cut("barn", text=f"{SMALL}{lists}hostile: {{lists: seen, except: {said}}}\n")
        charter = read(found.source.text, "x").charter
        assert charter is not None and len(charter.hostile.spared) == stays
