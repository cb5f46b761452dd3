"""Who may do what on the panel: the role table for every route and every event, sessions, tokens, passwords, audit."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from rig.errors import UsageError
from rig.jobs.access.accounts import Accounts, covers
from rig.jobs.access.audit import Audit, AuditLine
from rig.jobs.access.tokens import Tokens
from rig.web.access import table
from rig.web.access.sessions import Sessions
from rig.web.app import create_app
from rig.web.panel import Panel

ROLES = ("", "view", "operate", "approve")
BELOW = {"view": "", "operate": "view", "approve": "operate"}
SIGNING = ("/sign-in", "/enter/{secret}", f"{table.API}/sessions", f"{table.API}/sessions/current")
NAME_OF = {"view": "viewer 1", "operate": "operator 2", "approve": "approver 1"}


def _routes(app: Any) -> set[tuple[str, str]]:
    """(method, path) of everything that the application answers to."""
    found = set()
    pending = list(app.router.routes)
    while pending:
        route = pending.pop()
        inner = getattr(route, "original_router", None)
        if inner is not None:
            pending += inner.routes
        elif path := getattr(route, "path", None):
            if path == "/static":
                continue
            methods = getattr(route, "methods", None) or {"WEBSOCKET"}
            found |= {(method, path) for method in methods if method != "HEAD"}
    return found


def test_the_role_table_has_a_row_for_every_route_and_no_other(tmp_path: Path) -> None:
    """A route without a row would be refused to everybody; a row without a route says what is not so."""
    assert _routes(create_app(Panel(home=tmp_path, bench="simulated"))) == set(table.ROUTES)


def test_nothing_that_can_be_asked_arms_or_resumes() -> None:
    """No route and no event of the socket has such a word."""
    for words in (*(path for _, path in table.ROUTES), *table.EVENTS):
        assert not any(word in words.lower() for word in ("arm", "resume", "energi", "excite")), words


def test_every_route_asks_for_its_role(serve: Any) -> None:
    """Each route with the role of the table, and with the one below it: let through, and refused."""
    served = serve()
    browsers = {role: served.sign_in(NAME_OF[role]) for role in ROLES[1:]} | {"": served.client()}
    for (method, path), wanted in table.ROUTES.items():
        if method == "WEBSOCKET" or path in SIGNING or (method, path) == ("PATCH", f"{table.API}/me"):
            continue
        filled = path.replace("{face}", "pdf")
        filled = re.sub(r"\{\w+\}", "none-such", filled)
        for role in (BELOW[wanted], wanted):
            browser = browsers[role]
            seconds = {"seconds": 0.2} if path.endswith("/events") else None  # a stream that has to end
            body = {} if method in ("POST", "PATCH") else None
            answer = browser.request(method, filled, json=body, params=seconds)
            to_sign_in = answer.status_code == 401 or answer.headers.get("location") == "/sign-in"
            refused = to_sign_in if not role else answer.status_code == 403 and "needs the role" in answer.text
            assert refused == (role != wanted), (method, path, role, answer.status_code, answer.text[:120])
            assert answer.status_code < 500, (method, path, role, answer.text[:200])


def test_every_event_of_the_socket_asks_for_its_role(serve: Any) -> None:
    """A viewer's stop is refused and audited, an operator's is taken; an unknown word is refused."""
    import json

    from websockets.sync.client import connect

    served = serve()
    for role, name in NAME_OF.items():
        browser = served.sign_in(name)
        cookie = "; ".join(f"{key}={value}" for key, value in browser.cookies.items())
        url = served.base.replace("http", "ws") + "/live"
        with connect(url, additional_headers={"Cookie": cookie, "Origin": served.base}) as socket:
            for verb, wanted in {**table.EVENTS, "arm": "none", "resume": "none"}.items():
                if verb == "hello":
                    continue
                socket.send(json.dumps({"verb": verb}))
                while "refused" not in (said := json.loads(socket.recv(timeout=10))) and "done" not in said:
                    pass
                allowed = wanted != "none" and covers(role, wanted)
                assert ("no run goes on" in said.get("detail", "")) == allowed, (role, verb, said)
    assert any(line.outcome == "refused" and line.act == "stop" for line in served.panel.audit.lines()[0])


def test_the_socket_is_closed_to_nobody_and_to_other_origins(serve: Any) -> None:
    """No session, or a page of elsewhere: no socket."""
    from websockets.exceptions import WebSocketException
    from websockets.sync.client import connect

    served = serve()
    url = served.base.replace("http", "ws") + "/live"
    with pytest.raises(WebSocketException), connect(url, additional_headers={"Origin": served.base}) as socket:
        socket.recv(timeout=5)
    browser = served.sign_in("viewer 1")
    cookie = "; ".join(f"{key}={value}" for key, value in browser.cookies.items())
    headers = {"Cookie": cookie, "Origin": "http://elsewhere.invalid"}
    with pytest.raises(WebSocketException), connect(url, additional_headers=headers) as socket:
        socket.recv(timeout=5)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://elsewhere.invalid"}, 403),
        ({"x-csrf": "wrong"}, 403),
        ({"host": "elsewhere.invalid"}, 400),
    ],
)
def test_a_page_of_elsewhere_reaches_nothing(serve: Any, headers: dict[str, str], status: int) -> None:
    """Another origin, another host's name, a missing CSRF token: refused, and nothing is changed."""
    served = serve()
    browser = served.sign_in("operator 2")
    answer = browser.post("/api/v1/benches/simulated/stop", json={}, headers=headers)
    assert answer.status_code == status and answer.headers["content-type"] == "application/problem+json"
    assert not any(line.act == "stop" and line.outcome != "refused" for line in served.panel.audit.lines()[0])


