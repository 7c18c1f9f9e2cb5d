"""Tables of equipment: RFC 4180, and what spreadsheets make of it.

The rules of RFC 4180 section 2 (quotes, doubled quotes, line breaks within them) are compared with
Python's own csv module, which was written by others.
"""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.tasks.inheriting.held import read_held
from netcharter.tasks.inheriting.shapes import Held
from netcharter.tasks.inheriting.table import _cells, headings, read_table

LAPTOP = 0x020000AA0001


def table(text: str | bytes) -> Held:
    return read_table(text, "equipment.csv")


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_the_separator_is_told_from_the_headings(separator: str, mark: str, end: str) -> None:
    lines = ["Host Name|MAC-Address|IPv4|VLAN ID|Remarks|Bought"]
    lines.append("laptop|02-00-00-AA-00-01|10.20.10.10/24|20|the warden's|2019")
    text = mark + end.join(line.replace("|", separator) for line in lines) + end
    for data in (text, text.encode()):
        found = table(data)
        assert found.problems == ()
        (one,) = found.reservations
        assert (one.name, one.hardware, one.area, one.note) == (
            "laptop", (LAPTOP,), "20", "the warden's"
        )  # fmt: skip
        assert [str(address) for address in one.addresses] == ["10.20.10.10"]
        assert (one.span.line, one.span.column) == (2, 1)


def test_columns_stand_in_any_order_and_several_values_in_one() -> None:
    found = table(
        "notes,ip,name,mac,owner\n"
        '"a, ""b""\nc",10.20.10.10 10.20.10.11,"two legs","02:00:00:aa:00:01; 0200.00aa.0006",skye\n'
        ",,,,\n"
    )
    assert found.problems == ()
    (one,) = found.reservations
    assert (one.name, one.note) == ("two legs", 'a, "b" c; skye')
    assert one.hardware == (LAPTOP, 0x020000AA0006)
    assert len(one.addresses) == 2


def test_a_spreadsheet_may_say_its_separator_first_and_write_utf_16() -> None:
    text = "sep=;\nname;mac\nlaptop;02:00:00:aa:00:01\n"
    for data in (text, text.encode("utf-16"), text.encode("utf-8-sig")):
        assert [one.name for one in read_held(data, "e.csv").reservations] == ["laptop"]


def test_every_bad_value_is_told_and_the_rest_of_its_row_is_kept() -> None:
    found = table("name,mac,ip\na,zz,10.0.0.1\nb,02:00:00:aa:00:01,10.0.0.300\nc,,\n\n,,\n")
    assert [(p.id, p.span.line) for p in found.problems] == [
        ("entry-not-read", 2), ("entry-not-read", 3), ("entry-left-out", 4)
    ]  # fmt: skip
    assert [one.name for one in found.reservations] == ["a", "b"]


def test_a_quote_that_is_never_closed_costs_one_row() -> None:
    rows = "".join(f"n{n},02:00:00:aa:00:{n:02x},\n" for n in range(40))
    found = table('name,mac,ip\n"open,02:00:00:bb:00:01,\n' + rows)
    assert [(p.id, p.span.line) for p in found.problems] == [("entry-not-read", 2)]
    assert len(found.reservations) == 40


@pytest.mark.parametrize(
    "text", ["", "\n\n", "a,b,c\n1,2,3\n", "name,notes\na,b\n", "mac\n02:00\n"]
)
def test_a_table_without_known_headings_is_told(text: str) -> None:
    assert headings(text.split("\n")[0]) == ("", ())
    found = table(text)
    assert found.reservations == ()
    assert [p.id for p in found.problems] == ["entry-not-read"] * bool(text.strip())


@given(st.lists(st.text(st.characters(exclude_categories=("Cs", "Cc"))), min_size=2, max_size=6))
def test_values_are_cut_as_another_reader_cuts_them(values: list[str]) -> None:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(values)
    assert _cells(out.getvalue(), ",") == (values, True)
    quoted = io.StringIO()
    csv.writer(quoted, quoting=csv.QUOTE_ALL, delimiter=";", lineterminator="").writerow(values)
    assert _cells(quoted.getvalue(), ";") == (values, True)


@given(st.text(alphabet='a,"\n', max_size=30))
def test_records_of_any_quotes_are_cut_as_another_reader_cuts_them(text: str) -> None:
    cells, closed = _cells(text, ",")
    if not closed or "\n" in text and '"' not in text:
        return
    try:
        read = next(csv.reader(io.StringIO(text, newline=""), strict=True), None)
    except csv.Error:
        return  # the other reader is strict about what stands behind a closing quote
    if read is not None and ",".join(read).count("\n") == text.count("\n"):
        assert cells == (read or [""])
