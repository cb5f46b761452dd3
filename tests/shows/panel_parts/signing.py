"""Accounts: wrong passwords, a session that ends in mid-entry, senseless requests of every role."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

import httpx
from panel_parts.browser import opened
from panel_parts.served import Served

from rig.jobs.access.accounts import Accounts, covers
from rig.web.access import table

Shown = Iterator[tuple[bool, str]]
PASSWORDS = {"viewer 1": "slow brass rivet", "operator 2": "quiet copper lamp", "approver 1": "broad oak ladder"}
ROLE_OF = {"viewer 1": "view", "operator 2": "operate", "approver 1": "approve"}
LEFT_OUT = (
    "/api/v1/asks",
    "/api/v1/watches",
    "/api/v1/benches/{bench}/look",
    "/api/v1/sessions/current",
    "/api/v1/events",
)
"""These start processes, end the session or stream without an end; their roles are held by tests/web/test_access.py."""


def with_accounts(served: Served) -> None:
    """Three accounts in the home, one a role; from here on nobody comes in without a password."""
    for name, password in PASSWORDS.items():
        Accounts(served.home).add(name, ROLE_OF[name], password, "2026-12-01T00:00:00+00:00")


def signed_in(served: Served, name: str) -> httpx.Client:
    """Somebody with an account."""
    made = httpx.Client(base_url=served.base, timeout=60.0, headers={"origin": served.base})
    answer = made.post("/api/v1/sessions", json={"name": name, "password": PASSWORDS[name]})
    if answer.status_code != 200:
        raise RuntimeError(answer.text)
    made.headers["x-csrf"] = made.get("/api/v1/me").json()["csrf"]
    return made


def wrong_passwords(served: Served, count: int) -> Shown:
    """Nobody comes in; somebody who is in notices nothing."""
    friend = signed_in(served, "operator 2")
    stranger = httpx.Client(base_url=served.base, timeout=60.0, headers={"origin": served.base})

    def page_s() -> float:
        begun_s = time.monotonic()
        if friend.get("/bench").status_code != 200:
            raise RuntimeError("the page does not answer")
        return time.monotonic() - begun_s

    quiet_s = sorted(page_s() for _ in range(9))[4]
    inside, faults, pages = 0, 0, []
    for n in range(count):
        answer = stranger.post("/api/v1/sessions", json={"name": "approver 1", "password": f"wrong brass {n}"})
        inside += answer.status_code < 300
        faults += answer.status_code >= 500
        if n % (count // 20 or 1) == 0:
            pages.append(page_s())
    busy_s = sorted(pages)[len(pages) // 2]
    yield inside == 0 and faults == 0, f"{count} wrong passwords: {inside} let in, {faults} answered by 500 (0, 0)"
    yield busy_s / quiet_s < 5.0, f"a page meanwhile {busy_s / quiet_s:.1f} times as before (5)"


def session_ends(served: Served) -> Shown:
    """The session ends while somebody types: signing in again in the page sends what was typed, and nothing is lost."""
    with opened() as browser:
        context = browser.new_context(bypass_csp=True)
        page = context.new_page()
        page.goto(f"{served.base}/sign-in")
        page.fill("input[name=name]", "operator 2")
        page.fill("input[name=password]", PASSWORDS["operator 2"])
        page.keyboard.press("Enter")
        page.wait_for_url("**/units")
        run = sorted(path.name for path in (served.home / "runs").glob("*-*"))[-1]
        page.goto(f"{served.base}/units/{run}")
        page.fill("textarea[name=text]", "flange pin bent")
        (served.home / "access" / "sessions.json").write_text(
            json.dumps({"schema": "anglewright sessions 1", "sessions": []})
        )
        page.evaluate("document.querySelector('textarea[name=text]').form.requestSubmit()")
        page.wait_for_selector("#sign-in-again[open]", timeout=10_000)
        page.fill("#again-name", "operator 2")
        page.fill("#again-password", PASSWORDS["operator 2"])
        page.keyboard.press("Enter")
        page.wait_for_function(
            "document.body.innerText.includes('flange pin bent') && !document.querySelector('dialog[open]')",
            timeout=20_000,
        )
        page.wait_for_timeout(500)
        kept = signed_in(served, "viewer 1").get(f"/units/{run}").text
        yield "flange pin bent" in kept, "an entry of a session that ended was sent after signing in again"
        context.close()


def fuzz(served: Served, examples: int) -> Shown:
    """schemathesis from our own description, as each role and as nobody: no 500, no act beyond the role."""
    import warnings

    people: dict[str, Any] = {ROLE_OF[name]: signed_in(served, name) for name in PASSWORDS}
    people[""] = httpx.Client(base_url=served.base, timeout=60.0, headers={"origin": served.base})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the fuzzer's libraries
        from hypothesis import HealthCheck, Phase, given, settings
        from schemathesis.openapi import from_dict

        schema = from_dict(people["view"].get("/api/v1/openapi.json").json())
        faults, asked, open_doors = [], 0, []
        for result in schema.get_all_operations():
            operation = result.ok()

            @settings(
                max_examples=examples,
                deadline=None,
                database=None,
                suppress_health_check=list(HealthCheck),
                phases=[Phase.generate],
            )
            @given(case=operation.as_strategy())
            def ask(case: Any) -> None:
                nonlocal asked
                if case.path in LEFT_OUT:
                    return
                wanted = table.ROUTES[case.method.upper(), case.path]
                for role, client in people.items():
                    try:
                        answer = case.call(
                            base_url=served.base, headers=dict(client.headers), cookies=dict(client.cookies)
                        )
                    except (ValueError, UnicodeError):
                        continue  # what can't be put into a request
                    asked += 1
                    if answer.status_code >= 500:
                        faults.append(f"{case.method} {case.formatted_path}: {answer.status_code}")
                    if answer.status_code < 300 and wanted != table.OPEN and not covers(role, wanted):
                        open_doors.append(f"{role or 'nobody'}: {case.method} {case.formatted_path}")

            ask()
    yield not faults, f"{asked} requests of four roles, {len(faults)} answered by 500 (0) {faults[:2] or ''}"
    yield not open_doors, f"acts beyond the role: {len(open_doors)} (0) {open_doors[:2] or ''}"
