"""Every page at three widths and in both themes: axe's findings, sideways scroll, focus, pictures; hostile serials."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from panel_parts.browser import opened, person
from panel_parts.served import Served

Shown = Iterator[tuple[bool, str]]
WIDTHS, THEMES = (390, 1366, 2560), ("light", "dark")
PAGES = (
    *("/bench", "/clamp", "/pins", "/run", "/units", "/lots", "/nights", "/known", "/account"),
    *("/compare?q=4L-00871", "/units?q=4L-00871"),
)
PRESSES = 30
FOCUSABLE = "a[href], button:not([disabled]), input:not([type=hidden]), select, textarea, summary, [tabindex='0']"
HOSTILE = (
    "<script>window.hit=1</script>",
    '"><img src=x onerror=window.hit=1>',
    "Ω'quote'",
    "漢字-7",
    "🧲-9",
    "عربي-3",
    "{{7*7}}",
    "a" * 64,
)


def places(served: Served) -> list[str]:
    """The pages, and the newest run's own."""
    runs = sorted(path.name for path in (served.home / "runs").glob("*-*"))
    return [*PAGES, *(f"/units/{run}" for run in runs[-1:]), *(f"/units/{run}/report" for run in runs[-1:])]


def every_page(served: Served, shots: Path | None, *, quick: bool) -> Shown:
    """axe: no serious finding; no sideways scroll; the focus is never lost in 60 presses of Tab."""
    from axe_playwright_python.sync_playwright import Axe

    axe, serious, sideways, lost = Axe(), [], [], []
    with opened() as browser:
        for theme in THEMES:
            for width in WIDTHS:
                if quick and (width, theme) not in ((1366, "light"), (390, "dark")):
                    continue
                page = person(browser, served, width=width, theme=theme)
                for place in places(served):
                    page.goto(served.base + place)
                    page.wait_for_timeout(150)
                    name = f"{place.strip('/').split('?')[0].replace('/', '-') or 'start'}-{width}-{theme}"
                    found = axe.run(page).response["violations"]
                    serious += [
                        f"{name}: {one['id']} ({one['nodes'][0]['html'][:80]})"
                        for one in found
                        if one["impact"] in ("serious", "critical")
                    ]
                    if page.evaluate("document.documentElement.scrollWidth > innerWidth + 1"):
                        sideways.append(name)
                    if shots is not None:
                        shots.mkdir(parents=True, exist_ok=True)
                        page.screenshot(path=shots / f"{name}.png", full_page=width == 390)
                if width == 1366:
                    lost += _focus_lost(page, served)
                page.context.close()
    yield not serious, f"axe: {len(serious)} serious findings (0){': ' + '; '.join(serious[:3]) if serious else ''}"
    yield not sideways, f"sideways scroll: {', '.join(sideways) or 'none'}"
    yield not lost, f"focus lost: {', '.join(lost) or 'never'}"


def _focus_lost(page: Any, served: Served) -> list[str]:
    """Places at which Tab fell back to the page's body more often than at the end of each round."""
    lost = []
    for place in ("/units", "/clamp"):
        page.goto(served.base + place)
        stops = len([one for one in page.query_selector_all(FOCUSABLE) if one.is_visible()])
        bodies = 0
        for _ in range(PRESSES):
            page.keyboard.press("Tab")
            bodies += bool(page.evaluate("document.activeElement === null || document.activeElement === document.body"))
        if bodies > PRESSES // max(stops, 1) + 1:
            lost.append(f"{place}: {bodies} of {PRESSES} presses")
    return lost


def hostile_serials(served: Served, quick: bool = False) -> Shown:
    """Quotes, emoji, right to left, markup: refused with a word on what fits, or kept and shown as typed; never run."""
    hit, refused, kept = 0, 0, 0
    client = served.client()
    with opened() as browser:
        page = person(browser, served)
        tried = HOSTILE[:: len(HOSTILE) // 2] if quick else HOSTILE
        for serial in tried:
            body = {"sequence": "quick_screen", "part": "KX4-2207", "serial": serial, "world": "good_4"}
            answer = client.post("/api/v1/asks", json=body)
            page.goto(f"{served.base}/units?q={_quoted(serial)}")
            hit += bool(page.evaluate("window.hit || 0"))
            shown = page.input_value("input[name=q]")
            if shown != serial[:64]:
                yield False, f"{serial!r} came back as {shown!r}"
            if answer.status_code != 202:
                refused += bool(answer.status_code in (400, 422) and answer.json().get("next_action"))
                continue
            page.goto(f"{served.base}/run")
            page.wait_for_function(
                "(serial) => document.querySelector('[data-run=serial]')?.textContent === serial",
                arg=serial,
                timeout=60_000,
            )
            page.keyboard.press("Escape")
            page.wait_for_function("document.querySelector('[data-live=stop]').hidden", timeout=60_000)
            page.goto(f"{served.base}/units?q={_quoted(serial)}")
            hit += bool(page.evaluate("window.hit || 0"))
            kept += serial in page.inner_text("main")
        yield hit == 0, f"{len(tried)} hostile serials: {hit} run as script (0)"
        yield refused + kept == len(tried), f"{kept} kept and shown as typed, {refused} refused with what to do"
    client.close()


def _quoted(text: str) -> str:
    from urllib.parse import quote

    return quote(text)


def entry_survives(served: Served) -> Shown:
    """A session that ended in mid-entry: what was typed is there again."""
    with opened() as browser:
        page = person(browser, served)
        page.goto(served.base + "/clamp")
        page.fill("#condition", "one pin bent, straightened")
        page.context.clear_cookies()
        page.goto(served.entrance())
        page.goto(served.base + "/clamp")
        kept = page.input_value("#condition")
        yield kept == "one pin bent, straightened", f"after signing in again the entry reads {kept!r}"
