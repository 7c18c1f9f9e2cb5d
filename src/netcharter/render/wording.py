"""How values, clauses and runs are written in nftables' own language."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv6Address

from netcharter.plan import labels
from netcharter.plan.coding import (
    DCCP,
    ICMP,
    ICMP6,
    SCTP,
    SYMBOLS,
    TCP,
    UDP,
    UDPLITE,
    V6,
    hardware_text,
)
from netcharter.plan.shapes import Row
from netcharter.render import escape
from netcharter.render.clauses import CLAUSE_LIMIT, NO_LISTS, Box, Clause, Listed, Run
from netcharter.space.ranges import Ranges

PROTOCOLS = {
    ICMP: "icmp",
    TCP: "tcp",
    UDP: "udp",
    DCCP: "dccp",
    ICMP6: "icmpv6",
    SCTP: "sctp",
    UDPLITE: "udplite",
}
INDENT = "    "


def address(code: int) -> str:
    """A numeric address from its code. Raises ValueError for the unknown address of a line."""
    if code >= SYMBOLS:
        raise ValueError("the unknown address of a line has no number")
    return str(IPv4Address(code) if code < V6 else IPv6Address(code - V6))


def address_range(low: int, high: int) -> str:
    """An address, or ``first-last``; a prefix where the interval is one."""
    if low == high:
        return address(low)
    size, base, bits = high - low + 1, low if low < V6 else low - V6, 32 if low < V6 else 128
    if size & (size - 1) == 0 and base % size == 0:
        return f"{address(low)}/{bits - size.bit_length() + 1}"
    return f"{address(low)}-{address(high)}"


def hardware_range(low: int, high: int) -> str:
    return hardware_text(low) if low == high else f"{hardware_text(low)}-{hardware_text(high)}"


def number_range(low: int, high: int) -> str:
    return str(low) if low == high else f"{low}-{high}"


def protocol_range(low: int, high: int) -> str:
    if low == high:
        return PROTOCOLS.get(low, str(low))
    return number_range(low, high)


def braces(items: Iterable[str]) -> str:
    return "{ " + ", ".join(items) + " }"


@dataclass(slots=True)
class NamedSets:
    """The interval sets that large clauses share, by name; the name comes from the contents. listed:
    those that have a name of their own."""

    listed: Listed = NO_LISTS
    found: dict[str, tuple[str, list[str]]] = field(default_factory=dict)

    def add_listed(self, kind: str, contents: Ranges) -> str | None:
        """The name of a list's set, made if need be; None where these are no list's contents."""
        name = self.listed.name(contents)
        if name is not None and name not in self.found:
            self.found[name] = (kind, addresses(contents))
        return name

    def add(self, kind: str, elements: Iterable[str]) -> str:
        """The name of the set with these elements, made if need be."""
        items = list(elements)
        digest = hashlib.sha256(" ".join(items).encode("ascii")).hexdigest()[:10]
        name = f"nc_{SET_KINDS[kind]}_{digest}"
        self.found[name] = (kind, items)
        return name


SET_KINDS = {"ipv4_addr": "addr4", "ipv6_addr": "addr6", "ether_addr": "hardware"}


def addresses(found: Ranges) -> list[str]:
    return [address_range(low, high) for low, high in found]


Write = Callable[[int, int], str]


def _selectors(clause: Clause) -> list[str]:
    """What a clause's fields are called in nftables, in the order of `Clause.columns`."""
    ip = "ip" if clause.family == 4 else "ip6"
    icmp = "icmp" if clause.family == 4 else "icmpv6"
    names = {
        "source": f"{ip} saddr",
        "destination": f"{ip} daddr",
        "proto": "meta l4proto",
        "port": "meta l4proto . th dport",
        "type": f"{icmp} type",
        "code": f"{icmp} type . {icmp} code",
        "odd": "meta l4proto . th sport",
        "hardware": "ether saddr",
    }
    return [names[name] for name in clause.fields]


def _writers(clause: Clause) -> list[list[Write]]:
    """For each field, how its parts are written."""
    writers: dict[str, list[Write]] = {
        "source": [address_range],
        "destination": [address_range],
        "proto": [protocol_range],
        "port": [protocol_range, number_range],
        "type": [number_range],
        "code": [number_range, number_range],
        "odd": [protocol_range, number_range],
        "hardware": [hardware_range],
    }
    return [writers[name] for name in clause.fields]


