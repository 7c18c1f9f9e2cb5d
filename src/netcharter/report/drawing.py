"""The drawn site as geometry: boxes, words and paths on one grid of columns; no markup.

Between the columns run gutters, and between the storeys (internet, lines, gateway, areas) run
bands. Boxes never stand in either, so whatever travels there crosses no box but the gateway,
which it is meant to pass. All lengths are whole user units of the drawing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from netcharter.report.site import AreaSign, Arrow, LineSign, SiteSigns
from netcharter.report.wording import cells, fitted

Point = tuple[int, int]
Style = Literal["name", "mono", "words", "device", "barred", "tag"]

CARD, LEAST_CARD = 236, 186  # width of a box in the grid; it gives way to wide gutters
GUTTER, MOST_GUTTER = 44, 102  # to the left of every column
SPARE = 8  # what a column may be wider than the widest box and the least gutter
EDGE = 20  # to the right of the last one
PAD = 12  # inside a box
SPINE = 8  # where in a gutter the plain link runs
LANE, LANES = 6, 23  # at most between upright paths in a gutter, and how many it has room for
BESIDE = 24  # of a gutter, next to the boxes: free of upright paths, for numbers and arrowheads
BAND, TRACK, TRACKS = 22, 8, 16  # a band's own height, and what each path in it adds
ROW = 18
BADGE = 18  # the width of the number of a broken promise
HEAD, FOOT = 28, 10  # of a box's left edge, where no path meets it
GATEWAY_HEIGHT = 60
MOST_DEVICES = 10
SIZES = {"name": 15, "mono": 12, "words": 12, "device": 12, "barred": 12, "tag": 11}
WIDTH_OF = 0.61  # of a character, in font sizes: the wider of common sans and fixed-width fonts
TAG_WIDTH_OF = 0.57  # words in an outline are centred and may run a little into its padding


@dataclass(frozen=True, slots=True)
class Box:
    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        return self.x + self.width

    @property
    def bottom(self) -> int:
        return self.y + self.height


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text inside a box, placed from the box's corner; a tag has an outline."""

    x: int
    y: int  # of the baseline
    text: str
    style: Style
    width: int = 0  # of a tag's outline


@dataclass(frozen=True, slots=True)
class Card:
    """One box with its words; `full` says its name uncut."""

    kind: Literal["internet", "line", "gateway", "area"]
    full: str
    box: Box
    words: tuple[Words, ...]


@dataclass(frozen=True, slots=True)
class Path:
    """A polyline: a plain link, an offer, or the way a broken promise shows."""

    kind: Literal["link", "offer", "broken", "stopped"]
    points: tuple[Point, ...]
    number: int | None = None  # the promise it breaks
    badge: Point | None = None  # where that number stands

    @property
    def line(self) -> str:
        """The value of a `points` attribute."""
        return _spelled(self.points)

    @property
    def head(self) -> str:
        """The arrowhead, as the points of a triangle."""
        (x0, y0), (x, y) = self.points[-2:]
        dx, dy = _sign(x - x0), _sign(y - y0)
        back = (x - 8 * dx, y - 8 * dy)
        return _spelled([(x, y), (back[0] - 4 * dy, back[1] - 4 * dx),
                         (back[0] + 4 * dy, back[1] + 4 * dx)])  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drawing:
    """The whole picture: boxes that do not overlap, and the paths between them."""

    columns: int
    width: int
    height: int
    cards: tuple[Card, ...]
    paths: tuple[Path, ...]


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)


def _spelled(points: Iterable[Point]) -> str:
    return " ".join(f"{x},{y}" for x, y in points)


# --- words in boxes ------------------------------------------------------------------------------


