"""Guided pins over HTTP: the pairs measured so far give the next pair to touch, the circuits found, a draft part file.

Nothing is kept between two requests but by the page, and nothing is driven: ohms are typed from a meter in the hand.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from rig.errors import UsageError
from rig.jobs.pins.by_hand import pairs_by_hand, pin_names
from rig.jobs.pins.table import analyse_observed
from rig.pins.by_hand.probing import Probing, Row
from rig.pins.readings import CORE
from rig.records.elsewhere.ohms import read_ohms
from rig.web.access.table import API
from rig.web.access.who import Who
from rig.web.api.common import asking, panel_of
from rig.web.panel import Panel

router = APIRouter(prefix=API)
Asking = Annotated[Who, Depends(asking)]
Here = Annotated[Panel, Depends(panel_of)]
Pin = Annotated[str, Field(min_length=1, max_length=16)]
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}")


class Pair(BaseModel):
    """Two pins (or a pin and "core") and what the meter read: "6.8", "1.2k", "OL"."""

    pin_a: Pin
    pin_b: Pin
    ohm: Annotated[str, Field(min_length=1, max_length=24)]


class Table(BaseModel):
    """pins: their number ("8") or their names ("A,B,C,D"). lead_ohm: of the probes' leads, to be taken off."""

    pins: Annotated[str, Field(min_length=1, max_length=400)]
    rows: Annotated[list[Pair], Field(max_length=2000)] = []
    lead_ohm: Annotated[float, Field(ge=0, lt=10)] | None = None


class Draft(Table):
    """name: of the draft part file."""

    name: Annotated[str, Field(min_length=1, max_length=63)]


@router.post("/pins")
def pins(body: Table) -> dict[str, Any]:
    """The next pair to touch (null: nothing more is needed), and the circuits that the pairs so far show."""
    names, rows = _read(body)
    probing = Probing(tuple(names), core=True)
    for row in rows:
        probing.put(*row)
    asked = probing.next_pair()
    found = analyse_observed(pairs_by_hand(names, rows, "typed in", body.lead_ohm), "the page").document()
    return {
        "pins": names,
        "next": None if asked is None else {"pin_a": asked.pin_a, "pin_b": asked.pin_b, "why": asked.why},
        "taken": len(rows),
        "found": found["pins"] if rows else None,
        "outcome": found["outcome"],
        "reasons": found["reasons"],
        "notes": found["notes"],
    }


@router.post("/pins/drafts", status_code=201)
def draft(body: Draft, who: Asking, panel: Here) -> dict[str, Any]:
    """Write a draft part file from a table, never over an existing one; a person has to confirm it first."""
    if not NAME.fullmatch(body.name):
        raise UsageError(f"{body.name!r} is no name of a part file.", next_action="Letters, digits, '-', '_' and '.'.")
    names, rows = _read(body)
    folder = panel.home / "parts"
    folder.mkdir(parents=True, exist_ok=True)
    observed = pairs_by_hand(names, rows, "typed in", body.lead_ohm)
    made = analyse_observed(observed, "the page", draft_to=folder / f"{body.name}.toml")
    panel.note(who, "draft part file", body.name)
    return {"part": body.name, "pins": made.pins.to_dict()}


def _read(body: Table) -> tuple[list[str], list[Row]]:
    """Names and measured pairs. Raises UsageError that names the pair that can't be read."""
    names = pin_names(body.pins)
    rows: list[Row] = []
    for n, pair in enumerate(body.rows, start=1):
        if pair.pin_a == pair.pin_b or not {pair.pin_a, pair.pin_b} <= {*names, CORE}:
            raise UsageError(
                f"pair {n}: {pair.pin_a}, {pair.pin_b} are not two of these pins.",
                next_action=f"Pins: {', '.join(names)}.",
            )
        ohm = read_ohms(pair.ohm)
        if ohm is None:
            raise UsageError(
                f"pair {n}: {pair.ohm!r} was not measured.", next_action="Type ohms, or OL for over range."
            )
        rows = [row for row in rows if {row[0], row[1]} != {pair.pin_a, pair.pin_b}]
        rows.append((pair.pin_a, pair.pin_b, ohm))
    return names, rows
