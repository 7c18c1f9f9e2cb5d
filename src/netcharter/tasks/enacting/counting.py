"""What a text that was fetched holds, as a list of addresses or of names."""

from __future__ import annotations

from netcharter.charter.lists import ADDRESSES
from netcharter.charter.model import NamedList
from netcharter.plan import listed
from netcharter.plan.names.reading import in_pieces, read
from netcharter.plan.names.shapes import form_of
from netcharter.steward.lists import Counted


def counted(one: NamedList, text: bytes) -> Counted:
    """Its entries, and the lines that hold none by reason; as the plan will read it."""
    return _addresses(text) if one.of == ADDRESSES else _names(one, text)


def _addresses(text: bytes) -> Counted:
    found = listed.read(text)
    return Counted(found.entries, {one.reason: (one.count, one.first) for one in found.refused})


def _names(one: NamedList, text: bytes) -> Counted:
    found = read(in_pieces(text), form_of(one))
    refused = {told.reason: (told.count, told.first) for told in found.refused}
    return Counted(len(found.entries), refused, found.unusable or "")
