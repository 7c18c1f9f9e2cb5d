"""The mark in a form by which it is known to come from a page of ours (against forged forms).

No page elsewhere can read it, and it is good for one name, in one area, for an hour or two. It is not
bound to an address: the page may come by IPv6, and the form go by IPv4.
"""

from __future__ import annotations

import hmac
from hashlib import sha256

SLOT = 3600.0  # seconds; a mark is good in its own and in the next
_DIGITS = 32


def token(secret: bytes, area: str, name: str, now: float) -> str:
    """now: seconds of a clock that only goes on; secret: of this run of the server."""
    return _of(secret, area, name, int(now // SLOT))


def is_ours(secret: bytes, area: str, name: str, now: float, said: str) -> bool:
    """Compared in constant time."""
    slot = int(now // SLOT)
    given = said.encode("utf-8", "replace")
    now_or_before = [_of(secret, area, name, one).encode() for one in (slot, slot - 1)]
    found = [hmac.compare_digest(one, given) for one in now_or_before]
    return any(found)


def _of(secret: bytes, area: str, name: str, slot: int) -> str:
    """Parts are told apart by their lengths, whatever they hold."""
    parts = (area, name, str(slot))
    text = "".join(f"{len(part)}:{part}" for part in parts)
    return hmac.new(secret, text.encode("utf-8"), sha256).hexdigest()[:_DIGITS]
