"""Nights: what stands against leaving the bench alone, the nights that were, the morning page of one, gravest first.

A night is planned and started at the bench (`anglewright night plan`, `night start`); its arming is a hand there.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from rig.errors import RigError
from rig.jobs.night.checks.readiness import Ready, readiness
from rig.jobs.night.folder import NightFolder, find_night, nights
from rig.jobs.night.morning import morning
from rig.jobs.night.queue import Queue
from rig.web.api.common import panel_of
from rig.web.pages.frame import render
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]
NIGHT_H = 12.0  # how far ahead readiness is asked for, where no end was stated yet


@router.get("/nights")
def all_nights(request: Request, panel: Here) -> Response:
    """What is planned with its readiness, and the nights that were, newest first."""
    entries = Queue(panel.home).entries()
    waiting = [one for one in entries if one.state == "waiting"]
    now = datetime.now(UTC)
    found: list[Ready] = readiness(entries, now + timedelta(hours=NIGHT_H), now) if waiting else []
    against = next((one for one in found if one.holds is False), None)
    many = sum(one.holds is False for one in found)
    rows = [_row(folder, panel) for folder in reversed(nights(panel.home))]
    return render(
        request,
        "nights.html",
        "Nights",
        waiting=waiting,
        found=found,
        against=against,
        many=many,
        rows=rows,
        hours=NIGHT_H,
    )


def _row(folder: NightFolder, panel: Panel) -> dict[str, Any]:
    """One night of the list; one whose files are damaged says so."""
    try:
        page = morning(folder, panel.store)
        return {"id": folder.id, "headline": page.headline, "subject": page.subject, "simulated": page.simulated}
    except RigError as fault:
        return {"id": folder.id, "headline": str(fault), "subject": "", "simulated": False}


@router.get("/nights/{night}")
def one_night(request: Request, night: str, panel: Here) -> Response:
    """The morning page of one night. Raises Refusal (404) for one that is not kept."""
    try:
        page = morning(find_night(night[:64], panel.home), panel.store)
    except RigError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault
    return render(request, "morning.html", "Nights", morning=page)
