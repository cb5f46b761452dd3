"""Asking for a run over HTTP: a controller of its own is started, which waits for the hand at the bench.

What is asked for is fixed before the arming and shown in full; nothing here arms. A bench has one controller at a time:
a second ask for a bench in use is refused with the run that holds it.
"""

from __future__ import annotations

import threading
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from rig.jobs.controller import client
from rig.jobs.controller.ask import of_request
from rig.jobs.run_job import Request as RunRequest
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]
Short = Annotated[str, Field(max_length=64)]
_starting = threading.Lock()


class NewAsk(BaseModel):
    """What is asked for. cautions: those that the person has read, as the page shows them."""

    sequence: Short
    part: Short
    serial: Annotated[str, Field(min_length=1, max_length=64)]
    holder: Short = ""
    job: Short = ""
    rotor: Short = "own"
    condition: Annotated[str, Field(max_length=200)] = ""
    retest_of: Short = ""
    world: Short = ""
    entries: Annotated[list[Annotated[str, Field(max_length=200)]], Field(max_length=20)] = []
    cautions: Annotated[list[Short], Field(max_length=10)] = []


@router.get("/asks")
def asks(panel: Here) -> dict[str, Any]:
    """What is asked for on this panel's bench now; null where nothing is."""
    state = panel.feed.picture.state() if panel.feed.running else None
    return {"bench": panel.bench, "ask": None if state is None else {**state["ask"], **state["run"]}}


@router.post("/asks", status_code=202)
def ask(body: NewAsk, who: Asking, panel: Here) -> dict[str, Any]:
    """Ask for a run: its controller opens the bench and waits for the hand at the bench."""
    from rig.records.schema import check_texts

    check_texts(body.model_dump())
    request = RunRequest(
        sequence=body.sequence,
        part=body.part,
        serial=body.serial,
        bench=panel.bench,
        world=body.world or None,
        holder=body.holder or None,
        job=body.job,
        operator=who.name,
        rotor=body.rotor,
        condition=body.condition,
        retest_of=body.retest_of,
        entries=tuple(body.entries),
        speed=panel.speed,
    )
    with _starting:
        if panel.feed.running and panel.feed.picture.ended is None:
            held = panel.feed.picture.state()["run"]
            raise Refusal(
                409,
                f"the bench is in use by {held.get('serial') or 'another run'} ({held.get('operator') or 'somebody'}).",
                "Wait for its end, or stop it.",
            )
        started = client.start(of_request(request, by=who.name), home=panel.home, quiet=True)
    panel.note(who, "run asked for", f"{body.sequence} {body.part} {body.serial}; read: {'; '.join(body.cautions)}")
    return {"controller": started.path.stem, "serial": body.serial, "sequence": body.sequence}
