"""Who asks: the own session, signing in and out, tokens, the audit log."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse, Response

from rig.jobs.access.tokens import LONGEST_DAYS
from rig.web.access.sessions import COOKIE, LASTS
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]


class SignIn(BaseModel):
    """Name and password of an account."""

    name: str = Field(max_length=64)
    password: str = Field(max_length=256)


class Naming(BaseModel):
    """Who sits at this machine, where the panel has no accounts."""

    name: str = Field(min_length=1, max_length=64)


class NewToken(BaseModel):
    """A token to be made."""

    name: str = Field(min_length=1, max_length=64)
    role: str = Field(max_length=16)
    days: int = Field(default=90, ge=1, le=LONGEST_DAYS)


@router.get("/me")
def me(who: Asking) -> dict[str, Any]:
    """Name, role and, for a page, the CSRF token."""
    return {"name": who.name, "role": who.role, "csrf": who.session.csrf if who.session else None}


@router.patch("/me")
def rename(body: Naming, who: Asking, panel: Here) -> dict[str, Any]:
    """Say who sits here; only where the panel has no accounts."""
    from rig.records.schema import check_texts

    if who.session is None or who.session.account:
        raise Refusal(403, "an account keeps its name.", "Sign in with your own.")
    check_texts({"name": body.name})
    panel.sessions.rename(who.session, body.name.strip())
    return {"name": body.name.strip(), "role": who.role}


@router.post("/sessions")
def sign_in(body: SignIn, who: Asking, panel: Here) -> Response:
    """Sign in; a wrong password costs a pause that grows, and the answer never says which of the two was wrong."""
    account = panel.accounts.check(body.name, body.password, who.address)
    if account is None:
        wait_s = panel.accounts.pause_s(body.name, who.address)
        panel.note(Who(name=body.name[:64], address=who.address), "sign in", outcome="refused")
        raise Refusal(
            401, "name or password is not right.", f"Try again in {wait_s:.0f} s." if wait_s else "Try again."
        )
    if who.session is not None and who.session.name == account.name:
        panel.sessions.prove(who.session)
        return JSONResponse({"name": account.name, "role": account.role})
    made, cookie = panel.sessions.begin(account.name, account.role, account=True)
    panel.note(Who(name=account.name, role=account.role, address=who.address), "sign in")
    answer = JSONResponse({"name": made.name, "role": made.role})
    set_cookie(answer, cookie, panel)
    return answer


@router.delete("/sessions/current")
def sign_out(who: Asking, panel: Here) -> Response:
    """Sign out of this browser."""
    if who.session is not None:
        panel.sessions.end(who.session)
    answer = JSONResponse({"signed_out": True})
    answer.delete_cookie(COOKIE)
    return answer


@router.get("/tokens")
def tokens(who: Asking, panel: Here) -> list[dict[str, Any]]:
    """The tokens of the own account, without their secrets; of every account for an approver."""
    rows = [one for one in panel.tokens.all() if one.account == who.name or who.may("approve")]
    return [{key: value for key, value in asdict(one).items() if key != "sha256"} for one in rows]


@router.post("/tokens", status_code=201)
def make_token(body: NewToken, who: Asking, panel: Here) -> dict[str, Any]:
    """Make a token for other shop software; its secret is shown this once."""
    if who.session is None:
        raise Refusal(403, "a token can't make tokens.", "Make it on the page of your account.")
    made, secret = panel.tokens.make(
        body.name, account=who.name, own_role=who.role, role=body.role, days=body.days, now=datetime.now(UTC)
    )
    panel.note(who, "token made", f"{made.name}, {made.role}, until {made.until_utc}")
    return {"id": made.id, "name": made.name, "role": made.role, "until_utc": made.until_utc, "secret": secret}


@router.delete("/tokens/{token}")
def withdraw_token(token: str, who: Asking, panel: Here) -> dict[str, Any]:
    """Take one of the own tokens out at once; an approver may take out any."""
    own = [one.id for one in panel.tokens.all() if one.account == who.name or who.may("approve")]
    if token not in own:
        raise Refusal(404, f"you have no token {token!r}.", "Take an id of the list.")
    panel.note(who, "token withdrawn", panel.tokens.withdraw(token).name)
    return {"withdrawn": token}


@router.get("/audit")
def audit(panel: Here) -> dict[str, Any]:
    """Every act, newest first, and where the chain is broken."""
    lines, faults = panel.audit.lines()
    return {"lines": [asdict(line) for line in reversed(lines)][:1000], "broken": list(faults)}


def set_cookie(answer: Response, cookie: str, panel: Panel) -> None:
    """Give a browser its session: out of reach of scripts, for this site only."""
    answer.set_cookie(
        COOKIE, cookie, max_age=int(LASTS.total_seconds()), httponly=True, samesite="strict", secure=panel.secure
    )
