"""Lots over HTTP: the plan's answer as it stands, and a person's decision."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from rig.errors import RigError, UsageError
from rig.records.book.lots import LotBook
from rig.review.lots.answer import answer_of
from rig.review.lots.lot import Lot
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]


class Decision(BaseModel):
    """What becomes of a lot, and why."""

    decision: Literal["accepted", "returned", "sorted", "used as is"]
    why: str = Field(min_length=1, max_length=400)


@router.get("/lots")
def lots(panel: Here) -> dict[str, Any]:
    """Names of all lots, in the order in which they were opened."""
    return {"lots": LotBook(panel.store).names()}


@router.get("/lots/{lot}")
def one_lot(lot: str, panel: Here) -> dict[str, Any]:
    """A lot: supplier, part, units, the plan's answer group by group (null before the first reading)."""
    found = lot_named(panel, lot)
    answer = answer_of(found) if found.frozen is not None else None
    return {
        "lot": found.name,
        "supplier": found.opened.supplier,
        "part": found.opened.part,
        "quantity": found.quantity,
        "answer": None if answer is None else answer.answer,
        "towards_supplier": None if answer is None else answer.towards,
        "groups": [] if answer is None else [group.to_dict() for group in answer.groups],
        "decisions": [{"decision": one.decision, "why": one.why, "who": one.who} for one in found.decisions],
        "reopened": found.reopened,
        "suspects": [{"label": label, "told": told} for label, told in found.suspects],
    }


@router.post("/lots/{lot}/decision", status_code=201)
def decide(lot: str, body: Decision, who: Asking, panel: Here) -> dict[str, Any]:
    """Decide on a lot; its report is written into the home's folder of lots."""
    from rig.jobs.lot.closing import close

    found = lot_named(panel, lot)
    if found.frozen is None:
        raise UsageError(f"lot {found.name}: nothing was tested yet.", next_action="Test it first.")
    folder = panel.home / "lots" / found.name
    folder.mkdir(parents=True, exist_ok=True)
    made = close(panel.store, found.name, decision=body.decision, why=body.why, who=who.name, out=folder)
    panel.note(who, "lot decided", f"{found.name}: {body.decision}, the plan says {made.answer}")
    return {"lot": made.lot, "decision": made.decision, "answer": made.answer, "warnings": list(made.warnings)}


def lot_named(panel: Panel, name: str) -> Lot:
    """A lot by its name. Raises Refusal (404) for one that nobody opened."""
    try:
        return Lot(panel.store, name[:64])
    except RigError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault
