"""What `show` found, for a terminal: tables where there is room, else one thing below the other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from io import StringIO
from typing import TYPE_CHECKING, Any

from netcharter.charter.lending import spelt
from netcharter.diagnostics.escape import terminal
from netcharter.tasks.show import Decision, Section, ShowResult
from netcharter.tasks.show_names_text import details, list_cells, overview, title
from netcharter.tasks.show_words import Clause

if TYPE_CHECKING:
    from rich.console import Console

LEAST_WIDTH = 40
GAP = 2  # columns between the columns of a table
INDENT = 6  # of what is said about a decision
FINISHING = "what is open at the bell may finish"
UNITS = ((10**9, "Gbit/s"), (10**6, "Mbit/s"), (10**3, "kbit/s"), (1, "bit/s"))
TITLES = {
    "who": "Decisions by who starts",
    "to": "Decisions by what is reached",
    "service": "Decisions by service",
}
Cells = Mapping[str, Sequence[str]]  # a row of a table: column -> the lines of its cell


def show_text(result: ShowResult, width: int, colour: bool) -> str:
    """The plan for a terminal of `width` columns; with a view, that view alone."""
    from rich.console import Console

    out = StringIO()
    console = Console(
        file=out,
        width=max(width, LEAST_WIDTH),
        color_system="standard" if colour else None,
        force_terminal=colour,
        no_color=not colour,
        markup=False,
        emoji=False,
        highlight=False,
        legacy_windows=False,
        _environ={},
    )
    if result.view is None:
        _everything(console, result)
    else:
        _heading(console, f"{result.site}: {TITLES[result.view.by].lower()}")
        for section in result.view.sections:
            _section(console, section)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def _everything(console: Console, result: ShowResult) -> None:
    _heading(console, result.site)
    _say(console, f"time zone {result.timezone}, local IPv6 prefix {result.local_prefix}")
    _table(console, "Lines", [_line_cells(line) for line in result.lines])
    _table(console, "Areas", [_area_cells(area) for area in result.areas])
    _table(console, "Devices", [_device_cells(device) for device in result.devices])
    _table(console, "Hours", [{"hours": [h["name"]], "windows": h["words"]} for h in result.hours])
    if result.exits:
        _heading(console, "Exits: the first that fits says by which line it leaves", blank=True)
    for one in result.exits:
        _exit(console, one)
    if result.discovery:
        _heading(console, "Discovery: what hosts find in other areas", blank=True)
    for one in result.discovery:
        _discovery(console, one)
    _heading(console, "Decisions: the first that fits decides", blank=True)
    for decision in result.decisions:
        _decision(console, decision)
    _names(console, result)


# Pieces


def _say(console: Console, text: str, style: str = "", indent: int = 0) -> None:
    """A paragraph; every text of a charter passes through here or through `_table`."""
    from rich.padding import Padding
    from rich.text import Text

    told = Text(terminal(text), style=style, overflow="fold")
    console.print(Padding(told, (0, 0, 0, indent)))


def _heading(console: Console, text: str, *, blank: bool = False) -> None:
    if blank:
        console.print()
    _say(console, text, "bold")


def _table(console: Console, title: str, rows: Sequence[Cells]) -> None:
    """A table if it fits as it is; else each row as a name with its values below."""
    if not rows:
        return
    from rich.cells import cell_len

    _heading(console, title, blank=True)
    columns = [name for name in rows[0] if any(row[name] for row in rows)]
    safe = [{name: [terminal(text) for text in row[name]] for name in columns} for row in rows]
    widths = (
        max([cell_len(name), *(cell_len(text) for row in safe for text in row[name])])
        for name in columns
    )
    if sum(widths) + GAP * len(columns) <= console.width:
        _wide(console, columns, safe)
    else:
        _narrow(console, columns, safe)


def _wide(console: Console, columns: Sequence[str], rows: Iterable[Cells]) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, GAP, 0, 0), pad_edge=False, header_style="underline")
    for name in columns:
        table.add_column(Text(name), no_wrap=True)
    for row in rows:
        table.add_row(*(Text("\n".join(row[name])) for name in columns))
    console.print(table)


def _narrow(console: Console, columns: Sequence[str], rows: Iterable[Cells]) -> None:
    for row in rows:
        _say(console, ", ".join(row[columns[0]]), "bold", 2)
        for name in columns[1:]:
            if row[name]:
                _say(console, f"{name}: {', '.join(row[name])}", indent=4)


# What there is


def _line_cells(line: Mapping[str, Any]) -> Cells:
    rate = line["rate"]
    weight = f", weight {line['weight']}" if line["role"] == "balanced" else ""
    automatic = ["automatic"] if line["automatic"] else []
    return {
        "line": [line["name"]],
        "role": [line["role"] + weight],
        "device": [line["device"] + (f" over {line['pppoe']['over']}" if line["pppoe"] else "")],
        "address": line["addresses"] or automatic,
        "next hop": line["next_hops"],
        "prefix": _prefix_cell(line),
        "translator": [line["translator"]] if line["translator"] else [],
        "bytes": [f"{line['mtu']}"] if line["mtu"] else [],
        "down, up": [f"{_rate(rate['down'])}, {_rate(rate['up'])}"] if rate else [],
    }


def _prefix_cell(line: Mapping[str, Any]) -> list[str]:
    if line["stands_in"]:
        return [f"{line['prefix']} stands in until the provider's prefix is known"]
    how = ", delegated" if line["delegated"] else ""
    return [line["prefix"] + how] if line["prefix"] else []


def _rate(bits: int) -> str:
    """``40 Mbit/s``: in the largest unit that leaves no more than three decimals."""
    size, unit = next((s, u) for s, u in UNITS if bits >= s and bits * 1000 % s == 0)
    return f"{bits / size:.3f}".rstrip("0").rstrip(".") + f" {unit}"


def _area_cells(area: Mapping[str, Any]) -> Cells:
    room = area["room"]
    wanted = "" if room["wanted"] is None else f"{room['wanted']} of "
    return {
        "area": [area["name"]],
        "no.": [str(area["number"])],
        "device": [area["device"]],
        "IPv4": [area["ipv4"]["prefix"]],
        "gateway": [area["ipv4"]["gateway"]],
        "room": [f"{wanted}{room['usable']}"],
        "lends": _lends(area["lends"]),
        "IPv6": [
            six["prefix"] + (f" ({six['line']})" if six["line"] else "") for six in area["ipv6"]
        ],
        "marks": area["marks"],
    }


def _lends(lent: Mapping[str, Any] | None) -> list[str]:
    """For how long, and how many of the pool at most."""
    if lent is None:
        return ["nothing"]
    return [spelt(lent["lease"]), f"{lent['held']} of {lent['pool']}"]


def _device_cells(device: Mapping[str, Any]) -> Cells:
    return {
        "device": [device["name"]],
        "area": [device["area"]],
        "hardware": device["hardware"],
        "addresses": device["addresses"] or ["changing"],
        "marks": [mark for mark in device["marks"] if mark != "lasting"],
    }


def _exit(console: Console, one: Mapping[str, Any]) -> None:
    place = f"  {one['span']['file']}:{one['span']['line']}" if one["span"] else ""
    _say(console, f"{one['number']:>3}. {one['name']}{place}")
    for clause in one["clauses"]:
        _say(console, f"{clause['from']} -> {clause['to']} with {clause['service']}", indent=INDENT)
    behind = "or else refused" if one["or_else"] == "refused" else "then by others"
    stay = "; a device with open conversations stays on its line" if one["together"] else ""
    _say(console, f"by {', then '.join(one['by'])}, {behind}{stay}", indent=INDENT)
    if one["because"]:
        _say(console, f"because: {one['because']}", "dim", INDENT)


def _discovery(console: Console, one: Mapping[str, Any]) -> None:
    place = f"  {one['span']['file']}:{one['span']['line']}" if one["span"] else ""
    _say(console, f"{one['name']}{place}")
    found = ", ".join(one["find"])
    _say(console, f"{', '.join(one['let'])} -> {', '.join(one['in'])}: {found}", indent=INDENT)
    _say(console, f"service types {', '.join(one['types'])}", "dim", INDENT)
    if one["because"]:
        _say(console, f"because: {one['because']}", "dim", INDENT)


# Names and lists


def _names(console: Console, result: ShowResult) -> None:
    """Decisions about names only where the charter has any: the others are those of every site."""
    _heading(console, "Names", blank=True)
    for line in overview(result.names):
        _say(console, line)
    _table(console, "Lists", [list_cells(one) for one in result.lists])
    decisions = result.names["decisions"]
    if not any(one["kind"] in ("rule", "emergency") for one in decisions):
        return
    _heading(console, "Decisions about names: the first that fits decides", blank=True)
    for decision in decisions:
        _say(console, title(decision))
        for line in details(decision):
            _say(console, line, indent=INDENT)
        reason = decision["because"] + (f" [{decision['basis']}]" if decision["basis"] else "")
        if reason:
            _say(console, f"because: {reason}", "dim", INDENT)


# Decisions


def _decision(console: Console, decision: Decision) -> None:
    _title(console, decision)
    for clause in decision.clauses:
        _say(console, _clause(clause), indent=INDENT)
    if decision.delivered is not None:
        _say(console, f"delivered to {decision.delivered}", indent=INDENT)
    if decision.limit is not None:
        _say(console, f"by a line at most {decision.limit}", indent=INDENT)
    if decision.let_finish:
        _say(console, FINISHING, indent=INDENT)
    reason = decision.because + (f" [{decision.basis}]" if decision.basis else "")
    if reason:
        _say(console, f"because: {reason}", "dim", INDENT)


def _title(console: Console, decision: Decision) -> None:
    from rich.text import Text

    verb = "let" if decision.let else "refuse"
    quiet = ", without an answer" if decision.quiet and not decision.let else ""
    place = f"  {decision.span.file}:{decision.span.line}" if decision.span else ""
    kind = "" if decision.label.startswith(decision.kind) else f" ({decision.kind})"
    console.print(
        Text.assemble(
            f"{decision.number:>3}. ",
            (f"{verb:<6}", "green" if decision.let else "red"),
            f" {terminal(decision.label)}{kind}{quiet}",
            (terminal(place), "dim"),
            overflow="fold",
        )
    )


def _clause(clause: Clause) -> str:
    when = "" if clause.when == "always" else f", {clause.when}"
    return f"{clause.starter} -> {clause.to} with {clause.service}{when}"


def _section(console: Console, section: Section) -> None:
    """One section of a view. Housekeeping comes first everywhere, so it is named in one line."""
    _heading(console, section.name, blank=True)
    first = [d.label for d in section.decisions if d.kind == "housekeeping"]
    if first:
        _say(console, f"housekeeping first: {', '.join(first)}", "dim", INDENT)
    for decision in (d for d in section.decisions if d.kind != "housekeeping"):
        _brief(console, decision)
    if section.delivered:
        _say(console, "sent to the gateway, delivered here:", "dim", INDENT)
    for decision in section.delivered:
        _brief(console, decision)


def _brief(console: Console, decision: Decision) -> None:
    _title(console, decision)
    for line in _brief_lines(decision):
        _say(console, line, indent=INDENT)


def _brief_lines(decision: Decision) -> Iterator[str]:
    yield from map(_clause, decision.clauses)
    if decision.delivered is not None:
        yield f"delivered to {decision.delivered}"
    if decision.limit is not None:
        yield f"by a line at most {decision.limit}"
    if decision.let_finish:
        yield FINISHING
