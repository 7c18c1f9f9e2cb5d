"""The table of keys for others: a JSON Schema for editors, and tables for the reference page."""

from __future__ import annotations

import json
from collections.abc import Iterator

from netcharter.charter.services import builtin
from netcharter.charter.shapes import Key, Named, NamedOrListed, Record, Schema, Shape
from netcharter.charter.table import CHARTER, NEEDED, PART

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NUMBERS = {1: "icmp", 6: "tcp", 17: "udp", 58: "icmpv6"}


def schema() -> Schema:
    """A JSON Schema of the document as YAML 1.2 reads it; `$defs/part` is for included files."""
    found = {
        "$schema": DIALECT,
        "title": "A charter",
        "description": "What an organisation wants of its network.",
    } | CHARTER.schema()
    del found["type"]
    return found | {
        "type": "object",
        "required": ["charter", "site"],
        "if": {"not": {"required": ["include"]}},
        "then": {"required": list(NEEDED)},
        "$defs": {"part": PART.schema() | {"type": "object"}},
    }


def schema_text() -> str:
    """The schema as the file holds it."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def records() -> Iterator[Record]:
    """Every record of a charter, outermost first."""
    waiting: list[Shape] = [CHARTER]
    while waiting:
        shape = waiting.pop(0)
        if isinstance(shape, Record):
            yield shape
            waiting += [key.shape for key in shape.keys]
        elif isinstance(shape, Named):
            waiting.append(shape.each)
        elif isinstance(shape, NamedOrListed):
            waiting.append(shape.named)
        elif hasattr(shape, "each"):
            waiting.append(shape.each)


def tables() -> dict[str, str]:
    """The tables of the reference page, by the words of the marks they stand between."""
    found = {f"keys of {record.what}": key_table(record) for record in records()}
    return found | {"services": service_table()}


def key_table(record: Record) -> str:
    """One row for each key of a record."""
    rows = ["| key | what it holds | default | what it means |", "|---|---|---|---|"]
    rows += [f"| `{k.name}` | {k.shape.what} | {_default(k)} | {k.meaning} |" for k in record.keys]
    return "\n".join(rows) + "\n"


def _default(key: Key) -> str:
    return "**must be said**" if key.required or key.name in NEEDED else key.default or "–"


def service_table() -> str:
    """One row for each service that every charter knows."""
    rows = ["| service | means |", "|---|---|"]
    for name, parts in builtin().items():
        rows.append(f"| `{name}` | {', '.join(_spelt(*part) for part in parts)} |")
    return "\n".join(rows) + "\n"


def _spelt(protocol: int, first: int, last: int) -> str:
    if protocol not in NUMBERS:
        return f"protocol/{protocol}"
    if NUMBERS[protocol].startswith("icmp"):
        return f"{NUMBERS[protocol]}/{first >> 8}"
    return f"{NUMBERS[protocol]}/{first}" + (f"-{last}" if last != first else "")
