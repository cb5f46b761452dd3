"""Asking for a run over HTTP: a controller of its own is started, which waits for the hand at the bench.

What is asked for is fixed before the arming and shown in full; nothing here arms. A bench has one controller at a time:
a second ask for a bench in use is refused with the run that holds it.
"""

from __future__ import annotations

import threading
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from rig.description.places import known_names
from rig.errors import UsageError
from rig.jobs.controller import client
from rig.jobs.controller.ask import WATCH, Ask, of_request
from rig.jobs.kept.before_run import check_stated
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


class NewWatch(BaseModel):
    """A coil to be watched while somebody bends, taps or warms it; ac: its amplitude under excitation, not its ohms."""

    part: Short
    serial: Annotated[str, Field(min_length=1, max_length=64)] = "watch"
    coil: Literal["exc", "sin", "cos"]
    ac: bool = False
    seconds: Annotated[float, Field(gt=0, le=3600)] = 300.0
    world: Short = ""
    cautions: Annotated[list[Short], Field(max_length=10)] = []


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
    check_stated(body.model_dump())
    _check_names(part=body.part, world=body.world, holder=body.holder)
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
    started = _start(panel, of_request(request, by=who.name))
    panel.note(who, "run asked for", f"{body.sequence} {body.part} {body.serial}; read: {'; '.join(body.cautions)}")
    return {"controller": started.path.stem, "serial": body.serial, "sequence": body.sequence}


@router.post("/watches", status_code=202)
def watch(body: NewWatch, who: Asking, panel: Here) -> dict[str, Any]:
    """Ask for a watch of a coil: huge figures on the page Run, a sound for each drop-out."""
    from sequences.watch import SEQUENCE

    check_stated(body.model_dump())
    _check_names(part=body.part, world=body.world)
    request = RunRequest(
        sequence=SEQUENCE.name,
        part=body.part,
        serial=body.serial,
        bench=panel.bench,
        world=body.world or None,
        operator=who.name,
        speed=panel.speed,
    )
    details = {"watch": {"coil": body.coil, "ac": body.ac, "seconds": body.seconds}}
    started = _start(panel, of_request(request, kind=WATCH, details=details, by=who.name))
    panel.note(who, "watch asked for", f"{body.coil} of {body.part} {body.serial}; read: {'; '.join(body.cautions)}")
    return {"controller": started.path.stem, "serial": body.serial, "coil": body.coil}


def _check_names(**names: str) -> None:
    """Only names of what is here: a path would let a page read any file. Raises UsageError with the known ones."""
    for kind, name in names.items():
        if name and name not in (known := known_names(kind)):
            raise UsageError(f"no {kind} is called {name!r}.", next_action=f"Take one of: {', '.join(known)}.")


def _start(panel: Panel, ask_for: Ask) -> client.Started:
    """Start a controller for an ask. Raises Refusal (409) while a run holds the bench."""
    with _starting:
        if panel.feed.running and panel.feed.picture.ended is None:
            held = panel.feed.picture.state()["run"]
            raise Refusal(
                409,
                f"the bench is in use by {held.get('serial') or 'another run'} ({held.get('operator') or 'somebody'}).",
                "Wait for its end, or stop it.",
            )
        return client.start(ask_for, home=panel.home, quiet=True)
