"""A charter given other network devices: of a new machine, or as the cables turned out to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from netcharter.charter.edits import Edit, Texts, edited, loader
from netcharter.charter.model import Charter
from netcharter.charter.read import Reading, Unreadable, read
from netcharter.charter.words import suggest
from netcharter.diagnostics import Diagnostic
from netcharter.tasks.sources import Source, Unusable, unusable


@dataclass(frozen=True, slots=True)
class Moved:
    """A charter with other devices. source: to be read like any charter; texts: its files, to be
    written; changed: what was exchanged, the device before and after by the name of line or area.
    """

    source: Source
    texts: Texts
    changed: Mapping[str, tuple[str, str]]

    def as_json(self) -> dict[str, Any]:
        """`changed` [{`name`, `before`, `after`}], `files` {name: text}."""
        rows = [{"name": n, "before": b, "after": a} for n, (b, a) in self.changed.items()]
        return {"changed": rows, "files": dict(self.texts)}


def understood(source: Source) -> tuple[Charter, Reading]:
    """The charter of a source. Raises Unusable."""
    reading = read(source.text, source.name, source.load)
    if reading.charter is None:
        raise Unusable(reading.diagnostics, reading.texts)
    return reading.charter, reading


def devices_of(charter: Charter) -> tuple[str, ...]:
    """The network devices that a charter speaks of, in its order, each once."""
    lines, areas = charter.lines.values(), charter.areas.values()
    return tuple(dict.fromkeys([*(one.device for one in lines), *(one.device for one in areas)]))


def with_devices(source: Source, mapping: Mapping[str, str]) -> Moved:
    """The charter with its network devices exchanged, all at once, so that two may change places.

    mapping: the device that the charter names, and the one that it is to name. Remarks and order
    stay. Raises Unusable for a device that the charter does not name, and where the charter would
    not be one afterwards.
    """
    charter, reading = understood(source)
    known = devices_of(charter)
    for old in mapping:
        if old not in known:
            near = suggest(old, known)
            raise unusable("no-such-network-device", f"this charter names no device {old}", old,
                           old, f"write {near}" if near else f"it names {', '.join(known)}")  # fmt: skip
    edits, changed = [], {}
    named = [("lines", name, one.device) for name, one in charter.lines.items()]
    named += [("areas", name, one.device) for name, one in charter.areas.items()]
    for section, name, device in named:
        new = mapping.get(device, device)
        if new != device:
            edits.append(Edit(charter.where(section, name, "device"), new))
            changed[name] = (device, new)
    texts = edited(reading.texts, edits)
    compared(source, texts, _expected(charter, mapping))
    return Moved(from_texts(source, texts), texts, changed)


def from_texts(source: Source, texts: Texts) -> Source:
    """The same source with other texts; lists that lie beside the charter stay as they are."""
    edited = loader(texts, source.name)

    def load(name: str) -> str | bytes:
        try:
            return edited(name)
        except (LookupError, Unreadable):
            if source.load is None:
                raise
            return source.load(name)

    return replace(source, text=texts[source.name].encode(), load=load)


def _expected(charter: Charter, mapping: Mapping[str, str]) -> Charter:
    return replace(
        charter,
        lines={
            n: replace(one, device=mapping.get(one.device, one.device))
            for n, one in charter.lines.items()
        },
        areas={
            n: replace(one, device=mapping.get(one.device, one.device))
            for n, one in charter.areas.items()
        },
    )


def compared(source: Source, texts: Texts, expected: Charter) -> None:
    """Raises Unusable unless the texts say just what is expected."""
    reading = read(texts[source.name], source.name, loader(texts, source.name))
    if reading.charter is None:
        raise Unusable(reading.diagnostics, reading.texts)
    if replace(reading.charter, services=expected.services) != expected:
        wrong = Diagnostic(
            "edit-not-possible",
            "error",
            "this charter can't be edited without changing what else it says",
            expected.where(),
            help="write values that are shared by `&` and `*` out, and try again",
        )
        raise Unusable((wrong,), texts)
