"""The stable shape of a diagnostic for `--json`."""

from __future__ import annotations

import json

from netcharter.diagnostics import Diagnostic, Span
from netcharter.diagnostics.jsonshape import as_json


def test_the_shape_is_as_documented() -> None:
    span = Span("c.yaml", 1, 2, 3, 4)
    found = as_json(Diagnostic("an-id", "warning", "m", span, "w", "h", ((span, "first"),)))
    place = {"file": "c.yaml", "line": 1, "column": 2, "end_line": 3, "end_column": 4}
    assert found == {
        "id": "an-id", "severity": "warning", "message": "m", "span": place, "witness": "w",
        "help": "h", "related": [{"span": place, "message": "first"}],
    }  # fmt: skip


def test_what_is_not_said_is_null_and_not_left_out() -> None:
    found = as_json(Diagnostic("an-id", "note", "m", Span("c.yaml", 1, 1, 1, 1)))
    assert (found["witness"], found["help"], found["related"]) == (None, None, [])


def test_hostile_text_survives_the_way_through_json() -> None:
    words = '"\\\u202e\x1b</script>\n🏔'
    found = as_json(Diagnostic("an-id", "note", words, Span(words, 1, 1, 1, 1)))
    written = json.dumps(found)
    assert written.isascii() and json.loads(written)["message"] == words
