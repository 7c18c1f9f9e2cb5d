"""Where the stores of lists of names lie on a gateway (`render.cdb`), each list in a folder of its own.

What a charter says itself, or has in a file beside it, is in a folder that is called by what is in it:
two versions of a charter have one of their own each, and going back to the other takes nothing anew.
What is fetched is in a folder that is called by the list, and by the form it is read in where the
charter says that, since it changes while the settings stay.

    said/DIGEST/exact.cdb ...     fetched/NAME/exact.cdb ...     fetched/NAME:hosts/exact.cdb ...
"""

from __future__ import annotations

import hashlib

from netcharter.plan.names.shapes import ListPlan

FOLDER = "names"  # in the state folder
AT = f"/var/lib/netcharter/{FOLDER}"
SAID, FETCHED = "said", "fetched"
_DIGITS = 32  # of a digest, hexadecimal, that call a folder


def place(one: ListPlan) -> str:
    """The folder of a list, below `AT`."""
    if one.said.source is not None:
        form = f":{one.said.form}" if one.said.form else ""  # no name has that character
        return f"{FETCHED}/{one.name}{form}"
    return f"{SAID}/{fingerprint(one, one.text or b'')[:_DIGITS]}"


def fingerprint(one: ListPlan, text: bytes) -> str:
    """Another one whenever stores made of a text of a list would be others: SHA-256, hexadecimal."""
    kind = "said" if one.said.entries else one.said.form or ""
    return hashlib.sha256(kind.encode("ascii") + b"\n" + text).hexdigest()
