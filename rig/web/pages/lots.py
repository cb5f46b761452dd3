"""Lots: those that were opened, and one with the plan's answer, its units by mark, the plain words, the decision.

A person decides, with a reason and the name of the account; the plan's answer stands beside it. Units are
tested in a sitting: at its page, or by `anglewright lot next`; each is armed by a hand at the bench.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from rig.description.holders import load_holder
from rig.errors import RigError
from rig.jobs.bench.description_files import bench_of
from rig.jobs.lot.sitting import KEYS
from rig.records.book.lots import LotBook
from rig.review.lots.answer import GroupAnswer, answer_of
from rig.review.lots.lot import Lot
from rig.review.lots.words import after
from rig.web.api.common import panel_of
from rig.web.pages.frame import render
from rig.web.pages.work import MASTER
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]
KEY_WORDS = (
    *KEYS.values(),
    *("good", "bad", "take the newest photo", "test it all the same", "not now"),
    "lay it aside, it is not of this lot",
)
HEADLINES = {
    "accepted": "Accepted by the plan.",
    "not accepted": "Not accepted by the plan.",
    "open": "The plan has no answer yet.",
}


@router.get("/lots")
def lots(request: Request, panel: Here) -> Response:
    """Every lot, the newest first."""
    book = LotBook(panel.store)
    rows = [_row(panel, name) for name in reversed(book.names())]
    return render(request, "lots.html", "Lots", rows=rows)


def _row(panel: Panel, name: str) -> dict[str, Any]:
    """One line of the list; a lot whose book is damaged says so instead."""
    try:
        lot = Lot(panel.store, name)
        answer = answer_of(lot).answer if lot.frozen is not None else "not begun"
        decided = lot.decisions[-1].decision if lot.decisions else ""
        return {
            "name": name,
            "supplier": lot.opened.supplier,
            "part": lot.opened.part,
            "quantity": lot.quantity,
            "answer": answer,
            "decided": decided,
        }
    except RigError as fault:
        return {"name": name, "supplier": "", "part": "", "quantity": 0, "answer": str(fault), "decided": ""}


@router.get("/lots/{lot}")
def one_lot(request: Request, lot: str, panel: Here) -> Response:
    """One lot. Raises Refusal (404) for one that nobody opened."""
    try:
        found = Lot(panel.store, lot[:64])
    except RigError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault
    answer = answer_of(found) if found.frozen is not None else None
    coming = found.next_unit() if found.frozen is not None else None
    return render(
        request,
        "lot.html",
        "Lots",
        lot=found,
        answer=answer,
        headline=HEADLINES[answer.answer] if answer is not None else "Nothing was tested yet.",
        units=[_unit(one, answer.groups if answer else (), coming) for one in found.units] if answer else [],
        words=[
            (one.template, dict(one.figures))
            for g in (answer.groups if answer else ())
            for one in after(g, found.quantity)
        ],
    )


def _unit(unit: Any, groups: tuple[GroupAnswer, ...], coming: Any) -> dict[str, Any]:
    """A unit as its mark shows it: how it counts in the gravest of its groups."""
    states = [g.units[unit.label].state for g in groups if unit.label in g.units]
    return {
        "label": unit.label,
        "serial": unit.serial or unit.listed,
        "outcome": unit.outcome,
        "counts": "nonconforming" if "nonconforming" in states else (states[0] if states else ""),
        "aside": unit.aside,
        "why": unit.why,
        "run": unit.runs[-1].id if unit.runs else "",
        "coming": coming is not None and coming.label == unit.label,
    }


@router.get("/lots/{lot}/sitting")
def sitting(request: Request, lot: str, panel: Here) -> Response:
    """The sitting: the next label largest, the four acts of a unit, keys. Raises Refusal (404) for an unknown lot."""
    try:
        found = Lot(panel.store, lot[:64])
    except RigError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault
    goes_on = panel.sitting is not None and panel.sitting.lot == found.name and panel.sitting.goes_on
    coming = found.next_unit() if found.frozen is not None else None
    answer = answer_of(found) if found.frozen is not None else None
    bench = bench_of(panel.bench)
    return render(
        request,
        "sitting.html",
        "Lots",
        lot=found,
        goes_on=goes_on,
        key_words={one: one for one in KEY_WORDS},
        master_words=MASTER,
        master=found.file.rotor == "shop master",
        safety=load_holder(bench.holder).safety,
        tests={"whole": "whole test", "screen": "quick screen"},
        units=[_unit(one, answer.groups if answer else (), coming) for one in found.units] if answer else [],
    )
