"""What it costs: ten thousand runs, five viewers, and requests that nobody sane would send."""

from __future__ import annotations

import os
import shutil
import statistics
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from panel_parts.browser import opened, person
from panel_parts.curves import Curve
from panel_parts.served import Served
from panel_parts.work import ask_for_run, wait_for_end

Shown = Iterator[tuple[bool, str]]


def _page_s(client: Any, path: str) -> float:
    times = []
    for _ in range(5):
        begun_s = time.monotonic()
        assert client.get(path).status_code == 200
        times.append(time.monotonic() - begun_s)
    return statistics.median(times)


def many_runs(served: Served, count: int) -> Shown:
    """The page Units with many runs against the same page with the few that are there."""
    client = served.client()
    few_s = _page_s(client, "/units")
    source = sorted((served.home / "runs").glob("*-*"))[-1]
    made: list[Path] = []
    for n in range(count):
        folder = (
            served.home
            / "runs"
            / f"202601{1 + n // 86400:02d}-{n // 3600 % 24:02d}{n // 60 % 60:02d}{n % 60:02d}-{n:04x}"
        )
        folder.mkdir()
        made.append(folder)
        for file in source.iterdir():
            os.link(file, folder / file.name)
    begun_s = time.monotonic()
    assert client.get("/units").status_code == 200
    first_s = time.monotonic() - begun_s
    many_s = _page_s(client, "/units")
    search_s = _page_s(client, "/units?q=4L-00871")
    for folder in made:
        shutil.rmtree(folder)
    client.get("/units")
    yield (
        many_s / few_s <= 5.0,
        f"{count} runs: {many_s / few_s:.1f} times a page with few (5); first index {first_s:.1f} s",
    )
    yield search_s / few_s <= 8.0, f"a search among them {search_s / few_s:.1f} times that page"


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def viewers(served: Served, seconds: float) -> Shown:
    """How much of a core the server takes with one viewer and with five while a sweep goes on."""
    assert served.process is not None
    with opened() as browser:
        first = person(browser, served)
        ask_for_run(first, served, "LOAD-1")
        first.wait_for_selector("[data-run=error] path.ccw", timeout=600_000)
        shares = []
        others: list[Any] = []
        for count in (1, 5):
            while len(others) < count - 1:
                page = person(browser, served, name=f"viewer {len(others) + 2}")
                page.goto(served.base + "/run")
                others.append(page)
            cpu, begun_s = _cpu_s(served.process.pid), time.monotonic()
            first.wait_for_timeout(1000 * seconds)
            shares.append((_cpu_s(served.process.pid) - cpu) / (time.monotonic() - begun_s))
        first.keyboard.press("Escape")
        wait_for_end(first)
    yield shares[0] < 0.25, f"one viewer: {100 * shares[0]:.0f} % of a core (25)"
    yield shares[1] < 0.60, f"five viewers: {100 * shares[1]:.0f} % of a core (60)"


def sweep_times(served: Served) -> Shown:
    """The same sweep alone and with two pages and five clients of the controller's socket: its wall time as a ratio."""
    from rig.jobs.controller.client import join

    times, rates = [], []
    with opened() as browser:
        first = person(browser, served)
        for crowd in (False, True):
            ask_for_run(first, served, f"CROWD-{int(crowd)}")
            curve = Curve(first)
            first.wait_for_function(
                "document.querySelector('[data-live=state]')?.dataset.state === 'LIVE'", timeout=600_000
            )
            extra: list[Any] = []
            if crowd:
                page = person(browser, served, name="viewer 2")
                page.goto(served.base + "/run")
                extra = [join(served.bench, home=served.home, frames=True) for _ in range(5)]
                for one in extra:
                    threading.Thread(target=lambda live=one: list(live.messages()), daemon=True).start()
            first.reload()
            first.wait_for_function(
                "document.querySelector('[data-run=steps] [aria-current]')?.textContent.includes('Sweep, counter')",
                timeout=600_000,
            )
            begun_s, before = time.monotonic(), curve.messages
            first.wait_for_function(
                "document.querySelector('[data-run=steps] [aria-current]')?.textContent.includes('Index between')",
                timeout=600_000,
            )
            times.append(time.monotonic() - begun_s)
            rates.append((curve.messages - before) / times[-1])
            first.keyboard.press("Escape")
            wait_for_end(first)
            for one in extra:
                one.close()
    ratio = times[1] / times[0]
    yield ratio < 1.05, f"a sweep with two pages and five clients: {ratio:.3f} times alone ({times[0]:.1f} s) (1.05)"
    yield max(rates) <= 10.5, f"updates a second at a page: {rates[0]:.1f} and {rates[1]:.1f} (at most 10)"
