"""Prefixes that providers have delegated, as somebody says them for a charter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from ipaddress import IPv6Network

from netcharter.charter.model import Line
from netcharter.charter.read import read
from netcharter.charter.words import suggest
from netcharter.tasks.sources import Source, Unusable, unusable

ASKED = "--learnt"


def as_said(sources: Sequence[Source], said: Sequence[str]) -> dict[str, IPv6Network]:
    """What `LINE=PREFIX` says, once for each line whose prefix is delegated in one of the charters.
    Raises Unusable."""
    lines = [line for source in sources for line in _lines(source)]
    asking = [line.name for line in lines if line.delegated]
    found: dict[str, IPv6Network] = {}
    for text in said:
        line, _, prefix = text.partition("=")
        if line in found:
            raise _wrong(text, f"{line} is said twice", "say one prefix for each line")
        if line not in asking:
            known = any(one.name == line for one in lines)
            why = f"the prefix of {line} is not delegated" if known else f"there is no line {line}"
            near = suggest(line, asking)
            instead = f"say {near}" if near else "write `prefix: delegated` at the line"
            raise _wrong(text, why, instead)
        found[line] = _prefix(text, prefix)
    return found


def _lines(source: Source) -> Iterable[Line]:
    reading = read(source.text, source.name, source.load)
    if reading.charter is None:
        raise Unusable(reading.diagnostics, reading.texts)
    return reading.charter.lines.values()


def _prefix(text: str, prefix: str) -> IPv6Network:
    try:
        if "/" in prefix:
            return IPv6Network(prefix)
    except ValueError:
        pass
    raise _wrong(text, "this is no IPv6 prefix with its length", "copper=2001:db8:7a00::/56")


def _wrong(text: str, message: str, instead: str) -> Unusable:
    return unusable("learnt-prefix-unusable", message, ASKED, text, instead)