def test_a_wrong_password_costs_a_growing_pause_and_never_says_which_was_wrong(tmp_path: Path) -> None:
    """Twelve wrong ones: a pause of 60 s, in which the right one is refused too, 1000 times; after it, it is let in."""
    clock = [0.0]
    accounts = Accounts(tmp_path, now_s=lambda: clock[0])
    accounts.add("operator 2", "operate", "quiet copper lamp", "2026-12-01T00:00:00+00:00")
    for n in range(12):
        assert accounts.check("operator 2", f"wrong {n}", "10.0.0.9") is None
        clock[0] += accounts.pause_s("operator 2", "10.0.0.9")
    assert accounts.check("operator 2", "wrong again", "10.0.0.9") is None
    assert accounts.pause_s("operator 2", "10.0.0.9") == pytest.approx(60.0)
    for _ in range(1000):
        assert accounts.check("operator 2", "quiet copper lamp", "10.0.0.9") is None, "a pause is no time for attempts"
    assert accounts.check("operator 2", "quiet copper lamp", "10.0.0.10") is not None, "the bench's own screen goes on"
    clock[0] += 61.0
    found = accounts.check("operator 2", "quiet copper lamp", "10.0.0.9")
    assert found is not None and found.role == "operate"
    assert accounts.pause_s("operator 2", "10.0.0.9") == 0.0


def test_an_account_that_ended_is_out_at_once(serve: Any) -> None:
    """Its open page is asked to sign in again; its tokens are worth nothing."""
    served = serve()
    browser = served.sign_in("operator 2")
    secret = browser.post("/api/v1/tokens", json={"name": "stock", "role": "view"}).json()["secret"]
    software = served.client(headers={"authorization": f"Bearer {secret}"})
    assert software.get("/api/v1/runs").status_code == 200
    served.panel.accounts.end("operator 2", served.panel.now_utc())
    assert browser.get("/api/v1/runs").status_code == 401
    assert software.get("/api/v1/runs").status_code == 401


