"""Known good: part numbers, their units as dots against the limits in force and those proposed, the approval."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from rig.certificate.words.learned import learned_texts
from rig.certificate.words.wording import short_name
from rig.errors import UsageError
from rig.records.book.library import LibraryBook
from rig.review.library.learning import LimitSet
from rig.review.library.library import Library
from rig.web.api.common import panel_of
from rig.web.pages.frame import render
from rig.web.panel import Panel
from rig.web.parts.strips import strip_picture
from rig.web.problem import Refusal

router = APIRouter()
Here = Annotated[Panel, Depends(panel_of)]


@router.get("/known")
def parts(request: Request, panel: Here) -> Response:
    """Every part number that has known-good units."""
    return render(request, "known.html", "Known good", rows=LibraryBook(panel.store).summaries())


@router.get("/known/{part}")
def part(request: Request, part: str, panel: Here) -> Response:
    """The units of one part number, what they make of limits, and what is in force."""
    library = Library(panel.store)
    history = library.history(part[:64])
    if not history:
        raise Refusal(404, f"no known-good unit of {part[:64]!r}.", "Take one of the list under Known good.")
    proposed, in_force, trouble = None, None, ""
    try:
        proposed = library.propose(part)
    except UsageError as fault:
        trouble = str(fault)
    try:
        in_force = library.version(part)
    except UsageError:
        in_force = None  # nothing was approved yet: the page says so
    shown = proposed or in_force
    return render(
        request,
        "known_part.html",
        "Known good",
        part=part,
        units=library.units(part),
        proposed=proposed,
        in_force=in_force,
        trouble=trouble,
        warnings=proposed.warnings(partial(short_name, alone=True)) if proposed is not None else (),
        rows=limit_rows(shown, in_force) if shown is not None else [],
        history=list(reversed(history)),
    )


def limit_rows(shown: LimitSet, in_force: LimitSet | None) -> list[dict[str, Any]]:
    """One row a line: units as dots, the version in force dashed, the proposal as a band, on the line's own scale."""
    before = {limit.measurand: limit for limit in in_force.limits} if in_force is not None else {}
    rows = []
    for limit in shown.limits:
        id_, line = limit.measurand, shown.lines[limit.measurand]
        texts, log = learned_texts(limit, line), line.scale == "log"
        values = [(t.serial, t.values[id_]) for t in shown.teachers if id_ in t.values]
        rows.append(
            {
                "name": texts.name + (", log scale" if log else ""),
                "mean": texts.mean,
                "limits": texts.limits,
                "strip": strip_picture([value for _, value in values], limit, before.get(id_), log=log),
                "suspect": shown.flagged.get(id_, ""),
            }
        )
    return rows
