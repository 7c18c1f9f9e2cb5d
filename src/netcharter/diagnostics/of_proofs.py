"""What can be found in a plan and in its proofs."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

FINDINGS: dict[str, Entry] = {}
