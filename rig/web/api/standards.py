"""The bench's own standards over HTTP: their charts, and the nights.

Read only: a standard is taken, and a run is marked as suspect, at the bench (`anglewright night chart`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Depends

from rig.errors import RigError
from rig.jobs.night.folder import find_night, nights
from rig.jobs.night.morning import morning
from rig.measurands import BENCH
from rig.review import charts
from rig.web.access.table import API
from rig.web.api.common import panel_of
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Here = Annotated[Panel, Depends(panel_of)]
CHARTED = ("check_resistor", "lead_zero_4w", "ratio_sin", "ratio_cos", "gain_sin", "gain_cos", "gain_exc_i")
"""Standards that stand for lines of a part, in the order in which pages show them."""


def kept_charts(panel: Panel, wanted: Sequence[str] = CHARTED) -> list[charts.Chart]:
    """The charts of those standards that this panel's bench has taken."""
    found = []
    for standard in wanted:
        if panel.store.results(measurand=f"{BENCH}{standard}"):
            try:
                found.append(charts.chart(standard, panel.bench, panel.store))
            except RigError:
                continue  # taken, but on another bench
    return found


@router.get("/charts")
def all_charts(panel: Here) -> dict[str, Any]:
    """The charts of this bench's standards: takes in their order, the frozen baseline, what stands outside."""
    return {"bench": panel.bench, "charts": [one.document() for one in kept_charts(panel)]}


@router.get("/charts/{standard}")
def one_chart(standard: str, panel: Here) -> dict[str, Any]:
    """The chart of one standard."""
    try:
        return charts.chart(standard[:64], panel.bench, panel.store).document()
    except RigError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault


@router.get("/nights")
def all_nights(panel: Here) -> dict[str, Any]:
    """Ids of the nights that are kept, the newest first."""
    return {"nights": [one.id for one in reversed(nights(panel.home))]}


@router.get("/nights/{night}")
def one_night(night: str, panel: Here) -> dict[str, Any]:
    """The morning page of a night: the gravest sentence first, the looks with their runs."""
    try:
        return morning(find_night(night[:64], panel.home), panel.store).document()
    except RigError as fault:
        raise Refusal(404, fault.message, fault.next_action) from fault
