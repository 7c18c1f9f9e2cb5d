"""Prefixes that providers have delegated, and lists that others publish, as somebody says them for a
charter."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from ipaddress import IPv6Network

from netcharter.charter.model import Charter, Line
from netcharter.charter.read import read
from netcharter.charter.words import suggest
from netcharter.plan.listed import Listed
from netcharter.rollout.trouble import StateBroken
from netcharter.steward.lists import record_of
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


def lists_as_said(
    sources: Sequence[Source], said: Sequence[str], read_file: Callable[[str], bytes]
) -> tuple[dict[str, Listed], list[str]]:
    """What `LIST=FILE` says of lists that one of the charters has fetched, and all else that was
    said; where FILE.json lies beside it, as the gateway keeps it, that says when. read_file: raises
    OSError. Raises Unusable."""
    charters = [_charter(source) for source in sources]
    lines = {name for charter in charters for name in charter.lines}
    known = {
        one.name
        for charter in charters
        for one in charter.lists.values()
        if one.source is not None and one.name not in lines
    }
    found: dict[str, Listed] = {}
    others = []
    for text in said:
        name, _, file = text.partition("=")
        if name not in known:
            others.append(text)
            continue
        if name in found:
            raise _wrong(text, f"{name} is said twice", "say one file for each list")
        try:
            held = read_file(file)
            found[name] = Listed(held, _fetched(text, file, held, read_file))
        except OSError as fault:
            why = (fault.strerror or "unknown reason").lower()
            raise _wrong(text, f"the file can't be read: {why}", f"{name}=FILE") from None
    return found, others


def _fetched(
    text: str, file: str, held: bytes, read_file: Callable[[str], bytes]
) -> datetime | None:
    """When a list came, as the file beside it says; None where that is not there, or tells of another
    text."""
    try:
        known = record_of(f"{file}.json", read_file(f"{file}.json"), held)
        return None if known is None else known.fetched
    except FileNotFoundError:
        return None
    except StateBroken as fault:
        raise _wrong(text, f"what is known of it can't be read: {fault}", "leave it away") from None


def _lines(source: Source) -> Iterable[Line]:
    return _charter(source).lines.values()


def _charter(source: Source) -> Charter:
    reading = read(source.text, source.name, source.load)
    if reading.charter is None:
        raise Unusable(reading.diagnostics, reading.texts)
    return reading.charter


def _prefix(text: str, prefix: str) -> IPv6Network:
    try:
        if "/" in prefix:
            return IPv6Network(prefix)
    except ValueError:
        pass
    raise _wrong(text, "this is no IPv6 prefix with its length", "copper=2001:db8:7a00::/56")


def _wrong(text: str, message: str, instead: str) -> Unusable:
    return unusable("learnt-prefix-unusable", message, ASKED, text, instead)
