"""Whatever the text: no exception, places inside the text, nothing unseen in the output."""

from __future__ import annotations

import re
from pathlib import Path

import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from netcharter.charter import nodes
from netcharter.charter.publish import records, schema
from netcharter.charter.read import Reading, read
from netcharter.charter.words import MEANINGS
from netcharter.diagnostics.catalogue import CATALOGUE
from netcharter.diagnostics.escape import HIDDEN
from netcharter.diagnostics.text import render
from tests.charter.kit import charter
from tests.charter.test_schema import VALIDATOR, document

EXAMPLE = (Path(__file__).parents[2] / "examples" / "tarn-hollow" / "charter.yaml").read_text(
    "utf-8"
)
LINES = EXAMPLE.splitlines(keepends=True)
KEYS = sorted({key.name for record in records() for key in record.keys} | MEANINGS.keys())
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-5, 70000), st.floats(allow_nan=False), st.text(max_size=12),
    st.sampled_from([*KEYS, "office", "lasting", "automatic", "tcp/80", "40 Mbit/s", "50 %", "daily",
                     "08:00-16:00", "2030-01-01", "192.0.2.1/24", "2001:db8::/48", "02:00:00:00:00:01"]),
)  # fmt: skip
TREES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=8), inner, max_size=5)
    ),
    max_leaves=25,
)
DOCUMENTS = st.dictionaries(st.sampled_from(KEYS), TREES, max_size=8)
MARKS = st.sampled_from(
    list("{}[]:,-#&*!|>'\"%@`?\t\n \\~<=") + ["\u202e", "\x1b", "é", "🏔", "\u0301"]
)


RICH = charter(
    lines="lines: {copper: {device: eth0, vlan: 7, rate: {down: 1.5 Gbit/s, up: 640 kbit/s}, weight: 3,"
          ' role: balanced, address: [203.0.113.10/29, "2001:db8::2/64"], next-hop: 203.0.113.9,'
          ' prefix: "2001:db8:7::/48"}}',
    areas='areas: {office: {device: eth1, prefix: [10.2.0.0/24, "fd00::/64"], growth: 12.5 %,'
          " strangers: refused, sign-in: not needed, manner: quietly}}",
    devices="devices: {x: {area: office, hardware: 0200.00aa.0002, address: 10.2.0.9, barred: true}}",
    services="services: {s: [tcp/80-90, icmp/3/4, icmpv6/1, protocol/47, ssh]}",
    hours='hours: {h: {weekly: {mon-fri: "22:00-06:00"}, dates: {2030-01-01 to 2030-01-05: closed}}}',
    rules="rules: [{let: office, reach: x, with: s, during: h, until: 2030-01-31, name: a b}]",
)  # fmt: skip


def scalars(text: str) -> list[tuple[int, int]]:
    """Where each key and value begins and ends in a text, by position."""
    starts = [0, *(m.end() for m in re.finditer("\n", text))]
    found: list[tuple[int, int]] = []
    waiting: list[nodes.Node] = [nodes.compose(text, "x")[0]]
    while waiting:
        node = waiting.pop()
        if isinstance(node, nodes.Scalar):
            span = node.span
            found.append((starts[span.line - 1] + span.column - 1,
                          starts[span.end_line - 1] + span.end_column - 1))  # fmt: skip
        elif isinstance(node, nodes.Sequence):
            waiting += node.items
        else:
            waiting += [half for pair in node.pairs for half in pair]
    return sorted(found)


PLACES = {text: scalars(text) for text in (EXAMPLE, RICH)}


