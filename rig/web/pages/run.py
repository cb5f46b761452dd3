"""Run: what the rig wants next, the turn, the error as it grows, records, resistances; a picture until it is judged."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from rig.web.api.common import panel_of
from rig.web.pages.frame import render
from rig.web.pages.work import limit_of_error
from rig.web.panel import Panel
from sequences.registry import SEQUENCES

GATES = {  # what a step with a gate has let pass, once another step has begun
    "live_voltage": "No pin is live",
    "pin_map": "The pins fit the map",
    "coil_resistance": "The coils are where the map says",
    "leak": "The part may be driven",
    "excite": "The excitation arrived at the coil",
    "index": "The index was found",
    "index_again": "The index was found again",
}
MOST_ALIKE = 20  # newest runs among which one with that line is looked for
OUTCOMES = ("within limits", "outside limits", "undecided", "unsound measurement", "not this kind", "measured")

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]


@router.get("/run")
def run(request: Request, panel: Here) -> Response:
    """The run that goes on, or the newest one."""
    state = panel.feed.picture.state()
    part = str(state["run"].get("part", "")) if panel.feed.running else ""
    return render(
        request,
        "run.html",
        "Run",
        limit=limit_of_error(part) if part else None,
        expected_U=expected_U(panel, part, str(state["run"].get("sequence", ""))) if part else None,
        gates=GATES,
        titles={step.title: step.title for one in SEQUENCES.values() for step in one.steps},
        outcomes={one: one for one in OUTCOMES},
    )


def expected_U(panel: Panel, part: str, sequence: str) -> float | None:
    """U of the largest angle error in the newest run of this sequence on this part number, arcmin electrical."""
    alike = {row.run for row in panel.store.list(MOST_ALIKE, part=part, sequence=sequence)}
    rows = panel.store.results(part=part, measurand="error_max_elec_arcmin") if alike else ()
    return next((float(row["U"]) for row in rows if row["U"] is not None and row["run"] in alike), None)
