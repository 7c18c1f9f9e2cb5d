"""The JSON Schema and the reference page say what the table of keys says."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from netcharter.charter import nodes, publish
from netcharter.charter.core import resolve
from netcharter.charter.shapes import Record
from netcharter.charter.table import CHARTER
from tests.charter.cases import CASES
from tests.charter.kit import charter, reading, unmarked
from tests.charter.regenerate import PAGE, SCHEMA, reference

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("**/*.yaml"))
VALIDATOR = jsonschema.Draft202012Validator(publish.schema())
FORMAL = {  # what a schema can know: form, not sense
    "unknown-key", "wrong-type", "bad-word", "bad-number", "bad-version", "empty-list",
    "no-value",
}  # fmt: skip


def plain(node: nodes.Node) -> Any:
    """A document as an editor's YAML 1.2 reader would give it to a schema."""
    if isinstance(node, nodes.Sequence):
        return [plain(item) for item in node.items]
    if isinstance(node, nodes.Mapping):
        return {str(plain(key)): plain(value) for key, value in node.pairs}
    return resolve(node.text) if node.plain else node.text


def document(text: str) -> Any:
    return plain(nodes.compose(text, "x")[0])


def test_the_file_is_what_the_table_gives() -> None:
    assert SCHEMA.read_text("utf-8") == publish.schema_text()


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(SCHEMA.read_text("utf-8")))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_every_example_is_valid(path: Path) -> None:
    assert list(VALIDATOR.iter_errors(document(path.read_text("utf-8")))) == []


def test_there_are_examples() -> None:
    assert {p.name for p in EXAMPLES} >= {"charter.yaml", "first-draft.yaml"}


@pytest.mark.parametrize("number", range(len(CASES)))
def test_reader_and_schema_agree_on_the_form(number: int) -> None:
    case = CASES[number]
    text, _ = unmarked(case.text)
    if isinstance(text, bytes) or case.files or case.id in ("yaml-syntax", "yaml-tab"):
        return
    try:
        found = document(text)
    except nodes.Stopped:
        return
    valid = VALIDATOR.is_valid(found)
    if case.severity != "error":
        assert valid
    if case.id in FORMAL and "<<" not in text and "[a]:" not in text:
        assert not valid


def test_a_rate_without_its_unit_is_invalid() -> None:
    text = charter(lines="lines: {copper: {device: eth0, rate: {down: 40 Mbit/s, up: 8 Mbit/s}}}")
    assert VALIDATOR.is_valid(document(text))
    assert not VALIDATOR.is_valid(document(text.replace("40 Mbit/s", "40")))
    assert not VALIDATOR.is_valid(document(text.replace("40 Mbit/s", "40 Mbps")))


def test_a_charter_split_into_files_needs_less_in_the_main_file() -> None:
    assert not VALIDATOR.is_valid(document(charter(lines="")))
    assert VALIDATOR.is_valid(document("include: l.yaml\n" + charter(lines="")))


def test_the_part_of_the_schema_for_included_files_takes_their_sections() -> None:
    whole = publish.schema()
    part = jsonschema.Draft202012Validator({"$schema": whole["$schema"]} | whole["$defs"]["part"])
    assert part.is_valid(document("groups: [a]\n"))
    assert not part.is_valid(document("site: {name: a, timezone: UTC}\n"))


def test_null_is_taken_where_nothing_must_be_said() -> None:
    text = charter(people="people: {ash: }", groups="groups: {staff: }")
    assert reading(text).charter is not None and VALIDATOR.is_valid(document(text))


def test_the_page_is_what_the_table_gives() -> None:
    page = PAGE.read_text("utf-8")
    assert reference(page) == page


def test_the_page_has_every_key_of_every_record() -> None:
    page = PAGE.read_text("utf-8")
    marks = set(re.findall(r"<!-- keys of ([A-Za-z ]+) -->", page))
    assert marks == {record.what for record in publish.records()}
    for record in publish.records():
        section = page.split(f"<!-- keys of {record.what} -->")[1].split("<!-- end -->")[0]
        assert re.findall(r"^\| `([a-z-]+)`", section, re.MULTILINE) == [
            k.name for k in record.keys
        ]


def test_a_changed_table_is_noticed() -> None:
    page = PAGE.read_text("utf-8").replace("| `vlan` |", "| `vlan-id` |")
    assert reference(page) != page
    fewer = Record(CHARTER.what, CHARTER.keys[1:])
    assert publish.key_table(fewer) != publish.key_table(CHARTER)


def test_the_examples_of_the_page_are_right() -> None:
    blocks = re.findall(r"```yaml\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)
    assert blocks
    areas = (
        "areas: {"
        + ", ".join(
            f"{name}: {{device: eth{n}, hosts: 5}}"
            for n, name in enumerate(("office", "printers", "hall"), 1)
        )
        + "}"
    )
    for block in blocks:
        assert reading(charter(areas=areas, extra=block)).diagnostics == ()