def check(text: str | bytes) -> Reading:
    """What must hold of every reading."""
    found = read(text, "charter.yaml", lambda name: text)
    errors = [d for d in found.diagnostics if d.severity == "error"]
    assert (found.charter is None) == bool(errors)
    for told in found.diagnostics:
        assert told.id in CATALOGUE
        for span in (told.span, *(span for span, _ in told.related)):
            lines = re.split(r"\r\n|\r|\n", found.texts[span.file])
            assert 1 <= span.line <= span.end_line <= len(lines), told
            assert 1 <= span.column <= len(lines[span.line - 1]) + 1, told
            assert 1 <= span.end_column <= len(lines[span.end_line - 1]) + 1, told
            assert (span.line, span.column) <= (span.end_line, span.end_column), told
    shown = render(found.diagnostics, found.texts, width=72, colour=False)
    assert not HIDDEN.search(shown.replace("\n", ""))
    return found


@settings(max_examples=300)
@given(st.text(max_size=200) | st.binary(max_size=200))
@example("a: |\n")
@example("a: >\n\n")
@example("- - - - 'a")
@example("a:\r  b: 'c\r")
@example("? a\n: \n\n\n")
@example("a: 'b\n\n\n")
@example("charter: 1\nrules:\n  - let: |\n      office\n")
def test_any_text(text: str | bytes) -> None:
    check(text)


@settings(max_examples=300)
@given(DOCUMENTS)
def test_any_tree_of_known_words(tree: object) -> None:
    check(yaml.safe_dump(tree, allow_unicode=True))


@settings(max_examples=300)
@given(
    st.sampled_from(("rules", "offers", "promises", "devices", "hours", "services", "lines")), TREES
)
def test_any_tree_in_a_section_of_a_right_charter(section: str, tree: object) -> None:
    check(charter(**{section: yaml.safe_dump({section: tree}, allow_unicode=True)}))


@settings(max_examples=250)
@given(st.data())
def test_the_demo_charter_with_characters_changed(data: st.DataObject) -> None:
    text = EXAMPLE
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        cut = data.draw(st.integers(0, 2))
        text = text[:at] + data.draw(MARKS | st.characters()) + text[at + cut :]
    found = check(text)
    if found.charter is not None:  # what the reader takes, an editor's schema must take too
        assert VALIDATOR.is_valid(document(text))


@settings(max_examples=250)
@given(st.data())
def test_the_demo_charter_with_lines_deleted_doubled_or_moved(data: st.DataObject) -> None:
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        do = data.draw(st.sampled_from(("delete", "double", "move", "indent")))
        line = lines.pop(at)
        if do == "double":
            lines[at:at] = [line, line]
        elif do == "move":
            lines.insert(data.draw(st.integers(0, len(lines))), line)
        elif do == "indent":
            lines.insert(at, "  " + line)
    found = check("".join(lines))
    if found.charter is not None:
        assert VALIDATOR.is_valid(document("".join(lines)))


@settings(max_examples=500)
@given(st.data())
def test_a_charter_with_one_value_changed_a_little(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from((RICH, RICH, EXAMPLE)))
    start, end = data.draw(st.sampled_from(PLACES[text]))
    value = text[start:end]
    for _ in range(data.draw(st.integers(1, 2))):
        at = data.draw(st.integers(0, len(value)))
        cut = data.draw(st.integers(0, 2))
        new = data.draw(st.sampled_from(["", *"0123456789-:./% aAfFtT~", "to", "\u0663", "é"]))
        value = value[:at] + new + value[at + cut :]
    found = check(text[:start] + value + text[end:])
    if found.charter is not None:
        assert VALIDATOR.is_valid(document(text[:start] + value + text[end:]))


@settings(max_examples=100)
@given(st.data())
def test_the_demo_charter_cut_off_anywhere(data: st.DataObject) -> None:
    check(EXAMPLE[: data.draw(st.integers(0, len(EXAMPLE)))])


def test_the_checks_of_this_file_can_fail() -> None:
    assert check(RICH).charter is not None and check(EXAMPLE).charter is not None
    assert schema()["required"] and not VALIDATOR.is_valid({})
    assert HIDDEN.search("\u202e") and not HIDDEN.search("é 🏔 שלום")
