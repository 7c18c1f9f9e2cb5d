"""Names: those that the user gives to lines and areas, and those that are made up."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from netcharter.charter import values
from netcharter.charter.values import LONGEST_NAME, Wrong, quoted
from netcharter.tasks.inheriting.host import DEVICE
from netcharter.tasks.inheriting.shapes import Named
from netcharter.tasks.sources import unusable

LONGEST_WANTED = 300  # characters of a text that a name is made of


def named(lines: Sequence[str], areas: Sequence[str]) -> Named:
    """The names of `--line NAME=DEVICE` and `--area NAME=DEVICE`. Raises Unusable."""
    taken: dict[str, str] = {}
    return Named(
        {name: device for name, device in (_pair("--line", text, taken) for text in lines)},
        {name: device for name, device in (_pair("--area", text, taken) for text in areas)},
    )


def _pair(option: str, text: str, taken: dict[str, str]) -> tuple[str, str]:
    """One name and its device, both new. taken: devices by the folded names given so far."""

    def wrong(message: str, instead: str) -> Exception:
        return unusable("name-not-understood", message, option, text, instead)

    name, equals, device = text.partition("=")
    if not equals or not DEVICE.fullmatch(device):
        raise wrong(f"{quoted(text)} names no network device", "write NAME=DEVICE: office=eth2")
    try:
        plain = values.thing(name)
    except Wrong as fault:
        raise wrong(fault.message, fault.help or "write NAME=DEVICE: office=eth2") from None
    if plain.casefold() in taken:
        raise wrong(f"{quoted(plain)} stands here twice", "give each a name of its own")
    if device in taken.values():
        raise wrong(f"{quoted(device)} has two names", "give each device one name")
    taken[plain.casefold()] = device
    return plain, device


class Names:
    """The names of one charter: each is proper and new, however capitals are taken."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        self._taken = {name.casefold() for name in taken}

    def __contains__(self, name: str) -> bool:
        return name.casefold() in self._taken

    def take(self, wanted: str, otherwise: str) -> str:
        """A new name as near to `wanted` as can be; `otherwise` where nothing of it is left."""
        base = proper(wanted) or proper(otherwise) or "thing"
        name, number = base, 1
        while name.casefold() in self._taken or name in values.RESERVED:
            number += 1
            name = f"{base[: LONGEST_NAME - 6]}-{number}"
        self._taken.add(name.casefold())
        return name


def proper(wanted: str) -> str:
    """What can be kept of a text as a name of the charter; empty where nothing can."""
    plain = re.sub(r"[^\w.-]+", "-", unicodedata.normalize("NFC", wanted[:LONGEST_WANTED]))
    kept = [c for c in plain if c in "-_." or _fits(c)]
    while kept and not unicodedata.category(kept[0]).startswith("L"):
        kept.pop(0)
    try:
        return values.name("".join(kept)[:LONGEST_NAME].rstrip("-_."))
    except Wrong:
        return ""


def _fits(character: str) -> bool:
    """Can it stand within a name? Asked of the charter's own rule for names."""
    try:
        values.name("a" + character)
    except Wrong:
        return False
    return True


def listed(words: Iterable[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    *most, last = list(words) or [""]
    return f"{', '.join(most)} and {last}" if most else last


def pick(mapping: Mapping[str, str], device: str) -> str:
    """The name that the user gave to a device; empty if none."""
    return next((name for name, given in mapping.items() if given == device), "")
