"""Records of a turn against their neighbours: out of place, out of order, or after a step that stays.

It must never judge the part; rows of sound_records, sound_points and sound_axis give the reasons. Each record is
compared with its neighbours in angle and in time: a step that stays is the axis', one that goes back is the record's.
A jump of the angle is known modulo an electrical turn only. An index that was sought again stands above what a step
looks like (rig/soundness/turning/axis.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.thresholds import (
    GOES_BACK,
    JUMP_ELEC_RAD,
    LEAST_RECORDS,
    LEAST_STEPS,
    NEIGHBOURS_MECH_RAD,
    STEP_FIT,
    SWAPPED_SCATTERS,
    USUAL_FACTOR,
)
from rig.evaluation.results import ARCMIN_PER_RAD
from rig.evaluation.turn.ratios import Turn
from rig.resolver.turn.angle import electrical_angle, wrap
from rig.resolver.turn.error_curve import deviation
from rig.soundness.rule import Evidence

Floats = NDArray[np.float64]
FULL_STEPS = 4  # of a motor: one turn of its field, by which steps are lost
USUAL_FULL_STEPS = 200  # a turn, where the bench file does not say


@dataclass(frozen=True, slots=True, kw_only=True)
class PassPoints:
    """One pass in the order taken: position, deviation from it (electrical rad), and what each record is called."""

    theta_mech_rad: Floats
    away_elec_rad: Floats
    labels: tuple[str, ...]
    pole_pairs: int
    direction: int


def passes_of(inspection: Inspection, found: Turn, curve: AngleCurve) -> list[PassPoints]:
    """The passes of a turn, closing points left out."""
    u, _, v, _ = found.envelopes()
    pairs = curve.found
    away, _ = deviation(electrical_angle(u, v), found.theta_mech_rad, pairs.value, pairs.direction)
    names = _labels(inspection, found)
    passes = []
    for way in (True, False):
        at = np.flatnonzero(found.inside & (found.counter_clockwise == way))
        if at.size:
            passes.append(
                PassPoints(
                    theta_mech_rad=found.theta_mech_rad[at],
                    away_elec_rad=away[at],
                    labels=tuple(names[i] for i in at),
                    pole_pairs=pairs.value,
                    direction=pairs.direction,
                )
            )
    return passes


def _labels(inspection: Inspection, found: Turn) -> list[str]:
    names = []
    for series in found.series:
        phasors = inspection.evaluated.phasors(series)
        if phasors is not None:
            names += [str(c.get("record", f"{series}/{i}")) for i, c in enumerate(phasors.conditions)]
    return names if len(names) == found.steps.size else [str(i) for i in range(found.steps.size)]


def outliers(one: PassPoints) -> list[int]:
    """Records whose deviation leaves the line between their neighbours in order of angle, beyond all scatter."""
    rank = np.argsort(one.theta_mech_rad, kind="stable")
    away = one.away_elec_rad[rank]
    if away.size < LEAST_RECORDS:
        return []
    before, after = np.roll(away, 1), np.roll(away, -1)
    off = wrap(away - before - 0.5 * wrap(after - before))
    least = max(USUAL_FACTOR * float(np.median(np.abs(off))), JUMP_ELEC_RAD)
    apart = np.abs(wrap(after - before))
    odd = np.flatnonzero((np.abs(off) > least) & (apart < GOES_BACK * np.abs(off)))
    return [int(rank[i]) for i in odd if abs(off[i]) >= 0.99 * max(abs(off[i - 1]), abs(off[(i + 1) % off.size]))]


def _read(inspection: Inspection) -> list[PassPoints]:
    """The passes of a turn that single records can be read from; none where something else comes first."""
    found, curve = inspection.evaluated.turn, inspection.evaluated.angle_curve
    unasked = (facts.excitation_open, facts.comes_and_goes, facts.no_angle, facts.rotor_of_another_part)
    if found is None or curve is None or any(fact(inspection) for fact in unasked):
        return []
    return passes_of(inspection, found, curve)


def swapped_records(inspection: Inspection) -> list[Evidence]:
    """Two records that fit each other's position."""
    for one in _read(inspection):
        odd = outliers(one)
        if len(odd) == 2 and _are_swapped(one, odd[0], odd[1]):
            return [
                Evidence(
                    figures=f"records {one.labels[odd[0]]} and {one.labels[odd[1]]} fit each other's position",
                    case="swapped",
                    text="Two records have changed places.",
                    next="Sort them, or record again.",
                )
            ]
    return []


