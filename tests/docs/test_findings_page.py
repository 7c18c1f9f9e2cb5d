"""The page of findings says what the catalogue says."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from netcharter.diagnostics.catalogue import CATALOGUE
from netcharter.diagnostics.entry import Entry
from netcharter.diagnostics.of_audit import AUDIT
from netcharter.diagnostics.of_inheriting import INHERITING
from netcharter.diagnostics.of_listings import LISTINGS
from netcharter.diagnostics.of_preparing import PREPARING
from netcharter.diagnostics.of_proofs import FINDINGS
from netcharter.diagnostics.of_reading import READING

UPDATE = "NETCHARTER_UPDATE_GOLDEN"  # set: write the page instead of comparing
HEAD = """\
# Findings

Every finding has an id that stays the same, a place in the charter to underline, and words for what to write instead; where one connection shows it, it has that connection as its witness. This page is the catalogue that `src/netcharter/diagnostics/` keeps, and a test compares the two.
"""


def page(parts: Mapping[str, Mapping[str, Entry]]) -> str:
    """The whole page in Markdown, a table for each part."""
    text = HEAD
    for title, entries in parts.items():
        text += f"\n## {title}\n\n| id | what is found | why it matters | instead |\n|---|---|---|---|\n"
        for name, entry in entries.items():
            cells = (f"`{name}`", entry.what, entry.why, entry.instead)
            text += "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |\n"
    return text


def test_the_page_lists_the_whole_catalogue(repository: Path) -> None:
    """Run with NETCHARTER_UPDATE_GOLDEN=1 after a change of the catalogue."""
    path = repository / "docs" / "reference" / "findings.md"
    made = page(
        {
            "While a charter is read": READING,
            "In the plan, its proofs, and what is asked about it": FINDINGS,
            "While a loaded ruleset is read back": LISTINGS,
            "While a running gateway is read": INHERITING,
            "In a ruleset without a charter": AUDIT,
            "While a gateway is prepared": PREPARING,
        }
    )
    if os.environ.get(UPDATE):
        path.write_text(made, encoding="utf-8")
    assert path.read_text("utf-8") == made
    assert all(f"| `{name}` |" in made for name in CATALOGUE)


def test_a_planted_difference_would_show() -> None:
    entry = Entry("a|b", "What | is", "Why.", "Instead.")
    assert page({"One": {"a-b": entry}}).endswith("| `a-b` | What \\| is | Why. | Instead. |\n")
