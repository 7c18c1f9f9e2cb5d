"""Every id a diagnostic can bear, with what it means.

Each room that finds things keeps its entries in a module of their own; they meet here.
"""

from __future__ import annotations

from collections.abc import Mapping

from netcharter.diagnostics.entry import Entry
from netcharter.diagnostics.of_audit import AUDIT
from netcharter.diagnostics.of_inheriting import INHERITING
from netcharter.diagnostics.of_listings import LISTINGS
from netcharter.diagnostics.of_preparing import PREPARING
from netcharter.diagnostics.of_proofs import FINDINGS
from netcharter.diagnostics.of_reading import READING

__all__ = ["CATALOGUE", "Entry"]

CATALOGUE: Mapping[str, Entry] = READING | FINDINGS | LISTINGS | INHERITING | AUDIT | PREPARING
