"""What a recording lacks and what that leaves of its results: the scatter of the data, and what is not known.

It must never invent an influence. A budget line rests on the bench file of the recorder or of the positioner, or on
neither; lines that rest on an absent file are taken out, and the result names the file. Without a recorder's file U is
the scatter of the data alone: what else the method may add is said in the result's note and is no part of it. A file of
text adds the rounding of its last digit to every figure that its volts decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.evaluation.results import ARCMIN_PER_RAD, half_width, make_result
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.measurands import measurand
from rig.observed import Absent, Observed
from rig.result import Result
from rig.uncertainty.budget import BudgetLine

RESTS_ON: Mapping[Absent, tuple[str, ...]] = {
    Absent.RECORDER: (
        "channel gain",
        "channel phase",
        "crosstalk",
        "excitation divider",
        "level and channel gain",
        "loading",
        "phase of the divider",
        "sampler",
        "shunt",
    ),
    Absent.POSITIONER: ("axis", "backlash", "few positions", "index", "position"),
}
"""Absent file -> beginnings of the influences that only it can state."""
GROUPS: Mapping[Absent, tuple[str, ...]] = {
    Absent.RECORDER: ("excitation", "ratio", "null", "angle", "impedance", "position"),
    Absent.POSITIONER: ("ratio", "null", "angle"),
}
"""Absent file -> groups of measurands whose U needs it."""
EXACT = ("pole_pairs", "direction")
ROUNDING = "rounding of the file's"
LAST_DIGIT = f"{ROUNDING} last digit"


def apply_absent(
    observed: Observed, results: Sequence[Result], found: SeriesPhasors | None, ratio: float
) -> list[Result]:
    """The results of a recording with what stands behind them. found: the phasors of its excitation; ratio: the larger
    transformation ratio, to which the last digit is compared. A bench run's results come back as they are."""
    if not observed.absent:
        return list(results)
    return [_apply_one(observed, result, found, ratio) for result in results]


def _apply_one(observed: Observed, result: Result, found: SeriesPhasors | None, ratio: float) -> Result:
    if result.estimate is None or result.measurand in EXACT or result.manual:
        return result
    absent = [file for file in RESTS_ON if observed.lacks(file) and _group(result.measurand) in GROUPS[file]]
    beginnings = tuple(begin for file in absent for begin in RESTS_ON[file])
    lines = [line for line in result.budget if not (beginnings and line.influence.startswith(beginnings))]
    note = result.note
    if Absent.RECORDER in absent:
        note = "; ".join(part for part in (note, _beside(result, lines)) if part)
        lines = [line for line in lines if _of_data(line)]
    lines += _last_digit(observed, result, found, ratio)
    made = make_result(
        result.measurand, result.estimate, lines, result.conditions, qualifier=result.qualifier, note=note
    )
    return replace(made, unit=result.unit, lacks=tuple(file.value for file in absent))


def _of_data(line: BudgetLine) -> bool:
    """Whether the data alone state an influence: its scatter, or the digits that the file gives."""
    return line.kind == "A" or line.influence.startswith(ROUNDING)


def _beside(result: Result, lines: Sequence[BudgetLine]) -> str:
    """What the method may add beside the scatter, the largest alone; "" where that is nothing."""
    rest = [line for line in lines if not _of_data(line) and line.contribution > 0.0]
    if not rest:
        return ""
    most = max(rest, key=lambda line: line.contribution)
    unit = "" if result.unit in ("ratio", "") else f" {result.unit}"
    return f"beside the scatter, not in U: {most.influence}, u = {most.contribution:.2g}{unit}"


def _group(id_: str) -> str:
    return measurand(id_).group


def _last_digit(observed: Observed, result: Result, found: SeriesPhasors | None, ratio: float) -> list[BudgetLine]:
    """Half a unit of the last digit, rectangular, as far as the figure follows the volts."""
    if observed.digit_v <= 0.0 or found is None or result.measurand in ("f_exc_hz", "thd_exc"):
        return []
    level_v = float(abs(found.exc_v).mean())
    share = observed.digit_v / level_v
    of_output = share / max(ratio, 1e-6)
    id_, unit = result.measurand, result.unit
    if id_.startswith(("v_exc", "amplitude_")):
        width = observed.digit_v / (math.sqrt(2.0) if id_.startswith("v_exc") else 1.0)
    elif id_.startswith(("tr_sin", "tr_cos", "ratio_")):
        width = share
    elif id_.startswith("null_"):
        width = observed.digit_v / math.sqrt(2.0)
    elif unit == "deg":
        width = math.degrees(of_output)
    elif unit == "arcmin":
        width = ARCMIN_PER_RAD * of_output / (observed.part.pole_pairs if "_mech_" in id_ else 1)
    else:
        width = of_output
    return [half_width(LAST_DIGIT, width, unit)]