def test_an_approval_asks_for_the_password_again_after_fifteen_minutes(serve: Any) -> None:
    """Not before, and not twice: the proof is good for the next quarter of an hour."""
    from dataclasses import replace

    served = serve()
    browser = served.sign_in("approver 1")
    sessions: Sessions = served.panel.sessions
    key, session = next((key, one) for key, one in sessions._held.items() if one.name == "approver 1")
    assert browser.post("/api/v1/reports/none/withdrawal", json={"reason": "x"}).status_code == 400
    old = (datetime.now(UTC) - timedelta(minutes=16)).isoformat()
    sessions._held[key] = replace(session, proof_utc=old)
    answer = browser.post("/api/v1/reports/none/withdrawal", json={"reason": "x"})
    assert (answer.status_code, answer.json()["kind"]) == (401, "password")
    again = browser.post("/api/v1/sessions", json={"name": "approver 1", "password": "broad oak ladder"})
    assert again.status_code == 200
    assert browser.post("/api/v1/reports/none/withdrawal", json={"reason": "x"}).status_code == 400


def test_this_machine_is_let_in_once_by_the_address_that_the_terminal_shows(serve: Any) -> None:
    """The secret is good once; a guess is not; with accounts there is no such way in."""
    served = serve(accounts=False)
    address = served.panel.entrance
    browser = served.client()
    assert browser.get("/units").status_code == 303, "nobody yet"
    assert browser.get("/enter/guess").status_code == 303
    assert browser.get(address).headers["location"] == "/account"
    assert browser.get("/units").status_code == 200
    assert served.client().get(address).headers["location"] == "/sign-in", "used before"
    served.panel.accounts.add("approver 1", "approve", "broad oak ladder", served.panel.now_utc())
    assert browser.get("/units").status_code == 303, "from now on people sign in"
    assert served.client().get(served.panel.entrance).headers["location"] == "/sign-in"


def test_a_session_outlives_a_restart_of_the_panel(serve: Any) -> None:
    """Only the hash of its cookie is on the disk."""
    served = serve()
    browser = served.sign_in("viewer 1")
    cookie = next(iter(browser.cookies.values()))
    again = Sessions(served.panel.home, served.panel.accounts)
    assert again.find(cookie) is not None and cookie not in again.path.read_text()
    assert (again.path.stat().st_mode & 0o077) == 0


def test_a_token_has_at_most_the_role_of_its_account_and_an_end(tmp_path: Path) -> None:
    """Above its own role: refused; after its end: nobody."""
    tokens, now = Tokens(tmp_path), datetime(2026, 12, 1, tzinfo=UTC)
    with pytest.raises(UsageError, match="operate"):
        tokens.make("stock", account="viewer 1", own_role="view", role="operate", days=10, now=now)
    with pytest.raises(UsageError, match="1 to 366 days"):
        tokens.make("stock", account="viewer 1", own_role="view", role="view", days=400, now=now)
    _, secret = tokens.make("stock", account="viewer 1", own_role="view", role="view", days=10, now=now)
    assert tokens.find(secret, now + timedelta(days=9)) is not None
    assert tokens.find(secret, now + timedelta(days=11)) is None
    assert tokens.find("guess", now) is None and secret not in tokens.path.read_text()


def test_the_audit_log_is_chained_and_tells_where_it_was_changed(tmp_path: Path) -> None:
    """Numbered; a changed line and a line that was cut out are both told."""
    audit = Audit(tmp_path)
    for n in range(4):
        audit.add(AuditLine(at_utc="2026-12-01T00:00:00+00:00", who="operator 2", address="", act=f"act {n}"))
    lines, faults = audit.lines()
    assert [line.n for line in lines] == [1, 2, 3, 4] and not faults
    text = audit.path.read_text()
    audit.path.write_text(text.replace("act 1", "act 9"))
    assert audit.lines()[1] == ("line 2 was changed, or a line before it is missing",)
    audit.path.write_text("".join(text.splitlines(keepends=True)[:1] + text.splitlines(keepends=True)[2:]))
    assert len(audit.lines()[1]) == 2


def test_pages_say_nothing_to_elsewhere(serve: Any) -> None:
    """Headers of every page: own sources only, framed by nobody else, never kept."""
    served = serve()
    answer: httpx.Response = served.sign_in("viewer 1").get("/units")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy and "frame-ancestors 'self'" in policy and "http" not in policy
    assert answer.headers["cache-control"] == "no-store" and answer.headers["x-content-type-options"] == "nosniff"
