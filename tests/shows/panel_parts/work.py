"""The work at the bench: the whole job by keys, stops, reloads."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from typing import Any

from panel_parts.browser import hold, opened, person, scan
from panel_parts.served import Served

Shown = Iterator[tuple[bool, str]]
PATIENCE_MS = 600_000


def ask_for_run(page: Any, served: Served, serial: str, part: str = "KX4-2207", world: str = "good_4") -> int:
    """Scan, read the caution, ask; the number of key acts."""
    page.goto(f"{served.base}/clamp?part={part}")
    page.wait_for_selector("#ask")
    page.evaluate("(world) => { document.getElementById('clamp-form').world.value = world; }", world)
    scan(page, serial)
    hold(page, "k")
    page.wait_for_function("!document.getElementById('ask').disabled", timeout=20_000)
    page.keyboard.press("Space")
    page.wait_for_url("**/run", timeout=PATIENCE_MS)
    return 3


def wait_for_end(page: Any) -> None:
    page.wait_for_function(
        "document.querySelector('[data-run=ended]')?.hidden === false || "
        "document.querySelector('[data-run=next]')?.textContent.includes('early')",
        timeout=PATIENCE_MS,
    )


def whole_job(served: Served) -> Shown:
    """Scan, run, the unit's page, its report, verified: without a mouse."""
    with opened() as browser:
        page = person(browser, served)
        acts = ask_for_run(page, served, "4L-00871")
        wait_for_end(page)
        page.keyboard.press("Space")
        page.wait_for_url("**/units/2*", timeout=60_000)
        headline = page.inner_text("h1")
        yield "within limits" in headline.lower(), f"a good part: {headline}"
        page.keyboard.press("o")
        page.wait_for_url("**/report", timeout=60_000)
        acts += 2
        number = page.inner_text("h1")
        mouse = page.evaluate("window.mouse")
        yield acts <= 12 and mouse == 0, f"{acts} key acts (12), {mouse} mouse events (0), {number}"
        yield not page.troubles, f"faults of the pages: {page.troubles or 'none'}"
        yield not page.outside, f"requests to elsewhere: {len(page.outside)} (0)"


def stops(served: Served, count: int) -> Shown:
    """Stop at random moments: how long until the controller is safe, and that the run is kept and named."""
    slowest, kept, rng = 0.0, 0, random.Random(20261201)
    with opened() as browser:
        page = person(browser, served)
        for n in range(count):
            ask_for_run(page, served, f"STOP-{n:03d}")
            page.wait_for_function(
                "document.querySelector('[data-live=state]')?.dataset.state === 'LIVE'", timeout=PATIENCE_MS
            )
            page.wait_for_timeout(rng.uniform(0, 4000))
            begun_s = time.monotonic()
            page.keyboard.press("Escape")
            page.wait_for_function(
                "document.querySelector('[data-live=state]')?.dataset.state !== 'LIVE'", timeout=60_000
            )
            slowest = max(slowest, time.monotonic() - begun_s)
            wait_for_end(page)
            more = page.inner_text("[data-run=more]")
            kept += "operator 2" in more and "kept" in more
    yield slowest < 1.5, f"no longer LIVE {slowest:.2f} s after Esc at worst, of {count} (1 s, and 0.5 s to be told)"
    yield kept == count, f"{kept} of {count} runs kept as incomplete, with who stopped them"


def reloads(served: Served, count: int) -> Shown:
    """The same curve to the point after a reload."""
    same, slowest, rng = 0, 0.0, random.Random(7)
    with opened() as browser:
        page = person(browser, served)
        ask_for_run(page, served, "RELOAD-1")
        page.wait_for_selector("[data-run=error] path.ccw", timeout=PATIENCE_MS)
        for _ in range(count):
            page.wait_for_timeout(rng.uniform(200, 1500))
            before = page.evaluate("document.querySelectorAll('[data-run=error] path.ccw')[0].getAttribute('d').length")
            begun_s = time.monotonic()
            page.reload()
            page.wait_for_selector("[data-run=error] path.ccw", timeout=60_000, state="attached")
            slowest = max(slowest, time.monotonic() - begun_s)
            after = page.evaluate("document.querySelectorAll('[data-run=error] path.ccw')[0].getAttribute('d').length")
            same += after >= 0.98 * before
        wait_for_end(page)
    yield same == count, f"{same} of {count} reloads show the whole curve again, the slowest after {slowest:.1f} s"
