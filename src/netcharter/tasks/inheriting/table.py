"""A table of equipment as comma-separated values (RFC 4180), or with another separator.

The first line has the headings; which column is which is told from them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from netcharter.charter.model import Address
from netcharter.charter.values import quoted
from netcharter.tasks.inheriting.lines import Line, Told, address_of, good_lines, hardware_of
from netcharter.tasks.inheriting.shapes import Held, Reservation

SEPARATORS = (",", ";", "\t", "|")
HEADINGS = {
    "name": "name hostname host device devicename computer computername equipment label",
    "hardware": "mac macaddress hardware hardwareaddress hwaddress hwaddr physicaladdress ethernet"
    " ethernetaddress",
    "address": "ip ipaddress address ipv4 ipv4address ipv6 ipv6address fixedaddress",
    "area": "area vlan vlanid segment network subnet",
    "note": "note notes comment comments description remark remarks location place owner contact",
}
COLUMN = {word: column for column, words in HEADINGS.items() for word in words.split()}
MOST_LINES = 20  # of one value in quotes
SEVERAL = re.compile(r"[\s,;/]+")


@dataclass(frozen=True, slots=True)
class Row:
    """The values of one record, and the line it begins on."""

    values: tuple[str, ...]
    line: Line


def headings(text: str) -> tuple[str, tuple[str, ...]]:
    """The separator of a line of headings and what each column is ("" for an unknown one).

    Both are empty where the line has no hardware address and no address in its headings.
    """
    best: tuple[str, tuple[str, ...]] = ("", ())
    for separator in SEPARATORS:
        columns = tuple(_column(cell) for cell in _cells(text, separator)[0])
        if sum(map(bool, columns)) > sum(map(bool, best[1])):
            best = separator, columns
    known = set(best[1]) & {"hardware", "address"} and len(best[1]) > 1
    return best if known else ("", ())


def _column(cell: str) -> str:
    return COLUMN.get(re.sub(r"[\W_]+", "", cell).casefold(), "")


def read_table(data: str | bytes, name: str) -> Held:
    """Every row with a hardware address or an address is a reservation."""
    told = Told(name)
    lines = good_lines(data, told)
    while lines and (not lines[0].text.strip() or re.fullmatch(r'"?sep=.', lines[0].text)):
        lines.pop(0)
    separator, columns = headings(lines[0].text) if lines else ("", ())
    if not columns:
        if lines:
            told.unread("a line of headings is missing", told.span(lines[0]), help="begin with"
                        " headings: name,mac,ip,area,notes")  # fmt: skip
        return Held(problems=told.all())
    rows = (_reservation(told, row, columns) for row in _rows(told, lines[1:], separator))
    return Held(reservations=tuple(r for r in rows if r is not None), problems=told.all())


def _rows(told: Told, lines: Sequence[Line], separator: str) -> Iterator[Row]:
    number = 0
    while number < len(lines):
        line = lines[number]
        text = line.text
        cells, whole = _cells(text, separator)
        taken = 1
        while not whole and taken < MOST_LINES and number + taken < len(lines):
            text += "\n" + lines[number + taken].text
            cells, whole = _cells(text, separator)
            taken += 1
        if whole:
            number += taken
            yield Row(tuple(cells), line)
        else:
            number += 1
            told.unread("a quote that is not closed", told.span(line), quoted(line.text))


def _cells(text: str, separator: str) -> tuple[list[str], bool]:
    """The values of a record, and whether every quote in it is closed (RFC 4180 section 2)."""
    cells: list[str] = []
    place = 0
    while True:
        if text.startswith('"', place):
            end = place + 1
            while (end := text.find('"', end)) >= 0 and text.startswith('""', end):
                end += 2
            if end < 0:
                return [*cells, text[place + 1 :]], False
            follows = text.find(separator, end)
            rest = text[end + 1 : follows if follows >= 0 else len(text)]
            cells.append(text[place + 1 : end].replace('""', '"') + rest)
        else:
            follows = text.find(separator, place)
            cells.append(text[place : follows if follows >= 0 else len(text)])
        if follows < 0:
            return cells, True
        place = follows + len(separator)


def _reservation(told: Told, row: Row, columns: Sequence[str]) -> Reservation | None:
    said: dict[str, list[str]] = {column: [] for column in HEADINGS}
    for column, cell in zip(columns, row.values, strict=False):
        text = " ".join(cell.split())
        if column and text:
            said[column].append(text)
    if not any(said.values()):
        return None
    span = told.span(row.line)
    hardware: list[int] = []
    for text in _several(said["hardware"]):
        number = hardware_of(text)
        if number is None:
            told.unread("a hardware address", span, quoted(text))
        else:
            hardware.append(number)
    addresses: list[Address] = []
    for text in _several(said["address"], lengths=True):
        address = address_of(text)
        if address is None:
            told.unread("an address", span, quoted(text))
        else:
            addresses.append(address)
    name, area = (" ".join(said[column][:1]) for column in ("name", "area"))
    if not hardware and not addresses:
        told.left_out("a row without hardware address and address", span, quoted(name))
        return None
    note = "; ".join(said["note"])
    return Reservation(name, tuple(hardware), tuple(addresses), span, area, note)


def _several(cells: Sequence[str], lengths: bool = False) -> Iterator[str]:
    """The single values of cells; the length behind an address is left out."""
    for cell in cells:
        if lengths:
            cell = re.sub(r"/[0-9]{1,3}(?=\s|[,;]|$)", "", cell)
        yield from filter(None, SEVERAL.split(cell))
