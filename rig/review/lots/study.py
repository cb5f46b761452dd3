"""A gauge study from kept runs: units x clampings x repeats, line by line; what it says of tolerances and of U.

It must never judge. Runs belong to a study by their job, and name unit, clamping and repeat in their header's details.
The clamping component is what the part number's re-clamping scatter is (rig/evaluation/bench/reclamping.py): the
repeats of one clamping, and with them the measurement's own noise, are taken out. Method: statistics/gauge_study.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, median
from typing import Any

from rig.errors import UsageError
from rig.evaluation.bench.reclamping import Reproducibility, to_data
from rig.measurands import MEASURANDS
from rig.quantity import Limit
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judged
from rig.statistics.gauge_study import Component, Study, average_range, crossed_study, nested_study

KEY = "lot"  # of a header's details, as a lot's units
NESTED, CROSSED, RANGES = "nested", "crossed", "average-range"
METHODS = {NESTED: nested_study, CROSSED: crossed_study, RANGES: average_range}
Place = tuple[str, int, int]  # unit, clamping (or person, holder, day), repeat


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiedLine:
    """One line. values: unit -> clampings -> repeats, in its unit; tolerance: left after both guard bands, None without
    two limits or with nothing left; U: median of the single runs'."""

    measurand: str
    unit: str
    values: Mapping[str, Sequence[Sequence[float]]]
    study: Study
    limit: Limit | None
    U: float | None
    tolerance: float | None

    @property
    def share(self) -> float | None:
        """Six s of the measurement over the tolerance that is left; None where none is."""
        return None if self.tolerance is None else self.study.share_of_tolerance(self.tolerance)

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        study = self.study
        return {
            "measurand": self.measurand,
            "unit": self.unit,
            "method": study.method,
            "repeats": _component(study.repeats),
            "clampings": _component(study.between),
            "units": _component(study.units),
            "share_of_spread": study.share_of_spread(study.measurement),
            "share_of_variance": study.share_of_variance(study.measurement),
            "measurement": _component(study.measurement),
            "confidence": study.confidence,
            "categories": study.categories,
            "tolerance_after_guard_bands": self.tolerance,
            "share_of_tolerance": self.share,
            "interaction_F_p": study.interaction,
        }


def _component(one: Component) -> dict[str, Any]:
    return {"s": one.s, "interval": one.s_interval, "dof": one.dof}


@dataclass(frozen=True, slots=True, kw_only=True)
class Studied:
    """A whole study. missing: places that were not measured yet; lines: those that every run has."""

    name: str
    part: str
    runs: tuple[str, ...]
    missing: tuple[Place, ...]
    lines: tuple[StudiedLine, ...]
    is_simulated: bool

    def reclamping(self) -> dict[str, Any]:
        """The clamping components as the part number's re-clamping scatter, as it is kept between runs."""
        rows = [
            Reproducibility(
                measurand=line.measurand,
                unit=line.unit,
                mean=fmean(v for clampings in line.values.values() for repeats in clampings for v in repeats),
                s=line.study.between.s,
                n=max(2, math.floor(line.study.between.dof or 0.0) + 1),
                U=line.U,
            )
            for line in self.lines
        ]
        return to_data(self.part, rows)


def place_of(run: StoredRun) -> Place | None:
    """Where a run stands in its study; None for a run of none."""
    told = run.header.details.get(KEY) or {}
    if "repeat" not in told:
        return None
    return str(told["unit"]), int(told["clamping"]), int(told["repeat"])


def runs_by_place(store: Store, name: str) -> dict[Place, StoredRun]:
    """Place -> its newest judged run of a study."""
    made: dict[Place, StoredRun] = {}
    for row in reversed(store.list(job=name)):
        run = StoredRun(store.folder / row.run)
        place = place_of(run)
        if place is not None and run.judgement is not None and run.outcome != "incomplete":
            made[place] = run
    return made


