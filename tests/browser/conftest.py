"""One browser for all pages; every request but for the page itself is cut off and noted."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

import pytest
from playwright.sync_api import Browser, Dialog, Page, Route, sync_playwright

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    " --disable-component-update --disable-sync"
).split()
ADDRESS = "http://page.example/"  # RFC 2606; never asked, since every request is answered here


@dataclass
class Opened:
    """A page on show, with all it asked for and all it complained of."""

    page: Page
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)


Open = Callable[..., Opened]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if shutil.which(CHROMIUM) is None:
        pytest.skip(f"{CHROMIUM} is not installed")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="session")
def only(browser: Browser) -> Page:
    """The one page on which everything is shown: a new one each time would cost a second."""
    return browser.new_page()


@pytest.fixture
def opened(only: Page) -> Iterator[Open]:
    """Shows a text as a page: `opened(text, width, scheme)`. The one before is gone by then."""

    def show(text: str, width: int = 1400, scheme: Literal["light", "dark"] = "light") -> Opened:
        found = Opened(only)

        def answer(route: Route) -> None:
            if route.request.url == ADDRESS:
                route.fulfill(body=text, content_type="text/html; charset=utf-8")
                return
            found.asked.append(route.request.url)
            route.abort()

        def dismiss(dialog: Dialog) -> None:
            found.dialogs.append(dialog.message)
            dialog.dismiss()

        only.unroute_all()
        only.route("**/*", answer)
        for event, listener in (
            ("console", lambda message: found.complaints.append(message.text)),
            ("pageerror", lambda error: found.complaints.append(str(error))),
            ("dialog", dismiss),
        ):
            only.on(event, listener)  # type: ignore[call-overload]
            listeners.append((event, listener))
        only.set_viewport_size({"width": width, "height": 900})
        only.emulate_media(media="screen", color_scheme=scheme)
        only.goto(ADDRESS)
        return found

    listeners: list[tuple[str, Callable[..., None]]] = []
    yield show
    for event, listener in listeners:
        only.remove_listener(event, listener)
