"""The drawn site: nothing overlaps, nothing is left out, every way ends where it should."""

from __future__ import annotations

from itertools import combinations, pairwise, permutations, product

import pytest

from netcharter.report.drawing import Box, Drawing, Path, draw
from netcharter.report.site import SiteSigns, signs
from netcharter.report.wording import cells, fitted
from tests.report.sites import judged

SITES = ("one", "demo", "draft", "twenty", "crowd")
EVERY = [(site, columns) for site in SITES for columns in (1, 2, 3, 4)]


def _overlap(a: Box, b: Box) -> bool:
    return a.x < b.right and b.x < a.right and a.y < b.bottom and b.y < a.bottom


def _crosses(start: tuple[int, int], end: tuple[int, int], box: Box) -> bool:
    """Whether an upright or level stretch runs through the inside of a box."""
    (left, right), (top, bottom) = sorted((start[0], end[0])), sorted((start[1], end[1]))
    return left < box.right and right > box.x and top < box.bottom and bottom > box.y


def _drawn(site: str, columns: int) -> tuple[SiteSigns, Drawing]:
    found = signs(judged(site))
    return found, draw(found, columns)


@pytest.mark.parametrize(("site", "columns"), EVERY)
def test_boxes_do_not_overlap_and_stay_on_the_sheet(site: str, columns: int) -> None:
    _, drawing = _drawn(site, columns)
    boxes = [card.box for card in drawing.cards]
    assert not [pair for pair in combinations(boxes, 2) if _overlap(*pair)]
    assert all(b.x >= 0 and b.y >= 0 for b in boxes)
    assert all(b.right <= drawing.width and b.bottom <= drawing.height for b in boxes)


@pytest.mark.parametrize(("site", "columns"), EVERY)
def test_paths_run_straight_and_cross_no_box_but_the_gateway(site: str, columns: int) -> None:
    _, drawing = _drawn(site, columns)
    others = [card.box for card in drawing.cards if card.kind != "gateway"]
    for path in drawing.paths:
        assert len(path.points) > 1
        for start, end in pairwise(path.points):
            assert start[0] == end[0] or start[1] == end[1], path
            assert not [b for b in others if _crosses(start, end, b)], path
            assert all(
                0 <= x <= drawing.width and 0 <= y <= drawing.height for x, y in (start, end)
            )


@pytest.mark.parametrize(("site", "columns"), EVERY)
def test_everything_named_is_drawn(site: str, columns: int) -> None:
    found, drawing = _drawn(site, columns)
    names = {(card.kind, card.full) for card in drawing.cards}
    assert names == {
        ("internet", "the internet"),
        ("gateway", "the gateway"),
        *(("line", line.name) for line in found.lines),
        *(("area", area.name) for area in found.areas),
    }
    for area in found.areas:
        card = next(c for c in drawing.cards if c.kind == "area" and c.full == area.name)
        texts = [words.text for words in card.words]
        assert {area.v4, *area.v6, *area.marks} <= set(texts)
        shown = [d for d in area.devices if any(t.split(" ")[0] == d.name for t in texts)]
        hidden = len(area.devices) - len(shown)
        assert (f"and {hidden} more" in texts) == (hidden > 0)


@pytest.mark.parametrize(("site", "columns"), EVERY)
def test_every_way_is_drawn_and_ends_at_its_device(site: str, columns: int) -> None:
    found, drawing = _drawn(site, columns)
    drawn = [path for path in drawing.paths if path.kind != "link"]
    assert [(p.kind, p.number) for p in drawn] == [(w.kind, w.number) for w in found.ways]
    for way, path in zip(found.ways, drawn, strict=True):
        if way.kind == "stopped" or way.area is None:
            continue
        box = next(c.box for c in drawing.cards if c.kind == "area" and c.full == way.area)
        x, y = path.points[-1]
        assert x == box.x and box.y < y < box.bottom
        if way.device:
            card = next(c for c in drawing.cards if c.kind == "area" and c.full == way.area)
            row = next(w for w in card.words if w.text.split(" ")[0] == way.device)
            assert abs(box.y + row.y - y) < 9


