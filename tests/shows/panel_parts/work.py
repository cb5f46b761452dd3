"""The work at the bench: the whole job by keys, stops, reloads."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from typing import Any

from panel_parts.browser import hold, opened, person, scan
from panel_parts.curves import Curve
from panel_parts.served import Served
from panel_parts.world import SAFE_S, World

Shown = Iterator[tuple[bool, str]]
PATIENCE_MS = 600_000


def ask_for_run(page: Any, served: Served, serial: str, part: str = "KX4-2207", world: str = "good_4") -> int:
    """Scan, read the caution, ask; the number of key acts."""
    page.goto(f"{served.base}/clamp?part={part}")
    page.wait_for_selector("#ask")
    page.evaluate(
        "(world) => { const field = document.getElementById('clamp-form').world; if (field) field.value = world; }",
        world,
    )
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
    """Stop at random moments: generator and axis off by the world's log; the run is kept and named."""
    folder = served.home.parent / "stopped"
    (folder / "home").mkdir(parents=True)
    world = World(folder / "home")
    other = Served(folder, bench=World.bench)
    slowest, kept, rng = 0.0, 0, random.Random(20261201)
    try:
        with opened() as browser:
            page = person(browser, other)
            for n in range(count):
                ask_for_run(page, other, f"STOP-{n:03d}")
                world.wait_until_live()
                page.wait_for_timeout(rng.uniform(0, 4000))
                pressed_s = time.time()
                page.keyboard.press("Escape")
                wait_for_end(page)
                slowest = max(slowest, world.safe_after_s(pressed_s))
                more = page.inner_text("[data-run=more]")
                kept += "operator 2" in more and "kept" in more
    finally:
        other.close()
        world.close()
    yield slowest < SAFE_S, f"by the world's log safe {slowest:.2f} s after Esc at worst, of {count} (1 s)"
    yield kept == count, f"{kept} of {count} runs kept as incomplete, with who stopped them"


def reloads(served: Served, count: int) -> Shown:
    """The same curve to the point after a reload: each point that was there is there again, with the same figures."""
    same, slowest, rng, most = 0, 0.0, random.Random(7), 0
    with opened() as browser:
        page = person(browser, served)
        curve = Curve(page)
        ask_for_run(page, served, "RELOAD-1")
        page.wait_for_selector("[data-run=error] path.ccw", timeout=PATIENCE_MS)
        for _ in range(count):
            page.wait_for_timeout(rng.uniform(200, 1500))
            before = list(curve.points)
            begun_s = time.monotonic()
            page.reload()
            page.wait_for_selector("[data-run=error] path.ccw", timeout=60_000, state="attached")
            slowest = max(slowest, time.monotonic() - begun_s)
            same += bool(before) and curve.points[: len(before)] == before
            most = max(most, len(before))
        wait_for_end(page)
    yield (
        same == count,
        f"{same} of {count} reloads: all of up to {most} points again, the slowest after {slowest:.1f} s",
    )
