"""What goes wrong in a shop: server or controller killed, a page that sleeps, no camera, two operators."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

from panel_parts.browser import opened, person
from panel_parts.curves import Curve
from panel_parts.served import Served
from panel_parts.work import PATIENCE_MS, ask_for_run, wait_for_end
from runner import controller_of

Shown = Iterator[tuple[bool, str]]
CURVE = "[data-run=error] path.ccw"
NO_ANSWER = "document.querySelector('[data-live=state]')?.dataset.state === 'NO ANSWER'"


def restarts(served: Served, count: int) -> Shown:
    """The server is killed while a run goes on: the page comes back by itself, the run goes on, the curve is whole."""
    back_s, whole = 0.0, 0
    with opened() as browser:
        page = person(browser, served)
        curve = Curve(page)
        ask_for_run(page, served, "RESTART-1")
        page.wait_for_selector(CURVE, timeout=PATIENCE_MS)
        for _ in range(count):
            page.wait_for_timeout(700)
            before = list(curve.points)
            served.kill()
            page.wait_for_function(NO_ANSWER, timeout=5000)
            served.start()
            begun_s = time.monotonic()
            page.wait_for_function(f"!({NO_ANSWER})", timeout=30_000)
            back_s = max(back_s, time.monotonic() - begun_s)
            end_s = time.monotonic() + 5.0
            while len(curve.points) < len(before) and time.monotonic() < end_s:
                page.wait_for_timeout(50)
            whole += curve.points[: len(before)] == before
        wait_for_end(page)
        ended = f"{page.inner_text('[data-run=next]')} {page.inner_text('[data-run=more]')}"
    yield back_s < 2.5, f"server killed {count} times: page back {back_s:.1f} s after the server at worst (2 + 0.5)"
    yield whole == count, f"the whole curve again after {whole} of {count} restarts"
    yield "early" not in ended, f"the run went on to its end: {ended}"


def controllers_killed(served: Served, count: int) -> Shown:
    """The controller is killed: NO ANSWER, nothing that was shown is lost, the folder is closed by the watchdog."""
    told_s, lost, closed = 0.0, 0, 0
    with opened() as browser:
        page = person(browser, served)
        for n in range(count):
            before = _folders(served)
            ask_for_run(page, served, f"KILL-{n:02d}")
            page.wait_for_function(
                "document.querySelector('[data-live=state]')?.dataset.state === 'LIVE'", timeout=PATIENCE_MS
            )
            page.wait_for_timeout(300 + 400 * (n % 5))
            run = max(_folders(served) - before)
            shown = _events(served, run)
            os.kill(controller_of(served.home), signal.SIGKILL)
            begun_s = time.monotonic()
            page.wait_for_function(NO_ANSWER, timeout=30_000)
            told_s = max(told_s, time.monotonic() - begun_s)
            lines = [json.loads(one) for one in (run / "journal.jsonl").read_text().splitlines()]
            lost += max(0, shown - len(lines))
            end_s = time.monotonic() + 15.0
            while not (run / "watchdog.json").exists() and time.monotonic() < end_s:
                time.sleep(0.1)
            closed += (run / "watchdog.json").exists()
            page.wait_for_timeout(1500)
    yield told_s < 1.0, f"controller killed {count} times: NO ANSWER after {told_s:.2f} s at worst (1)"
    yield lost == 0, f"readings that were shown and are not in the journal: {lost} (0)"
    yield closed == count, f"{closed} of {count} folders with the watchdog's word"


def _folders(served: Served) -> set[Path]:
    return set((served.home / "runs").glob("*-*"))


def _events(served: Served, run: Path) -> int:
    """The number of the newest line of a run that the panel has told."""
    client = served.client()
    try:
        newest = 0
        with client.stream("GET", "/api/v1/events", params={"seconds": 0.5}) as stream:
            for line in stream.iter_lines():
                if line.startswith("data:") and (told := json.loads(line[5:])).get("run") == run.name:
                    newest = max(newest, int(told.get("n", 0)))
        return newest
    finally:
        client.close()


def page_asleep(served: Served) -> Shown:
    """A unit is stopped by somebody else while this page sleeps: on waking it says so, with who and that it is kept."""
    with opened() as browser:
        page = person(browser, served)
        ask_for_run(page, served, "ASLEEP-1")
        page.wait_for_function(
            "document.querySelector('[data-live=state]')?.dataset.state === 'LIVE'", timeout=PATIENCE_MS
        )
        page.context.set_offline(True)
        client = served.client()
        client.patch("/api/v1/me", json={"name": "operator 3"})
        second = client.post("/api/v1/asks", json={"sequence": "full_test", "part": "KX4-2207", "serial": "SECOND-1"})
        yield (
            second.status_code == 409,
            f"a second operator's ask is refused ({second.status_code}): {second.json()['detail']}",
        )
        client.post(f"/api/v1/benches/{served.bench}/stop", json={})
        page.wait_for_timeout(6000)
        page.context.set_offline(False)
        wait_for_end(page)
        more = page.inner_text("[data-run=more]")
        yield "operator 3" in more and "kept" in more, f"on waking: {more}"
        client.close()


def camera_refused(served: Served) -> Shown:
    """No camera, no photo: the page says what to do, keeps the remark, and asks for no permission."""
    run = sorted(path.name for path in _folders(served))[-1]
    with opened() as browser:
        page = person(browser, served)
        page.goto(f"{served.base}/units/{run}")
        page.fill("textarea[name=text]", "one pin bent")
        asked = page.evaluate("navigator.permissions.query({name: 'camera'}).then((one) => one.state)")
        page.evaluate("[...document.querySelectorAll('form[data-upload]')][0].requestSubmit()")
        page.wait_for_timeout(1000)
        said = page.inner_text("#trouble")
        kept = page.input_value("textarea[name=text]")
        yield (
            kept == "one pin bent" and not page.troubles,
            f"remark kept, camera {asked!r}, said: {said or 'the field asks for a file'}",
        )
