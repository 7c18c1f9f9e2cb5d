"""The page that says why a name is withheld, in a real browser: readable, by keyboard alone, fitting,
asking for nothing; and its form, sent to the server itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

import pytest
from playwright.sync_api import Browser, Page

from netcharter.gate import pages
from tests.browser.conftest import ARGUMENTS, CHROMIUM, Open
from tests.browser.test_proof_page import AA, LOOKS
from tests.gate.site import asked, visit
from tests.gate.test_server import HOST, Server
from tests.gate.test_visits import sending

SHOWN = {
    "why": asked(visit()).page,
    "long": asked(visit(".".join(["w" * 60] * 3) + ".bets.example")).page,
    "old": asked(sending("please", "class 7b", mark="x")).page,
    "noted": asked(sending("word" * 100, "x" * 120)).page,
    "gateway": asked(visit("other.example")).page,
    "full": pages.too_often("Tarn Hollow"),
}


def look(shown: Page, call: str) -> Any:
    return shown.evaluate(f"({LOOKS}).{call}")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", SHOWN)
def test_it_can_be_read_in_light_and_dark_and_never_scrolls_sideways(
    opened: Open, name: str, scheme: Literal["light", "dark"]
) -> None:
    for width in (320, 1400):
        found = opened(SHOWN[name], width, scheme)
        seen = look(found.page, f"faint({AA})")
        assert seen["looked"] > 4 and seen["found"] == []
        assert look(found.page, "overflow()") == 0
        assert (found.asked, found.complaints, found.dialogs) == ([], [], [])


def test_headings_and_landmarks_are_in_order(opened: Open) -> None:
    for name, text in SHOWN.items():
        shown = opened(text).page
        levels = [level for level, _ in look(shown, "headings()")]
        assert levels == ([1, 2] if name in ("why", "long", "old") else [1])
        for role in ("banner", "main", "contentinfo"):
            assert shown.get_by_role(role).count() == 1


def test_every_field_has_its_label_and_what_is_wrong_is_said_aloud(opened: Open) -> None:
    shown = opened(SHOWN["old"]).page
    assert shown.get_by_label("Why do you need it?").input_value() == "please"
    assert shown.get_by_label("How can you be reached?").input_value() == "class 7b"
    assert "send it once more" in shown.get_by_role("alert").inner_text()
    assert shown.get_by_role("button", name="Send the request").count() == 1


def test_all_of_it_is_reached_by_keyboard_and_can_be_seen_where_one_is(opened: Open) -> None:
    shown = opened(SHOWN["why"], 360).page
    seen = []
    for _ in range(4):
        shown.keyboard.press("Tab")
        focus = look(shown, "focus()")
        assert focus["inside"] and focus["ring"] >= 2, focus
        seen.append(shown.evaluate("document.activeElement.id || document.activeElement.className"))
    assert seen[:3] == ["skip", "why", "reach"]
    assert shown.evaluate("document.activeElement.tagName") == "BUTTON"
    box = shown.get_by_role("button").bounding_box()
    assert box is not None and box["height"] >= 44  # WCAG 2.2, success criterion 2.5.5


@pytest.fixture
def server(tmp_path: Path) -> Any:
    found = Server(tmp_path)
    yield found
    found.end()


def test_a_request_is_sent_by_keyboard_alone_without_a_script(
    browser: Browser, server: Server
) -> None:
    """With what the server itself says of the page in force: its policy lets the style and the form
    through."""
    rules = f"--host-resolver-rules=MAP {HOST} 127.0.0.1"
    own = browser.browser_type.launch(executable_path=CHROMIUM, args=[*ARGUMENTS, rules])
    try:
        shown = own.new_context(java_script_enabled=False).new_page()
        reply = shown.goto(f"http://{HOST}:{server.port}/some/where?it=was")
        assert reply is not None and reply.status == 403
        main = shown.locator("main").bounding_box()
        assert main is not None and main["width"] <= 46 * 16  # so the style is in force
        for key in ("Tab", "Tab"):
            shown.keyboard.press(key)
        shown.keyboard.type("a project\nabout <b>odds</b>")
        shown.keyboard.press("Tab")
        shown.keyboard.type("class 7b")
        shown.keyboard.press("Tab")
        shown.keyboard.press("Enter")
        shown.get_by_role("heading", name="Your request is noted").wait_for()
        [kept] = [json.loads(one.read_text("utf-8")) for one in server.folder.glob("*.json")]
        assert (kept["why"], kept["reach"]) == ("a project\nabout <b>odds</b>", "class 7b")
        shown.get_by_role("link").last.click()
        assert shown.get_by_role("heading", level=1).inner_text().startswith(HOST)
    finally:
        own.close()
