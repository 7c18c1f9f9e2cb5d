"""Write the JSON Schema and the reference page's tables anew from the table of keys.

Run it as ``python tests/charter/regenerate.py`` after a change to the table; a test compares.
"""

from __future__ import annotations

from pathlib import Path

from netcharter.charter import publish

TOP = Path(__file__).resolve().parents[2]
SCHEMA = TOP / "src" / "netcharter" / "charter" / "schema.json"
PAGE = TOP / "docs" / "reference" / "charter.md"

if __name__ == "__main__":
    SCHEMA.write_text(publish.schema_text(), encoding="utf-8")
    PAGE.write_text(publish.reference(PAGE.read_text("utf-8")), encoding="utf-8")