def _element(box: Box, writers: list[Write]) -> str:
    return " . ".join(write(*pair) for pair, write in zip(box, writers, strict=True))


Verdict = Callable[[Row], str]


def run_lines(run: Run, verdict: Verdict, sets: NamedSets) -> Iterator[str]:
    """The rule that a run becomes. `verdict`: where a decision sends what it matches."""
    first = run.first
    conditions = list(first.conditions)
    remark = escape.comment(*names_of(run))
    if not first.fields:
        yield " ".join([*conditions, verdict(first.row), "comment", remark])
    elif first.weight > CLAUSE_LIMIT or sets.listed.of(first):
        matches = list(_separately(first, sets))
        yield " ".join([*conditions, *matches, verdict(first.row), "comment", remark])
    else:
        yield from _look_up(run, verdict, conditions, remark)


def _look_up(run: Run, verdict: Verdict, conditions: list[str], remark: str) -> Iterator[str]:
    """One look-up: in a set where all clauses lead to the same end, in a verdict map otherwise."""
    writers = [write for group in _writers(run.first) for write in group]
    ends = dict.fromkeys(verdict(clause.row) for clause in run.clauses)
    alone = len(ends) == 1
    elements = [
        _element(box, writers) + ("" if alone else f" : {verdict(clause.row)}")
        for clause in run.clauses
        for box in clause.boxes()
    ]
    opening = " ".join(
        [*conditions, " . ".join(_selectors(run.first)), *([] if alone else ["vmap"])]
    )
    closing = f"{next(iter(ends))} comment {remark}" if alone else f"comment {remark}"
    if len(elements) == 1:
        yield f"{opening} {braces(elements)} {closing}"
        return
    yield f"{opening} {{"
    yield from (f"{INDENT}{element}," for element in elements[:-1])
    yield f"{INDENT}{elements[-1]}"
    yield f"}} {closing}"


def _separately(clause: Clause, sets: NamedSets) -> Iterator[str]:
    """A large clause: one match per field, addresses in sets that other clauses share."""
    kinds = {
        "source": "ipv4_addr" if clause.family == 4 else "ipv6_addr",
        "destination": "ipv4_addr" if clause.family == 4 else "ipv6_addr",
        "hardware": "ether_addr",
    }
    whole = {"source": clause.source, "destination": clause.destination}
    for name, selector, column, writers in zip(
        clause.fields, _selectors(clause), clause.columns, _writers(clause), strict=True
    ):
        own = sets.add_listed(kinds[name], whole[name] or ()) if name in whole else None
        if own is not None:
            yield f"{selector} @{own}"
            continue
        elements = [_element(box, writers) for box in column]
        if name in kinds:
            yield f"{selector} @{sets.add(kinds[name], elements)}"
        else:
            yield f"{selector} {braces(elements)}"


def beside(file: str) -> str:
    """A file's own name: a kit says nothing of the folder that its charter was rendered from."""
    return file.rpartition("/")[2]


def names_of(run: Run) -> tuple[str, str]:
    """The labels of a run's decisions with their lines, each once, and the file they stand in."""
    rows = {clause.row.label: clause.row for clause in run.clauses}
    spans = [row.span for row in rows.values() if row.span is not None]
    files = ", ".join(dict.fromkeys(beside(span.file) for span in spans))
    names = (f"{label}:{row.span.line}" if row.span else label for label, row in rows.items())
    return ", ".join(names), files


def to_row(row: Row) -> str:
    return f"goto {labels.row_name(row.label)}"


def place(row: Row) -> str:
    """Where the charter says a decision, as file:line; its published source where it does not."""
    if row.span is not None:
        return f"{beside(row.span.file)}:{row.span.line}"
    return row.basis or ""


def chain(name: str, lines: Iterable[str], remark: str = "") -> Iterator[str]:
    """A chain, indented to stand in a table."""
    yield f"{INDENT}chain {name} {{"
    if remark:
        yield f"{INDENT * 2}comment {escape.comment(remark)}"
    for line in lines:
        yield f"{INDENT * 2}{line}"
    yield f"{INDENT}}}"
