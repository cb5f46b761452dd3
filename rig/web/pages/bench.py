"""Bench: who answers, calibration due, the proof, disk and clock. The first thing that isn't right is the headline."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from rig.description.places import known_names
from rig.jobs.bench import health
from rig.review.charts import Chart, judge_set, sets_of
from rig.statistics.control_chart import BASELINE, IN_CONTROL
from rig.uncertainty.rounding import round_result
from rig.web.api.common import panel_of
from rig.web.api.standards import kept_charts
from rig.web.pages.frame import render
from rig.web.panel import Panel
from rig.web.parts.chart import chart_picture

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]
DUE_SOON_DAYS = 30
UNITS = {"ohm": "Ω", "1": "", "deg": "°", "v": "V"}
STANDARDS = {
    "check_resistor": "Check resistor",
    "lead_zero_4w": "Leads, four wires",
    "ratio_sin": "Ratio standard, sine channel",
    "gain_sin": "Loopback, gain of sine",
}
SHOWN = tuple(STANDARDS)
FULL_TEST_BYTES = 10.4e6  # raw data of one full test, measured


@router.get("/bench")
def bench(request: Request, panel: Here) -> Response:
    """The bench that this panel serves."""
    look = panel.looks.get(panel.bench)
    proof = health.health_of(panel.calibration_name(), health.now_utc())
    free = shutil.disk_usage(panel.home if panel.home.exists() else panel.home.parent).free
    headline, detail = stand(look, datetime.now(UTC).date())
    return render(
        request,
        "bench.html",
        "Bench",
        look=look,
        rows=[_with_due(row, datetime.now(UTC).date()) for row in look["instruments"]] if look else [],
        headline=headline,
        detail=detail,
        proof=proof,
        free_gb=free / 1e9,
        full_tests=int(free / FULL_TEST_BYTES),
        benches=known_names("bench"),
        standards=[_standard(one) for one in kept_charts(panel, SHOWN)],
    )


def _standard(chart: Chart) -> dict[str, Any]:
    """A chart as the page shows it: its newest take, whether that is in control, the picture."""
    sets = sets_of(chart.points)
    last, said = chart.points[-1], judge_set(sets[-1]).said
    state = "in control" if said == IN_CONTROL else said
    name = STANDARDS[chart.standard]
    value = " ± ".join(round_result(last.value, last.U)) if last.U else f"{last.value:.6g}"
    figure = f"{value} {UNITS.get(chart.unit, chart.unit)}".rstrip()
    return {
        "name": name,
        "figure": figure,
        "state": state,
        "in_control": said == IN_CONTROL,
        "warns": chart.warns is not None,
        "taken": len(chart.points),
        "needed": BASELINE,
        "frozen": chart.frozen is not None,
        "suspects": len(chart.suspects),
        "utc": last.utc,
        "picture": chart_picture(chart, f"{name}: {figure}, {state}"),
    }


def stand(look: dict[str, Any] | None, today: date) -> tuple[str, str]:
    """(headline, what stands beside it) of a look."""
    if look is None:
        return "Not looked at yet.", "Look at it: nothing is driven to find out."
    overdue = [row["role"] for row in look["instruments"] if row["overdue"]]
    soon = [(row["role"], _days(row["due"], today)) for row in look["instruments"] if row["due"] and not row["overdue"]]
    near = [f"{role}, in {days} days" for role, days in soon if days <= DUE_SOON_DAYS]
    if look["emergency_stop"]:
        return "The emergency stop is pressed.", "Release it at the bench when it is safe to."
    if overdue:
        return "Calibration is overdue.", ", ".join(overdue)
    if not look["complete"]:
        names = ", ".join(name.replace("_", " ") for name in look["lacking"])
        return "Something is missing.", f"can't run: {names}"
    return "Fit to work.", f"Due soon: {'; '.join(near)}." if near else "Everybody answers."


def _with_due(row: dict[str, Any], today: date) -> dict[str, Any]:
    days = _days(row["due"], today) if row["due"] else None
    return {**row, "days": days, "soon": days is not None and 0 <= days <= DUE_SOON_DAYS}


def _days(due: str, today: date) -> int:
    return (date.fromisoformat(due[:10]) - today).days