@pytest.mark.parametrize(("site", "columns"), EVERY)
def test_numbers_of_broken_promises_do_not_cover_each_other(site: str, columns: int) -> None:
    _, drawing = _drawn(site, columns)
    badges = [path.badge for path in drawing.paths if path.badge is not None]
    assert len(badges) == len([p for p in drawing.paths if p.number is not None])
    for (x, y), (a, b) in combinations(badges, 2):
        assert abs(x - a) >= 18 or abs(y - b) >= 18


def _stretches(path: Path) -> list[Box]:
    """The upright and level stretches of a path, as boxes without width or without height."""
    found = []
    for (x, y), (a, b) in pairwise(path.points):
        found.append(Box(min(x, a), min(y, b), abs(x - a), abs(y - b)))
    return found


@pytest.mark.parametrize("columns", [1, 2, 3, 4])
def test_ten_promises_broken_by_one_area_are_told_apart(columns: int) -> None:
    """Numbers cover neither each other nor another's path; paths share no more than their ends."""
    found, drawing = _drawn("crowd", columns)
    broken = [path for path in drawing.paths if path.number is not None]
    assert [path.number for path in broken] == list(range(1, 11))
    assert {way.start for way in found.ways if way.kind == "broken"} == {"yard"}
    half = 9  # of a number's circle
    for one, other in permutations(broken, 2):
        assert one.badge is not None and other.badge is not None
        (x, y), (a, b) = one.badge, other.badge
        assert abs(x - a) >= 2 * half or abs(y - b) >= 2 * half
        circle = Box(x - half, y - half, 2 * half, 2 * half)
        assert not [s for s in _stretches(other) if _overlap(circle, s)]
        for mine, its in product(_stretches(one), _stretches(other)):
            along = mine.height == its.height == 0 and mine.y == its.y
            upright = mine.width == its.width == 0 and mine.x == its.x
            if along and one.points[-1] != other.points[-1]:
                assert mine.right < its.x or its.right < mine.x
            if upright:
                assert mine.bottom < its.y or its.bottom < mine.y


@pytest.mark.parametrize(("site", "columns"), EVERY)
def test_words_fit_their_box(site: str, columns: int) -> None:
    """By the width of a fixed-width character: 0.6 of the size (common practice, no source)."""
    sizes = {"name": 15, "mono": 12, "words": 12, "device": 12, "barred": 12}
    _, drawing = _drawn(site, columns)
    for card in drawing.cards:
        for words in card.words:
            wide = words.width or cells(words.text) * sizes[words.style] * 0.6
            assert words.x + wide <= card.box.width, (card.full, words)
            assert words.y < card.box.height


def test_the_draft_shows_the_way_out_of_the_bunkrooms_and_the_mended_charter_none() -> None:
    broken = [w for w in signs(judged("draft")).ways if w.kind != "offer"]
    assert broken and all(w.kind == "broken" and w.start == "bunkrooms" for w in broken)
    assert all(w.area not in (None, "bunkrooms") for w in broken)
    assert [w.kind for w in signs(judged("demo")).ways] == ["offer"]


def test_an_always_that_fails_is_drawn_as_stopped_at_the_gateway() -> None:
    found, drawing = _drawn("twenty", 4)
    way = next(w for w in found.ways if w.start == "hall-7")
    assert way.kind == "stopped"
    path = next(p for p in drawing.paths if p.number == way.number)
    gateway = next(c.box for c in drawing.cards if c.kind == "gateway")
    assert path.points[-1][1] == gateway.bottom


def test_a_connection_to_the_internet_is_drawn_out_by_a_line_that_is_up() -> None:
    found, drawing = _drawn("twenty", 4)
    way = next(w for w in found.ways if w.start == "hall-5")
    path = next(p for p in drawing.paths if p.number == way.number)
    line = next(c.box for c in drawing.cards if c.full == way.line)
    x, y = path.points[-1]
    assert y == line.bottom and line.x < x < line.right


def test_text_is_cut_by_columns_and_wide_characters_count_twice() -> None:
    assert fitted("bunkrooms", 9) == "bunkrooms"
    assert fitted("bunkrooms", 8) == "bunkroo…"
    assert cells("山小屋") == 6  # East Asian Wide, Unicode Standard Annex 11
    assert fitted("山小屋", 5) == "山小…"
    assert fitted("a\u202eb", 20) == "a<U+202E>b"


def test_equal_sites_give_equal_drawings() -> None:
    assert draw(signs(judged("twenty")), 3) == draw(signs(judged("twenty")), 3)
