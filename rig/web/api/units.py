"""Units over HTTP: a serial's runs and changes, units side by side, known-good units and learned limits."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field

from rig.jobs.kept.which_run import LONGEST, RunKind, search_runs
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of, run_named
from rig.web.panel import Panel
from rig.web.problem import Refusal

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]


class NewGood(BaseModel):
    """A unit that is known to be good: its runs (or serial), and how it is known."""

    runs: list[Annotated[str, Field(max_length=128)]] = Field(min_length=1, max_length=20)
    how: str = Field(min_length=1, max_length=400)


class Approval(BaseModel):
    """Why the limits are approved now."""

    why: str = Field(min_length=1, max_length=400)


@router.get("/units/{serial}")
def unit(serial: str, panel: Here) -> dict[str, Any]:
    """Every run of a serial number, newest first."""
    page = search_runs(panel.store, serial=serial[:LONGEST], most=100)
    if not page.total:
        raise Refusal(404, f"no run of serial {serial[:LONGEST]!r}.", "Search under Units.")
    return {"serial": serial, "total": page.total, "runs": [asdict(row) for row in page.rows]}


@router.get("/compare")
def compare(
    panel: Here,
    serials: Annotated[list[str], Query(min_length=2, max_length=4)],
    despite: Annotated[list[str] | None, Query(max_length=8)] = None,
) -> dict[str, Any]:
    """Two to four units of one part number side by side, differences to the first, with an opinion."""
    from rig.review.units import comparing
    from rig.review.units.advice import advice

    found = comparing.compare(
        [run_named(panel, one, RunKind(certified_first=True)) for one in serials], despite=despite or []
    )
    return comparing.to_dict(found) | {"advice": asdict(advice(found))}


@router.get("/known")
def libraries(panel: Here) -> dict[str, Any]:
    """Part numbers with known-good units."""
    from rig.records.book.library import LibraryBook

    return {"parts": LibraryBook(panel.store).summaries()}


@router.get("/known/{part}")
def known_units(part: str, panel: Here) -> dict[str, Any]:
    """The known-good units of a part number and the history of its limits."""
    from rig.records.book.library import KIND_OF
    from rig.review.library.library import Library

    library = Library(panel.store)
    entries = library.history(part)
    if not entries:
        raise Refusal(404, f"no known-good unit of {part[:LONGEST]!r}.", "Add one first.")
    rows = [{"kind": KIND_OF[type(entry)], **asdict(entry)} for entry in entries]
    return {"part": part, "units": [asdict(one) for one in library.units(part)], "entries": rows}


@router.post("/known/{part}/units", status_code=201)
def add_good(part: str, body: NewGood, who: Asking, panel: Here) -> dict[str, Any]:
    """Take a unit in as known good."""
    from rig.review.library.library import Library

    runs = [run_named(panel, one, RunKind(certified_first=True)) for one in body.runs]
    wrong = sorted({str(run.header.part.get("number", "")) for run in runs} - {part})
    if wrong:
        raise Refusal(400, f"these runs are of {', '.join(wrong)}, not of {part}.", "Take them in under their part.")
    made = Library(panel.store).add(runs, how=body.how, who=who.name)
    panel.note(who, "known good", f"{part} {made.serial}")
    return {"part": made.part, "serial": made.serial, "lines": len(made.values)}


@router.post("/known/{part}/versions", status_code=201)
def approve(part: str, body: Approval, who: Asking, panel: Here) -> dict[str, Any]:
    """Freeze what the units make as the next version of the limits."""
    from rig.review.library.library import Library

    made = Library(panel.store).approve(part, who=who.name)
    panel.note(who, "limits approved", f"{part} version {made.version}: {body.why}")
    return {"part": part, "version": made.version, "approved_by": who.name}
