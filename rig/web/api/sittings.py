"""A lot's sitting over HTTP: begin it, its scans and keys, how it stands, its end.

Each unit's run waits for the hand at the bench, as every run; an entry is a scan, one key or a typed line, and none of
them arms, resumes or acknowledges.
"""

from __future__ import annotations

import threading
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from rig.jobs.lot.unit_runs import Asked
from rig.records.schema import check_texts
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.api.lots import lot_named
from rig.web.live.sitting import SittingAtPage
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]
_beginning = threading.Lock()


class NewSitting(BaseModel):
    """standards: False leaves the check standards out, which is entered. cautions: those that the person has read."""

    standards: bool = True
    cautions: Annotated[list[Annotated[str, Field(max_length=64)]], Field(max_length=10)] = []


class NewEntry(BaseModel):
    """A scan or a typed line, 64 characters at most, or one key."""

    kind: Literal["scan", "key", "line"]
    text: Annotated[str, Field(min_length=1, max_length=200)]


@router.get("/lots/{lot}/sitting")
def sitting(lot: str, panel: Here) -> dict[str, Any]:
    """How the lot's sitting stands: the next unit, what is asked, what was said; null where none goes on here."""
    found = panel.sitting
    return {"sitting": found.state() if found is not None and found.lot == lot else None}


@router.post("/lots/{lot}/sitting", status_code=201)
def begin(lot: str, body: NewSitting, who: Asking, panel: Here) -> dict[str, Any]:
    """Begin a sitting over a lot at this panel's bench; the first one fixes the plan."""
    name = lot_named(panel, lot).name
    check_texts(body.model_dump())
    with _beginning:
        if panel.sitting is not None and panel.sitting.goes_on:
            raise Refusal(409, f"a sitting over {panel.sitting.lot} goes on.", "End it first.")
        if panel.feed.running and panel.feed.picture.ended is None:
            raise Refusal(409, "a run holds the bench.", "Wait for its end, or stop it.")
        asked = Asked(bench=panel.bench, operator=who.name, speed=panel.speed, standards=body.standards)
        panel.sitting = SittingAtPage(panel.store, name, asked)
    panel.note(who, "sitting begun", f"{name}; read: {'; '.join(body.cautions)}")
    return panel.sitting.state()


@router.post("/lots/{lot}/sitting/entries", status_code=202)
def enter(lot: str, body: NewEntry, who: Asking, panel: Here) -> dict[str, Any]:
    """A scan, a key or a typed line; refused (409) while a unit is tested, and where no sitting goes on."""
    found = _going_on(panel, lot)
    if body.kind == "key" and len(body.text) != 1:
        raise Refusal(422, "a key is one character.", "Send a typed line with kind line.")
    if not found.desk.enter(body.kind, body.text):
        raise Refusal(409, "nothing is asked just now: a unit is being tested.", "Wait for the next label.")
    panel.note(who, f"sitting: {body.kind}", f"{lot}: {body.text}")
    return found.state()


@router.delete("/lots/{lot}/sitting")
def end(lot: str, who: Asking, panel: Here) -> dict[str, Any]:
    """End the sitting: what is tested now is tested to its end; it goes on another day."""
    found = _going_on(panel, lot)
    found.desk.close()
    panel.note(who, "sitting ended", lot)
    return found.state()


def _going_on(panel: Panel, lot: str) -> SittingAtPage:
    found = panel.sitting
    if found is None or found.lot != lot or not found.goes_on:
        raise Refusal(409, "no sitting over this lot goes on here.", "Begin one.")
    return found