def places_of(units: Sequence[str], clampings: int, repeats: int) -> list[Place]:
    """Every place of a study, in the order in which hands meet them. Raises UsageError for fewer than two of each."""
    if min(len(set(units)), clampings, repeats) < 2:
        raise UsageError(
            f"a study of {len(set(units))} units x {clampings} clampings x {repeats} repeats.",
            next_action="Take two of each at least; five units, three clampings and two repeats are usual.",
        )
    return [(u, c, r) for c in range(1, clampings + 1) for u in units for r in range(1, repeats + 1)]


def study_of(store: Store, name: str, method: str = NESTED, places: Sequence[Place] = ()) -> Studied:
    """Evaluate what is kept of a study. places: all that it should have; by default those that are there.

    Raises UsageError for no run, several part numbers, or a set that is not balanced.
    """
    runs = runs_by_place(store, name)
    parts = sorted({str(run.header.part.get("number", "")) for run in runs.values()})
    if len(parts) != 1:
        raise UsageError(
            f"study {name!r}: runs of {len(parts)} part numbers.",
            next_action="Begin it with `anglewright lot study NAME --part PART --units A,B,C,D,E`.",
        )
    here = dict.fromkeys(unit for unit, _, _ in runs)
    clampings = max(clamping for _, clamping, _ in runs)
    repeats = max(repeat for _, _, repeat in runs)
    every = places or places_of(tuple(here), clampings, repeats)
    missing = tuple(place for place in every if place not in runs)
    lines = () if missing else tuple(_lines(runs, tuple(here), clampings, repeats, method))
    return Studied(
        name=name,
        part=parts[0],
        runs=tuple(run.id for run in runs.values()),
        missing=missing,
        lines=lines,
        is_simulated=any(run.header.simulated for run in runs.values()),
    )


def _lines(
    runs: Mapping[Place, StoredRun], units: Sequence[str], clampings: int, repeats: int, method: str
) -> list[StudiedLine]:
    tables = {place: {line.measurand: line for line in _sound(run)} for place, run in runs.items()}
    made = []
    for id_ in next(iter(tables.values())):
        own = [table[id_] for table in tables.values() if id_ in table]
        if len(own) < len(tables):
            continue
        values = {
            unit: [[_figure(tables[unit, c, r][id_]) for r in range(1, repeats + 1)] for c in range(1, clampings + 1)]
            for unit in units
        }
        try:
            study = METHODS[method](list(values.values()))
        except ValueError as fault:
            raise UsageError(f"{id_}: {fault}.", next_action="Complete the study, or take another method.") from fault
        U = median(line.result.U or 0.0 for line in own if line.result is not None)
        limit = own[-1].limit
        rule = next(iter(runs.values())).header.decision
        guard = float(rule.get("r", 1.0)) * U if rule.get("rule") != "simple" else 0.0
        made.append(
            StudiedLine(
                measurand=id_,
                unit=MEASURANDS[id_].unit,
                values=values,
                study=study,
                limit=limit,
                U=U,
                tolerance=_left_aside(limit, guard, MEASURANDS[id_].nonnegative),
            )
        )
    return made


def _sound(run: StoredRun) -> list[Judged]:
    judgement = run.judgement
    return [
        line
        for line in (judgement.judged if judgement is not None else ())
        if line.result is not None
        and line.result.estimate is not None
        and line.result.u
        and not (line.result.qualifier or line.result.manual or line.spoiled)
        and line.measurand in MEASURANDS
        and MEASURANDS[line.measurand].about == "part"
    ]


def _figure(line: Judged) -> float:
    result = line.result
    return math.nan if result is None or result.estimate is None else result.estimate


def _left_aside(limit: Limit | None, guard: float, nonnegative: bool) -> float | None:
    """What is left of a tolerance after its guard bands; a lone upper limit is measured from zero."""
    if limit is None or limit.upper is None or (limit.lower is None and not nonnegative):
        return None
    width = limit.upper - (limit.lower or 0.0) - (2.0 if limit.lower is not None else 1.0) * guard
    return width if width > 0.0 else None
