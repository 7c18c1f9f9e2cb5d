"""The page in a real browser: readable, reachable by keyboard, fitting, and asking for nothing."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import Open
from tests.report.sites import HOSTILE, hostile_page, page

LOOKS = (Path(__file__).parent / "looks.js").read_text(encoding="utf-8")
AA = 4.5  # WCAG 2.2, success criterion 1.4.3, for text of any size


def look(shown: Page, call: str) -> Any:
    """The answer of one of the measurements in `looks.js`."""
    return shown.evaluate(f"({LOOKS}).{call}")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("site", "width"), [("draft", 1400), ("twenty", 800), ("one", 360)])
def test_all_text_has_enough_contrast(opened: Open, site: str, width: int, scheme: str) -> None:
    shown = opened(page(site), width, scheme).page
    look(shown, "openAll()")
    seen = look(shown, f"faint({AA})")
    assert seen["looked"] > 100
    assert seen["found"] == []


def test_faint_text_would_be_noticed(opened: Open) -> None:
    """The measure itself: one paragraph is given a ratio of 4.48, the least grey that fails."""
    shown = opened(page("one")).page
    shown.evaluate("Object.assign(document.querySelector('.lead').style,"
                   " {color: '#777777', background: '#ffffff'})")  # fmt: skip
    [[ratio, name, _]] = look(shown, f"faint({AA})")["found"]
    assert (ratio, name) == ("4.48", "lead")


@pytest.mark.parametrize("width", [320, 768, 1400])
@pytest.mark.parametrize("site", ["one", "draft", "twenty"])
def test_the_page_never_scrolls_sideways(opened: Open, site: str, width: int) -> None:
    shown = opened(page(site), width).page
    assert look(shown, "overflow()") == 0
    look(shown, "openAll()")
    assert look(shown, "overflow()") == 0


@pytest.mark.parametrize("width", [320, 1600])
def test_hostile_names_do_not_stretch_the_page(opened: Open, width: int) -> None:
    for turn in (0, 4, 7):
        shown = opened(hostile_page(turn), width).page
        look(shown, "openAll()")
        assert look(shown, "overflow()") == 0


@pytest.mark.parametrize("width", [320, 599, 768, 1139, 1140, 1400])
def test_one_drawing_is_shown_large_enough_to_read(opened: Open, width: int) -> None:
    shown = opened(page("twenty"), width).page
    [drawing] = look(shown, "drawings()")
    assert drawing["name"] == ("narrow" if width < 600 else "middle" if width < 1140 else "wide")
    assert drawing["scale"] >= 0.85
    assert drawing["left"] >= 0 and drawing["right"] <= width
    assert look(shown, "cut()") == []


def test_headings_are_in_order(opened: Open) -> None:
    for site in ("one", "draft", "twenty"):
        shown = opened(page(site)).page
        look(shown, "openAll()")
        levels = [level for level, text in look(shown, "headings()") if text]
        assert levels[0] == 1 and levels.count(1) == 1
        assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
        assert len(levels) == len(look(shown, "headings()"))


def test_landmarks_are_there_and_named(opened: Open) -> None:
    shown = opened(page("draft")).page
    for role, name in [("banner", None), ("main", None), ("navigation", "On this page")]:
        assert shown.get_by_role(role, name=name).count() == 1  # type: ignore[arg-type]
    for name in ("The site", "Promises", "Findings", "Limits and cautions"):
        assert shown.get_by_role("region", name=name, exact=True).count() == 1
    assert shown.get_by_role("img", name="The site Tarn Hollow Outdoor Centre").count() == 1


def test_everything_can_be_reached_by_keyboard_alone(opened: Open) -> None:
    shown = opened(page("draft")).page
    shown.keyboard.press("Tab")
    first = look(shown, "focus()")
    assert first["text"] == "To the verdict" and first["inside"]
    places = [first["place"]]
    for _ in range(look(shown, "focusable()") - 1):
        shown.keyboard.press("Tab")
        focus = look(shown, "focus()")
        assert focus["inside"] and focus["ring"] >= 2, focus
        places.append(focus["place"])
    assert places == sorted(set(places))


def test_the_skip_link_and_the_folded_parts_answer_to_enter(opened: Open) -> None:
    shown = opened(page("draft")).page
    shown.keyboard.press("Tab")
    shown.keyboard.press("Enter")
    assert shown.evaluate("document.activeElement.id") == "content"
    summary = shown.locator("summary").first
    summary.focus()
    shown.keyboard.press("Enter")
    assert shown.locator("details").first.get_attribute("open") is not None
    assert shown.get_by_role("group", name="Lines", exact=True).is_visible()


def test_a_place_leads_to_its_line_of_the_charter(opened: Open) -> None:
    shown = opened(page("draft")).page
    shown.locator("tr.is-broken .where a").first.click()
    target = shown.locator(":target")
    assert "never: bunkrooms" in target.inner_text()
    assert target.is_visible()


def test_no_hostile_word_runs_or_asks_for_anything(opened: Open) -> None:
    for turn in range(len(HOSTILE)):
        found = opened(hostile_page(turn))
        look(found.page, "openAll()")
        assert found.page.title() != "ran"
        assert found.page.evaluate("document.scripts.length + document.images.length") == 0
        assert (found.asked, found.complaints, found.dialogs) == ([], [], [])


def test_pages_ask_for_nothing_and_break_no_policy(opened: Open) -> None:
    for site in ("one", "demo", "draft", "twenty"):
        for scheme in ("light", "dark"):
            found = opened(page(site), 1400, scheme)
            assert (found.asked, found.complaints, found.dialogs) == ([], [], [])


def test_the_policy_stops_a_script_and_a_picture_that_got_in(opened: Open) -> None:
    """The second fence: were the escaping ever broken, nothing would run or leave."""
    planted = "<script>document.title='ran'</script><img src='http://out.example/x'>"
    found = opened(page("one").replace("<footer>", planted + "<footer>"))
    assert found.page.title() != "ran"
    assert found.asked == []
    assert len(found.complaints) >= 2


LONG = "/home/warden/" + "a-rather-long-folder-name/" * 4 + "the-charter-of-a-crowded-yard.yaml"
CUT = """() => [...document.querySelectorAll(".where a, .where span, .masthead dt, summary bdi")]
    .filter(e => e.textContent.includes("the-charter-of"))
    .filter(e => [...e.getClientRects()].some(r => r.right > innerWidth || r.left < 0)).length"""


@pytest.mark.parametrize("width", [360, 600, 1400])
def test_the_path_of_a_charter_is_wrapped_and_not_cut(opened: Open, width: int) -> None:
    shown = opened(page("crowd").replace("crowd.yaml", LONG), width).page
    look(shown, "openAll()")
    assert shown.locator(f".where :text('{LONG}')").count() > 20
    assert look(shown, "overflow()") == 0
    wide = [e for e in shown.locator("#promises .scroll, #findings .scroll").all()
            if e.evaluate("e => e.scrollWidth > e.clientWidth")]  # fmt: skip
    assert wide == []
    assert shown.evaluate(CUT) == 0 or width == 600  # where the widest tables are scrolled


@pytest.mark.parametrize("site", ["one", "draft", "twenty"])
def test_the_printed_page_fits_and_leaves_nothing_folded(opened: Open, site: str) -> None:
    shown = opened(page(site), 688).page  # the width of A4 within its margins, 96 to the inch
    shown.emulate_media(media="print", color_scheme="light")
    assert look(shown, "overflow()") == 0
    assert look(shown, "scrolled()") == 0
    folded = shown.evaluate(
        "[...document.querySelectorAll('details table, details pre')]"
        ".filter(e => !e.checkVisibility({contentVisibilityAuto: true})).length"
    )
    assert folded == 0
    assert look(shown, f"faint({AA})")["found"] == []
    assert len(shown.pdf(format="A4")) > 10_000
