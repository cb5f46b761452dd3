"""The one gate before every route: host and origin, who asks, whether the role table allows it, the CSRF token.

A browser shows its session cookie, other software a token (`Authorization: Bearer ...`). What changes something needs,
from a browser, an Origin of our own and the session's CSRF token in the header `X-Csrf`. Refusals are audited.
Source: RFC 6454 (origin), RFC 6265 (cookies), OWASP's CSRF prevention by a token in a custom header.
"""

from __future__ import annotations

import hmac
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.requests import HTTPConnection

from rig.jobs.access.accounts import covers
from rig.jobs.access.audit import AuditLine
from rig.web.access.sessions import COOKIE
from rig.web.access.table import APPROVE, OPEN, ROUTES
from rig.web.access.who import Who
from rig.web.problem import Refusal

if TYPE_CHECKING:
    from rig.web.panel import Panel

SAFE = ("GET", "HEAD", "OPTIONS")
CSRF_HEADER = "x-csrf"


def allow(connection: HTTPConnection) -> Who:
    """Let a request through, or raise Refusal: 400 wrong host, 401 not signed in, 403 not allowed."""
    panel: Panel = connection.app.state.panel
    method = str(connection.scope.get("method", "WEBSOCKET"))
    path = str(connection.scope["route"].path)
    check_host(connection, panel)
    wanted = ROUTES.get(("GET" if method == "HEAD" else method, path))
    who = identify(connection, panel)
    connection.state.who = who
    if method not in SAFE:
        check_origin(connection)
    if wanted == OPEN:
        return who
    if wanted is None or not who.role:
        _refuse(panel, who, method, path, 401, "nobody is signed in here.", "Sign in.")
    if not covers(who.role, str(wanted)):
        _refuse(panel, who, method, path, 403, f"this needs the role {wanted}; yours is {who.role}.", "Ask someone.")
    if method not in (*SAFE, "WEBSOCKET") and who.session is not None:
        given = connection.headers.get(CSRF_HEADER, "")
        if not hmac.compare_digest(given, who.session.csrf):
            _refuse(panel, who, method, path, 403, "the page's token is missing or old.", "Load the page again.")
        if wanted == APPROVE and not who.session.proof_is_fresh(datetime.now(UTC)):
            raise Refusal(401, "the password was last given more than 15 minutes ago.", "Give it again.", "password")
    return who


def identify(connection: HTTPConnection, panel: Panel) -> Who:
    """Who asks, by token or by session; nobody where neither is good."""
    address = connection.client.host if connection.client else ""
    kind, _, secret = connection.headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer" and secret:
        token = panel.tokens.find(secret.strip(), datetime.now(UTC))
        owner = panel.accounts.open_ones().get(token.account) if token is not None else None
        if token is None or (owner is None and panel.accounts.open_ones()):
            return Who(address=address)
        role = token.role if owner is None or covers(owner.role, token.role) else owner.role
        return Who(name=f"{token.account} ({token.name})", role=role, address=address)
    session = panel.sessions.find(connection.cookies.get(COOKIE, ""))
    if session is None:
        return Who(address=address)
    return Who(name=session.name, role=session.role, address=address, session=session)


def check_host(connection: HTTPConnection, panel: Panel) -> None:
    """Refuse a request that names another host: a page elsewhere must not reach a panel on this machine."""
    host = connection.headers.get("host", "")
    if urlsplit(f"//{host}").hostname not in panel.hosts:
        raise Refusal(400, f"the panel is not called {host!r}.", f"Open it as {panel.address}.")


def check_origin(connection: HTTPConnection) -> None:
    """Refuse a change, or a socket, that a page of another origin asks for."""
    origin = connection.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != connection.headers.get("host", ""):
        raise Refusal(403, "a page of another origin asked for this.", "Use the panel's own page.")


def _refuse(panel: Panel, who: Who, method: str, path: str, status: int, text: str, next_action: str) -> None:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    if method not in SAFE:
        panel.audit.add(AuditLine(at_utc=now, who=who.name, address=who.address, act=f"{method} {path}", outcome=text))
    raise Refusal(status, text, next_action)