@dataclass
class _Writer:
    """Fills a box from top to bottom."""

    width: int
    y: int = 8
    words: list[Words] = field(default_factory=list)
    rows: dict[str, int] = field(default_factory=dict)  # device -> the middle of its row

    def write(self, text: str, style: Style, suffix: str = "", device: str | None = None) -> None:
        most = int((self.width - 2 * PAD) / (SIZES[style] * WIDTH_OF))
        shown = fitted(text, most - cells(suffix)) + suffix
        self.y += ROW + 2 if style == "name" else ROW
        self.words.append(Words(PAD, self.y - 5, shown, style))
        if device is not None:
            self.rows[device] = self.y - 9

    def tags(self, names: Sequence[str]) -> None:
        x, top = PAD, self.y + 3
        for name in names:
            width = int(cells(name) * SIZES["tag"] * TAG_WIDTH_OF) + 14
            if x > PAD and x + width > self.width - PAD:
                x, top = PAD, top + 22
            self.words.append(Words(x, top + 13, name, "tag", width))
            x += width + 6
        if names:
            self.y = top + 20

    @property
    def height(self) -> int:
        return self.y + 10


def _area_words(area: AreaSign, wanted: frozenset[str], width: int) -> _Writer:
    writer = _Writer(width)
    writer.write(area.name, "name")
    for prefix in (area.v4, *area.v6):
        writer.write(prefix, "mono")
    writer.tags(area.marks)
    first = [d for d in area.devices if d.name in wanted]
    rest = [d for d in area.devices if d.name not in wanted]
    shown = [*first, *rest[: max(MOST_DEVICES - len(first), 0)]]
    if shown:
        writer.y += 4
    for device in (d for d in area.devices if d in shown):
        suffix = " (barred)" if device.barred else f" {device.tail}" if device.tail else ""
        writer.write(device.name, "barred" if device.barred else "device", suffix, device.name)
    if len(shown) < len(area.devices):
        writer.write(f"and {len(area.devices) - len(shown)} more", "words")
    return writer


def _line_words(line: LineSign, width: int) -> _Writer:
    writer = _Writer(width)
    writer.write(line.name, "name")
    writer.write(f"line · {line.role}", "words")
    for address in line.addresses:
        writer.write(address, "mono")
    whole = ", ".join(line.rate)
    apart = (cells(whole) + 1) * SIZES["words"] * WIDTH_OF > width - 2 * PAD
    for rate in line.rate if apart else filter(None, [whole]):
        writer.write(rate, "words")
    return writer


# --- the grid ------------------------------------------------------------------------------------


