"""`seat`: runs for the seat, the nudge told by them, two clampings compared, places along the shaft. Prints nothing.

Each look is a kept run; the bench is safe and closed while hands are in the fixture. `moved`: what the stator was moved
by since the run before, mm toward deg mech from the index; on the simulated bench the world's nudge is set to the sum.
"""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.answer import AxialAnswer, SeatAnswer
from rig.control.sequencer import StepSequence as Steps
from rig.description.parts import load_part
from rig.errors import UsageError
from rig.evaluation.bench.axial import Place, ShaftLevel, level
from rig.jobs import run_job as jobs
from rig.jobs.question.questions import Question, run_question
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.soundness.seating import Seat, advice, explained, tell_apart
from sequences.seat import AXIAL, RADIAL

SCHEMA = "anglewright seat 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A radial look: the run, its seat (None: not read), its notes, and what two clampings explain ([] without)."""

    run: StoredRun
    found: Seat | None
    notes: tuple[str, ...]
    explained: tuple[dict[str, Any], ...]

    def document(self) -> dict[str, Any]:
        """The --json document."""
        return {
            "schema": SCHEMA,
            "run": self.run.id,
            "simulated": self.run.header.simulated,
            "seat": None if self.found is None else self.found.to_dict(),
            "notes": list(self.notes),
            "explained": list(self.explained),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Slide:
    """Places along the shaft, with the level one."""

    runs: tuple[str, ...]
    places: tuple[Place, ...]
    level: ShaftLevel | None

    def document(self) -> dict[str, Any]:
        """The --json document."""
        return {
            "schema": SCHEMA,
            "runs": list(self.runs),
            "places": [place.to_dict() for place in self.places],
            "level": None if self.level is None else self.level.to_dict(),
        }


def vector(text: str) -> complex:
    """MM@DEG as a complex number of mm. Raises UsageError."""
    told = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*@\s*(-?\d+(?:\.\d+)?)\s*", text)
    if told is None:
        raise UsageError(f"{text!r} is no nudge.", next_action="Write MM@DEG, e.g. 0.12@205 (deg mech from the index).")
    return cmath.rect(float(told[1]), math.radians(float(told[2])))


def look(
    request: jobs.Request, *, gap_mm: float | None, after: str, moved: str, on_progress: Callable[..., None]
) -> Look:
    """One turn, read for its seat; compared with an earlier look where one is named."""
    before = _before(after) if after else None
    step = vector(moved) if moved else 0j
    total = step + (0j if before is None else complex(*before.header.details["seat"]["moved_mm"]))
    details = {"seat": {"gap_mm": gap_mm, "moved_mm": [total.real, total.imag], "after": before.id if before else ""}}
    nudge = {"holder.nudge_mm": abs(total), "holder.nudge_deg": math.degrees(cmath.phase(total))}
    stored = _run(RADIAL, request, details, nudge, on_progress)
    now = _answer(stored)
    found = _seat(now)
    rows: list[dict[str, Any]] = []
    notes = tuple(stored.judgement.notes) if stored.judgement is not None else ()
    if before is not None and before.judgement is not None:
        earlier = _answer(before)
        rows = explained(earlier.lines, now.lines)
        old = _seat(earlier)
        if found is not None and old is not None and found.is_offset and abs(step) > 0:
            found = tell_apart(old, step, found)
            notes = (*advice(found), *notes[len(advice(_seat(now))) :])
    return Look(run=stored, found=found, notes=notes, explained=tuple(rows))


def slide(
    request: jobs.Request, places_mm: Sequence[float], ask: Callable[[float], None], on_progress: Callable[..., None]
) -> Slide:
    """Spots at each place along the shaft; ask: returns when the rotor stands there."""
    if len(set(places_mm)) < 3:
        raise UsageError(
            "three places at least tell where the peak is.", next_action="Give e.g. --axial=-0.6,-0.2,0.2,0.6"
        )
    runs, places = [], []
    for place_mm in places_mm:
        ask(place_mm)
        stored = _run(
            AXIAL, request, {"seat": {"axial_mm": place_mm}}, {"holder.nudge_axial_mm": place_mm}, on_progress
        )
        runs.append(stored.id)
        answer = stored.judgement.answer if stored.judgement is not None else None
        if isinstance(answer, AxialAnswer) and answer.axial is not None:
            kept = answer.axial
            places.append(Place(axial_mm=kept.axial_mm, ratio=kept.ratio, l_exc=kept.l_exc))
    return Slide(runs=tuple(runs), places=tuple(places), level=level(places))


def _before(run: str) -> StoredRun:
    stored = Store().find(run)
    if "moved_mm" not in stored.header.details.get("seat", {}):
        raise UsageError(f"run {stored.id} is no look at a seat.", next_action="Name a run of anglewright run seat.")
    return stored


def _answer(run: StoredRun) -> SeatAnswer:
    """The seat as a kept run answered it; without an answer nothing was read."""
    answer = None if run.judgement is None else run.judgement.answer
    return answer if isinstance(answer, SeatAnswer) else SeatAnswer(seat=None)


def _seat(answer: SeatAnswer) -> Seat | None:
    return None if answer.seat is None else Seat.of(answer.seat)


def _run(
    sequence: Steps,
    request: jobs.Request,
    details: dict[str, Any],
    settings: dict[str, float],
    on_progress: Callable[..., None],
) -> StoredRun:
    bench, holder = jobs.bench_and_holder(request)
    asked = Question(
        sequence=sequence,
        request=replace(request, sequence=sequence.name),
        part=load_part(request.part),
        bench=bench,
        holder=holder,
        details=details,
        settings=dict(settings),
    )
    return run_question(asked, on_progress).stored
