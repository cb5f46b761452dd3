"""How well a result comes back when the part is clamped anew: from several runs of one part, for later single runs.

It must never judge: a verdict is for the clamping it was made in. What it adds is printed beside: the scatter s of a
result over n clampings, with n - 1 degrees of freedom, and U with that scatter included, which comparisons between
runs, parts and learned limits use. Source: GUM H.5 (group means carry whatever varies between groups).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.errors import UsageError
from rig.evaluation.results import by_scatter, standard
from rig.measurands import measurand
from rig.observed import Observed
from rig.result import Result
from rig.uncertainty.budget import combine
from rig.uncertainty.coverage import type_a

KEY = "reclamping"  # in the header's calibration
SCHEMA = "anglewright reclamping 1"
FEW_POLE_PAIRS = 3
ANGLE_ERRORS = ("error_max", "error_span", "error_rms")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproducibility:
    """One measurand over n clampings: mean and s in its unit; U: median of the single runs', None where none stands."""

    measurand: str
    unit: str
    mean: float
    s: float
    n: int
    U: float | None

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return {name: getattr(self, name) for name in self.__slots__}


def reproducibility(runs: Sequence[Sequence[Result]]) -> list[Reproducibility]:
    """The results of n >= 2 clampings of one part, compared line by line; lines that not all of them have are left out.

    Raises UsageError for fewer than two runs.
    """
    if len(runs) < 2:
        raise UsageError("Re-clamping shows in two runs at least.", next_action="Clamp the part again and repeat.")
    tables = [
        {r.measurand: r for r in run if r.estimate is not None and not r.qualifier and not r.manual} for run in runs
    ]
    found = []
    for id_, first in tables[0].items():
        results = [table[id_] for table in tables if id_ in table]
        if len(results) < len(runs) or measurand(id_).about != "part" or not first.u:
            continue
        mean, u_mean, _ = type_a([r.estimate for r in results if r.estimate is not None])
        expanded = sorted(r.U for r in results if r.U is not None)
        found.append(
            Reproducibility(
                measurand=id_,
                unit=first.unit,
                mean=mean,
                s=u_mean * math.sqrt(len(results)),
                n=len(results),
                U=expanded[len(expanded) // 2] if expanded else None,
            )
        )
    return found


def to_data(part: str, rows: Sequence[Reproducibility]) -> dict[str, Any]:
    """As it is kept between runs, for parts of this number."""
    return {"schema": SCHEMA, "part": part, "lines": [row.to_dict() for row in rows]}


def with_reclamping(obs: Observed, results: Sequence[Result]) -> list[Result]:
    """The same results; those whose re-clamping scatter is known of this part number carry it in their conditions:
    reclamping_s, reclamping_n and U_reclamped (the single clamping's U with the scatter included)."""
    known = _lines(obs)
    return [_beside(result, known.get(result.measurand)) for result in results]


def judged_uncertainty(result: Result, pole_pairs: int) -> tuple[float | None, str]:
    """(U that a limit of this line is judged with, a note on it).

    With three pole pairs or fewer the seat alone makes the angle's error anew at each clamping (12' electrical at two
    pole pairs, 20 um of offset and 14 um of seat): there a limit of the angle is a limit of every clamping, and the
    scatter over clampings belongs inside U. The U of this clamping stays beside it.
    """
    if pole_pairs > FEW_POLE_PAIRS or not result.measurand.startswith(ANGLE_ERRORS) or result.U is None:
        return result.U, ""
    wide, n = result.conditions.get("U_reclamped"), result.conditions.get("reclamping_n")
    if not isinstance(wide, float):
        return result.U, (
            f"judged for this clamping only: with {pole_pairs} pole pairs the seat makes the error anew, and how this "
            "part number comes back is not known (`run remount` measures it)"
        )
    own = f"U of this clamping {result.U:.3g} {result.unit}"
    return wide, f"judged with U = {wide:.3g} {result.unit}, its scatter over {n} clampings inside; {own}"


def _lines(obs: Observed) -> Mapping[str, Mapping[str, Any]]:
    kept = (obs.header.get("calibration") or {}).get(KEY)
    data = kept.get("data", kept) if isinstance(kept, Mapping) else {}
    if data.get("schema") != SCHEMA or data.get("part") != obs.part.number:
        return {}
    return {str(line["measurand"]): line for line in data["lines"]}


def _beside(result: Result, line: Mapping[str, Any] | None) -> Result:
    if line is None or result.estimate is None or result.u is None or result.qualifier:
        return result
    s, n = float(line["s"]), int(line["n"])
    own = replace(standard("single clamping", result.u, result.unit), dof=result.dof or math.inf)
    both = combine([own, by_scatter("re-clamping", s, result.unit, n - 1.0)])
    beside = {"reclamping_s": s, "reclamping_n": n, "U_reclamped": both.U}
    return replace(result, conditions={**result.conditions, **beside})