def displaced_records(inspection: Inspection) -> list[Evidence]:
    """Single points that stand out of the curve."""
    for one in _read(inspection):
        odd = outliers(one)
        if not odd or (len(odd) == 2 and _are_swapped(one, odd[0], odd[1])):
            continue
        worst = max(odd, key=lambda i: abs(one.away_elec_rad[i]))
        return [
            Evidence(
                figures=f"{len(odd)} points, the worst in record {one.labels[worst]} by "
                f"{one.away_elec_rad[worst] * ARCMIN_PER_RAD:+.0f}' electrical",
                case="displaced",
                text="Single points stand out of the curve.",
                next="Record these positions again.",
            )
        ]
    return []


def _are_swapped(one: PassPoints, i: int, j: int) -> bool:
    apart = one.direction * one.pole_pairs * (one.theta_mech_rad[j] - one.theta_mech_rad[i])
    others = np.delete(one.away_elec_rad, [i, j])
    middle, scatter = float(np.median(others)), float(np.std(others))
    off = [float(wrap(np.array([one.away_elec_rad[k] - sign * apart - middle]))[0]) for k, sign in ((i, 1), (j, -1))]
    return max(abs(x) for x in off) < max(SWAPPED_SCATTERS * scatter, JUMP_ELEC_RAD)


def step_that_stays(inspection: Inspection) -> tuple[Evidence, int] | None:
    """A step of the deviation that stays, in the order taken, with how many times four full steps it is (0: none).

    An index that was sought again stands above what a step looks like.
    """
    if inspection.observed.select("index_found", phase="again"):
        return None
    return next((step for one in _read(inspection) if (step := _step(inspection, one)) is not None), None)


def _step(inspection: Inspection, one: PassPoints) -> tuple[Evidence, int] | None:
    keep = np.setdiff1d(np.arange(one.away_elec_rad.size), outliers(one))
    away, theta = one.away_elec_rad[keep], one.theta_mech_rad[keep]
    if away.size < LEAST_STEPS:
        return None
    steps = wrap(np.diff(away))
    usual = float(np.median(np.abs(steps - np.median(steps))))
    at = int(np.argmax(np.abs(steps)))
    small = abs(steps[at]) < max(USUAL_FACTOR * usual, JUMP_ELEC_RAD)
    if small or abs(theta[at + 1] - theta[at]) > NEIGHBOURS_MECH_RAD:
        return None
    mech_deg = math.degrees(float(steps[at])) / one.pole_pairs
    whole = _whole_steps(inspection, mech_deg, 360.0 / one.pole_pairs)
    figures = f"the angle steps by {mech_deg:+.2f} deg mechanical at record {one.labels[int(keep[at + 1])]} "
    figures += "and stays there" + (f": {whole:+d} times four full steps of the motor" if whole else "")
    return Evidence(figures=figures, name="during the sweep", case="step"), whole


def _whole_steps(inspection: Inspection, mech_deg: float, cycle_deg: float) -> int:
    """How many turns of the motor's field a jump is, modulo an electrical turn; 0 where it is none."""
    axis = inspection.observed.bench.axis
    field_deg = 360.0 * FULL_STEPS / (axis.full_steps if axis else USUAL_FULL_STEPS)
    fits = [
        k
        for k in (-3, -2, -1, 1, 2, 3)
        if abs(math.remainder(mech_deg - k * field_deg, cycle_deg)) < STEP_FIT * field_deg
    ]
    return min(fits, key=abs, default=0)
