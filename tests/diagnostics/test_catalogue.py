"""Every id that the code can emit stands in the catalogue, and no other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from netcharter.diagnostics.catalogue import CATALOGUE
from netcharter.diagnostics.of_audit import AUDIT
from netcharter.diagnostics.of_inheriting import INHERITING
from netcharter.diagnostics.of_listings import LISTINGS
from netcharter.diagnostics.of_preparing import PREPARING
from netcharter.diagnostics.of_proofs import FINDINGS
from netcharter.diagnostics.of_reading import READING

SOURCES = Path(__file__).parents[2] / "src" / "netcharter"
MAKERS = {
    "Diagnostic",
    "Found",
    "Wrong",
    "tell",
    "stop",
    "refuse",
    "unusable",
    "_error",
    "_once",
    "warn",
    "wrong",
}
ID = re.compile(r"[a-z]+(-[a-z0-9]+)*")


def trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(SOURCES.rglob("*.py")):
        if path.parent.name != "diagnostics":
            yield str(path.relative_to(SOURCES)), ast.parse(path.read_text("utf-8"))


def emitted(tree: ast.AST) -> set[str]:
    """The ids given, as plain text, to what makes a diagnostic."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        function = node.func
        name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
        if name in MAKERS:
            given = [k.value for k in node.keywords if k.arg == "id"]
            given += node.args[-1:] if name == "_once" else node.args[:1]
            found |= set().union(*(_texts(value) for value in given))
    return found


def _texts(node: ast.expr) -> set[str]:
    """The plain texts an expression can have as its value."""
    if isinstance(node, ast.IfExp):
        return _texts(node.body) | _texts(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


def constants(tree: ast.AST) -> set[str]:
    return {
        n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)
    }


def test_every_emitted_id_is_in_the_catalogue() -> None:
    missing = {(name, id) for name, tree in trees() for id in emitted(tree) - CATALOGUE.keys()}
    assert missing == set()


def test_every_id_of_the_catalogue_stands_in_the_code() -> None:
    written = set().union(*(constants(tree) for _, tree in trees()))
    assert CATALOGUE.keys() - written == set()


def test_the_search_finds_ids_in_all_their_forms() -> None:
    code = "tell('a', s)\nx.tell('b' if y else 'c', s)\nDiagnostic(id='d')\nother('e')"
    assert emitted(ast.parse(code)) == {"a", "b", "c", "d"}


def test_no_id_belongs_to_two_rooms() -> None:
    rooms = (READING, FINDINGS, LISTINGS, INHERITING, AUDIT, PREPARING)
    assert sum(map(len, rooms)) == len(CATALOGUE)


@pytest.mark.parametrize("id", sorted(CATALOGUE))
def test_every_entry_says_all_it_should(id: str) -> None:
    entry = CATALOGUE[id]
    assert ID.fullmatch(id)
    assert entry.title and not entry.title.endswith(".") and len(entry.title) <= 60
    for sentence in (entry.what, entry.why, entry.instead):
        assert sentence[0].isupper() or sentence[0] == "`"
        assert sentence.endswith((".", "?"))
