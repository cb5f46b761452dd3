"""The way in: the one-time address of this machine, the page for signing in, the page of one's own account."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.api.people import set_cookie
from rig.web.pages.frame import render
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]
Asking = Annotated[Who, Depends(asking)]


@router.get("/")
def start() -> Response:
    """The page that is asked for most."""
    return RedirectResponse("/units", status_code=303)


@router.get("/enter/{secret}")
def enter(secret: str, panel: Here, who: Asking) -> Response:
    """Sign this machine's browser in with the secret that the terminal shows; it is good once."""
    if not panel.use_secret(secret):
        raise Refusal(401, "this address was used before, or the panel was started again.", "Take the newest address.")
    session, cookie = panel.sessions.begin("", "approve", account=False)
    answer = RedirectResponse("/account", status_code=303)
    set_cookie(answer, cookie, panel)
    panel.note(Who(name="this machine", role=session.role, address=who.address), "sign in")
    return answer


@router.get("/sign-in")
def sign_in(request: Request, panel: Here) -> Response:
    """Name and password; without accounts, where the address of this machine is shown."""
    return render(request, "sign_in.html", "Sign in", accounts=bool(panel.accounts.open_ones()))


@router.get("/account")
def account(request: Request, panel: Here, who: Asking) -> Response:
    """Who sits here, theme and language, tokens for other software."""
    tokens = [asdict(one) for one in panel.tokens.all() if one.account == who.name]
    lines = panel.audit.lines()[0][-20:] if who.may("approve") else ()
    return render(request, "account.html", "Account", tokens=tokens, audit=tuple(reversed(lines)))
