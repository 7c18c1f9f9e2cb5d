"""Write the JSON Schema and the reference page's tables anew from the table of keys.

Run it as ``python tests/charter/regenerate.py`` after a change to the table; a test compares.
"""

from __future__ import annotations

import re
from pathlib import Path

from netcharter.charter import publish

TOP = Path(__file__).resolve().parents[2]
SCHEMA = TOP / "src" / "netcharter" / "charter" / "schema.json"
PAGE = TOP / "docs" / "reference" / "charter.md"
MARK = re.compile(r"<!-- (keys of [A-Za-z ]+|services) -->\n.*?<!-- end -->", re.DOTALL)


def reference(page: str) -> str:
    """The reference page with the tables between its marks written anew."""
    tables = publish.tables()
    return MARK.sub(lambda m: f"<!-- {m[1]} -->\n{tables[m[1]]}<!-- end -->", page)


if __name__ == "__main__":
    SCHEMA.write_text(publish.schema_text(), encoding="utf-8")
    PAGE.write_text(reference(PAGE.read_text("utf-8")), encoding="utf-8")
