"""Where files of the kit are to lie: whether somebody else's are there.

What is missing, or of an earlier charter, is put there by `enact` itself, and nothing to tell of.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics.escape import terminal
from netcharter.rollout.placing import is_ours
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted


def placed_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of them."""
    for path in wanted.placed:
        there = facts.files.get(path)
        if there is not None and not is_ours(there):
            yield Found(
                "file-of-another",
                "error",
                f"{terminal(path)} is there, and it is not netcharter's; nothing is put in its place",
                "look at it, and move it away if nobody needs it",
                path,
            )