@dataclass
class _Sheet:
    """Where everything stands, and which tracks are already taken."""

    columns: int
    ways: int
    lanes: tuple[int, ...]  # per column, how many paths run upright beside it
    cards: list[Card] = field(default_factory=list)
    rows: dict[tuple[str, str], int] = field(default_factory=dict)  # (area, device) -> y
    places: dict[str, tuple[int, Box]] = field(default_factory=dict)  # area -> column, box
    lines: dict[str, Box] = field(default_factory=dict)
    stacked: bool = False
    upper: int = 0  # the top of the band between lines and gateway
    gateway: Box = Box(0, 0, 0, 0)
    counts: dict[str, int] = field(default_factory=dict)
    heights: dict[str, set[int]] = field(default_factory=dict)  # where paths meet a box
    promised: dict[str, set[int]] = field(default_factory=dict)  # rows of devices with a path
    badges: list[Point] = field(default_factory=list)

    @property
    def width(self) -> int:
        return self.column_x(self.columns - 1) + self.card + EDGE

    @property
    def band(self) -> int:
        """The height of the band between lines and gateway, where ways change their column."""
        return BAND + (BADGE + TRACK * min(self.ways, TRACKS) if self.ways else 0)

    def gutter(self, column: int) -> int:
        """How wide the gutter of a column is."""
        return min(max(GUTTER, SPINE + BESIDE + LANE * self.lanes[column]), MOST_GUTTER)

    @property
    def card(self) -> int:
        """How wide a box in the grid is: a drawing is to stay readable on a narrow screen."""
        gutters = sum(map(self.gutter, range(self.columns)))
        room = CARD + GUTTER + SPARE - -(-gutters // self.columns)
        return max(LEAST_CARD, min(CARD, room))

    def gutter_x(self, column: int) -> int:
        """The left edge of a column's gutter."""
        return self.column_x(column) - self.gutter(column)

    def column_x(self, column: int) -> int:
        """The left edge of the boxes in a column."""
        return column * self.card + sum(map(self.gutter, range(column + 1)))

    def lane(self, column: int) -> int:
        """A free lane in the gutter of a column, from the boxes outwards, so that what meets them
        higher up is not crossed; they are shared once all are taken."""
        taken = self.count(f"lanes of {column}") % LANES
        room = self.gutter(column) - SPINE - BESIDE
        pitch = min(LANE, room // max(1, self.lanes[column]))
        return self.column_x(column) - BESIDE - pitch * taken

    def track(self) -> int:
        """How far into a band the next path runs."""
        return 12 + BADGE + TRACK * (self.count("tracks") % TRACKS)

    def count(self, what: str) -> int:
        """How often this was asked before."""
        taken = self.counts.get(what, 0)
        self.counts[what] = taken + 1
        return taken

    def free_badge(self, wanted: Point) -> Point:
        """The wanted place of a number, moved up its path until it covers no other."""
        x, y = wanted
        while any(abs(x - a) < BADGE and abs(y - b) < BADGE for a, b in self.badges):
            y -= 4
        self.badges.append((x, y))
        return x, y

    def height_of(self, name: str, device: str | None, box: Box, starts: bool = False) -> int:
        """Where a path meets the left edge of a box: at the device's row, or at the next height
        that leaves room for a number between the others. Whatever ends at a device shares its row,
        and what starts there has a height of its own."""
        taken = self.heights.setdefault(name, set())
        wanted = self.rows.get((name, device or ""))
        if wanted is None or (starts and wanted in taken):
            near = taken | self.promised.get(name, set())
            free = (
                y
                for y in range(box.y + HEAD, box.bottom - FOOT)
                if all(abs(y - other) >= BADGE for other in near)
            )
            wanted = next(free, box.bottom - FOOT)
        taken.add(wanted)
        return wanted


def _lanes(site: SiteSigns, columns: int) -> tuple[int, ...]:
    """Per column, how many ways run upright beside it."""
    column = {area.name: number % columns for number, area in enumerate(site.areas)}
    lines = {line.name for line in site.lines}
    found = [0] * columns
    for way in site.ways:
        if way.start in column:
            found[column[way.start]] += 1
        if way.start in lines and columns == 1:
            found[0] += 1
        elif way.kind != "stopped" and way.area in column:
            found[column[way.area]] += 1
    return tuple(min(number, LANES) for number in found)


def draw(site: SiteSigns, columns: int) -> Drawing:
    """The site on `columns` columns, with the ways of offers and of broken promises."""
    sheet = _Sheet(columns, len(site.ways), _lanes(site, columns))
    y = _place_internet(sheet, site)
    y = _place_lines(sheet, site, y + BAND)
    sheet.upper = y
    y = _place_gateway(sheet, site, y + sheet.band)
    y = _place_areas(sheet, site, y + BAND)
    links = [*_line_links(sheet), *_area_links(sheet)]
    ways = [path for way in site.ways if (path := _way(sheet, way)) is not None]
    return Drawing(columns, sheet.width, y + 4, tuple(sheet.cards), (*links, *ways))


def _place_internet(sheet: _Sheet, site: SiteSigns) -> int:
    left = sheet.column_x(0)
    width = sheet.width - left - EDGE
    writer = _Writer(width)
    writer.write("the internet", "name")
    most = int((width - 2 * PAD) / (SIZES["tag"] * WIDTH_OF)) - 3
    shown = [fitted(name, min(most, 28)) for name in list(site.places)[:12]]
    more = len(site.places) - len(shown)
    writer.tags([*shown, *([f"and {more} more"] if more else [])])
    box = Box(left, 4, width, writer.height)
    sheet.cards.append(Card("internet", "the internet", box, tuple(writer.words)))
    return box.bottom


def _place_lines(sheet: _Sheet, site: SiteSigns, y: int) -> int:
    lines = site.lines
    sheet.stacked = sheet.columns == 1
    if sheet.stacked:
        for line in lines:
            ends = sum(line.name in (way.start, way.line) for way in site.ways)
            least = HEAD + BADGE * ends + FOOT
            y = _line_card(sheet, line, Box(sheet.column_x(0), y, sheet.card, least)) + 14
        return y - 14
    most = max(sheet.columns, len(lines))
    step = (sheet.width - EDGE) // most
    bottoms = [
        _line_card(sheet, line, Box(number * step + GUTTER, y, step - GUTTER, 0))
        for number, line in enumerate(lines)
    ]
    return max(bottoms, default=y)


def _line_card(sheet: _Sheet, line: LineSign, room: Box) -> int:
    """Its lower edge. The room is where it begins, how wide it is, and how high at least."""
    writer = _line_words(line, room.width)
    box = Box(room.x, room.y, room.width, max(writer.height, room.height))
    sheet.cards.append(Card("line", line.name, box, tuple(writer.words)))
    sheet.lines[line.name] = box
    return box.bottom


def _place_gateway(sheet: _Sheet, site: SiteSigns, y: int) -> int:
    writer = _Writer(sheet.card)
    writer.write("the gateway", "name")
    writer.write(site.managed, "words")
    inside = sum(way.kind == "broken" for way in site.ways)
    height = GATEWAY_HEIGHT + (6 + TRACK * min(inside, TRACKS) if inside else 0)
    sheet.gateway = Box(0, y, sheet.width, height)
    moved = [Words(w.x + sheet.column_x(0), w.y, w.text, w.style) for w in writer.words]
    if sheet.columns > 1:
        y1 = moved[-1].y
        moved.append(Words(sheet.column_x(1) + PAD, y1, site.decisions, "words"))
    sheet.cards.append(Card("gateway", "the gateway", sheet.gateway, tuple(moved)))
    return sheet.gateway.bottom


def _place_areas(sheet: _Sheet, site: SiteSigns, y: int) -> int:
    areas = list(site.areas)
    for first in range(0, len(areas), sheet.columns):
        bottom = y
        for column, area in enumerate(areas[first : first + sheet.columns]):
            wanted = frozenset(w.device for w in site.ways if w.area == area.name and w.device)
            writer = _area_words(area, wanted, sheet.card)
            height = max(writer.height, _least_height(sheet, site, area.name, y, writer))
            box = Box(sheet.column_x(column), y, sheet.card, height)
            sheet.cards.append(Card("area", area.name, box, tuple(writer.words)))
            sheet.places[area.name] = (column, box)
            sheet.rows.update({(area.name, d): y + row for d, row in writer.rows.items()})
            bottom = max(bottom, box.bottom)
        y = bottom + 22
    return y - 22 if areas else y


def _least_height(sheet: _Sheet, site: SiteSigns, name: str, y: int, writer: _Writer) -> int:
    """How high an area at `y` must be for all paths that meet it; their devices' rows are kept."""
    ends = [way.starter for way in site.ways if way.start == name]
    ends += [way.device for way in site.ways if way.area == name and way.kind != "stopped"]
    rows = {y + writer.rows[device] for device in ends if device in writer.rows}
    sheet.promised[name] = rows
    return HEAD + BADGE * (len(ends) + len(rows)) + FOOT


# --- paths ---------------------------------------------------------------------------------------


def _line_links(sheet: _Sheet) -> Iterator[Path]:
    internet = next(card.box for card in sheet.cards if card.kind == "internet")
    for box in sheet.lines.values():
        middle = box.x + box.width // 2
        if not sheet.stacked:
            yield Path("link", ((middle, internet.bottom), (middle, box.y)))
            yield Path("link", ((middle, box.bottom), (middle, sheet.gateway.y)))
            continue
        y, outer = box.y + 18, box.right + EDGE // 2
        yield Path("link", ((internet.right, internet.y + 18), (outer, internet.y + 18),
                            (outer, y), (box.right, y)))  # fmt: skip
        spine = sheet.gutter_x(0) + SPINE
        yield Path("link", ((box.x, y), (spine, y), (spine, sheet.gateway.y)))


def _area_links(sheet: _Sheet) -> Iterator[Path]:
    for column, box in sheet.places.values():
        x, y = sheet.gutter_x(column) + SPINE, box.y + 18
        yield Path("link", ((x, sheet.gateway.bottom), (x, y), (box.x, y)))


def _way(sheet: _Sheet, way: Arrow) -> Path | None:
    """The path of a way: out of its start, through or up to the gateway, into its end."""
    begin = _leaving(sheet, way)
    if begin is None:
        return None
    last = begin[-1]
    stopped = way.kind == "stopped"
    rest = [(last[0], _wall(sheet, way))] if stopped else _arriving(sheet, way, last)
    badge = None if way.number is None else sheet.free_badge(_beside(begin))
    return Path(way.kind, _straight([*begin, *rest]), way.number, badge)


def _beside(begin: Sequence[Point]) -> Point:
    """On a path, next to the box that it leaves."""
    (x, y), *others = begin
    if others and others[0][1] == y:
        return x - 2 - BADGE // 2, y
    return x, y + 2 + BADGE // 2


def _wall(sheet: _Sheet, way: Arrow) -> int:
    """Where a way meets the gateway: from above if it comes from a line, else from below."""
    return sheet.gateway.y if way.start in sheet.lines else sheet.gateway.bottom


def _leaving(sheet: _Sheet, way: Arrow) -> list[Point] | None:
    """From the edge of the start to where the way turns upright towards the gateway."""
    if way.start in sheet.lines:
        return _leaving_line(sheet, way, sheet.lines[way.start])
    if way.start in sheet.places:
        column, box = sheet.places[way.start]
        y = sheet.height_of(way.start, way.starter, box, starts=True)
        return [(box.x, y), (sheet.lane(column), y)]
    if way.start == "gateway":
        up = way.area is None
        x = (
            sheet.column_x(0)
            + sheet.card
            - 20
            - (BADGE + 1) * (sheet.count("out of the gateway") % 10)
        )
        return [(x, sheet.gateway.y if up else sheet.gateway.bottom)]
    return None


def _leaving_line(sheet: _Sheet, way: Arrow, box: Box) -> list[Point]:
    if sheet.stacked:
        return [(box.x, y := sheet.height_of(way.start, None, box)), (sheet.lane(0), y)]
    pitch = BADGE + 1
    most = max(1, (box.width // 2 - 4) // pitch)
    x = box.x + box.width // 2 + pitch * (1 + sheet.count(f"out of {way.start}") % most)
    if way.kind == "stopped" or way.area not in sheet.places:
        return [(x, box.bottom)]
    y = sheet.upper + sheet.track()
    return [(x, box.bottom), (x, y), (sheet.lane(sheet.places[way.area][0]), y)]


def _arriving(sheet: _Sheet, way: Arrow, last: Point) -> list[Point]:
    if way.area in sheet.places:
        return _arriving_area(sheet, way, last)
    if way.line in sheet.lines:
        return _arriving_line(sheet, sheet.lines[way.line], way.line, last)
    return [(last[0], _wall(sheet, way))]


def _arriving_area(sheet: _Sheet, way: Arrow, last: Point) -> list[Point]:
    column, box = sheet.places[way.area or ""]
    end = sheet.height_of(way.area or "", way.device, box)
    if way.start in sheet.lines:
        return [(last[0], end), (box.x, end)]
    lane = sheet.lane(column)
    y = sheet.gateway.bottom - 8 - TRACK * (sheet.count("inside") % TRACKS)
    return [(last[0], y), (lane, y), (lane, end), (box.x, end)]


def _arriving_line(sheet: _Sheet, box: Box, name: str, last: Point) -> list[Point]:
    if sheet.stacked:
        y = sheet.height_of(name, None, box)
        return [(last[0], y), (box.x, y)]
    y = sheet.upper + sheet.track()
    x = box.x + box.width // 2 - 12 * (1 + sheet.count(f"into {name}") % 6)
    return [(last[0], y), (x, y), (x, box.bottom)]


def _straight(points: Sequence[Point]) -> tuple[Point, ...]:
    """The polyline without points that repeat the one before."""
    return tuple(p for n, p in enumerate(points) if n == 0 or p != points[n - 1])
