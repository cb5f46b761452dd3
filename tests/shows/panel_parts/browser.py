"""Debian's Chromium under Playwright: one browser, pages that count what they load and what the mouse does."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from panel_parts.served import Served

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
COUNT_MOUSE = """
window.mouse = 0;
for (const name of ['mousedown', 'click', 'pointerdown', 'touchstart'])
  addEventListener(name, (event) => { if (event.isTrusted && event.detail !== 0) window.mouse += 1; }, true);
"""
TYPE_BURST = """(text) => {
  for (const key of [...text, 'Enter']) {
    const event = new KeyboardEvent('keydown', {key, bubbles: true, cancelable: true});
    (document.activeElement || document.body).dispatchEvent(event);
  }
}"""


def chromium() -> str | None:
    """The browser's path, None where there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def opened() -> Iterator[Any]:
    """A browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium(), args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


def person(browser: Any, served: Served, *, width: int = 1366, theme: str = "light", name: str = "operator 2") -> Any:
    """A page of somebody who was let in, with `outside`: addresses that it asked elsewhere."""
    tall = {390: 844, 2560: 1440}.get(width, 900)
    context = browser.new_context(
        viewport={"width": width, "height": tall},
        color_scheme=theme,
        bypass_csp=True,  # Playwright evaluates strings; the policy itself is held by tests/web/test_access.py
    )
    context.add_init_script(COUNT_MOUSE)
    page = context.new_page()
    page.outside = []
    page.troubles = []
    page.on("request", lambda r: None if r.url.startswith((served.base, "data:")) else page.outside.append(r.url))
    page.on("pageerror", lambda fault: page.troubles.append(str(fault)))
    page.goto(served.entrance())
    page.fill("#name", name)
    page.keyboard.press("Enter")
    page.wait_for_url("**/units")
    return page


def scan(page: Any, text: str) -> None:
    """What a scanner types: a burst ended by Enter, wherever the focus is."""
    page.evaluate(TYPE_BURST, text)


def hold(page: Any, key: str, seconds: float = 1.0) -> None:
    """Hold a key."""
    page.keyboard.down(key)
    page.wait_for_timeout(1000 * seconds)
    page.keyboard.up(key)
