"""A page in Debian's Chromium and everything that went wrong on it; fixtures for every test with a browser.

`watch` opens pages of the `dispatch` that a test's own module starts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from agent.dispatch.main import Dispatch

CHROMIUM_ARGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
]


class Watched:
    """A page, and everything that went wrong on it."""

    def __init__(self, page: Page, home: str) -> None:
        self.page = page
        self.wrong: list[str] = []
        page.on("console", lambda message: self._note(message.text, wrong=message.type in ("error", "warning")))
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("dialog", lambda dialog: (self.wrong.append(dialog.message), dialog.dismiss()))
        page.on("request", lambda request: self._note(request.url, wrong=not request.url.startswith((home, "data:"))))

    def _note(self, what: str, *, wrong: bool) -> None:
        if wrong:
            self.wrong.append(what)

    def fits(self) -> bool:
        """Whether nothing has to be scrolled sideways."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= innerWidth"))

    def small_targets(self) -> list[str]:
        """What can be pressed and is smaller than 44 px (WCAG 2.2, 2.5.5)."""
        return list(
            self.page.evaluate(
                """() => [...document.querySelectorAll("a, summary, button, [role=button]")].filter((each) => {
                     const box = each.getBoundingClientRect();
                     return box.width && (box.height < 43.5 || box.width < 43.5);
                   }).map((each) => each.outerHTML.slice(0, 120))"""
            )
        )


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=CHROMIUM_ARGS)
        yield browser
        browser.close()


@contextmanager
def watching(chromium: Browser) -> Iterator[Callable[..., Watched]]:
    """Opens pages of any board; at the end none of them may have anything wrong."""
    opened: list[Watched] = []

    def open_page(board: Dispatch, path: str, *, width: int = 1280, scheme: str = "light", **more: Any) -> Watched:
        height = 844 if width < 600 else 900
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,  # type: ignore[arg-type]
            **more,
        )
        watched = Watched(context.new_page(), board.address)
        opened.append(watched)
        watched.page.goto(board.address.rstrip("/") + path)
        return watched

    yield open_page
    for each in opened:
        assert each.wrong == []
        each.page.context.close()  # once more does nothing


@pytest.fixture
def watch(chromium: Browser, dispatch: Dispatch) -> Iterator[Callable[..., Watched]]:
    """Opens pages of the board that the test's module starts."""
    with watching(chromium) as open_page:
        yield partial(open_page, dispatch)
