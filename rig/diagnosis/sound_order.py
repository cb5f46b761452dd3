"""Records of a turn against their neighbours: out of place, out of order, or after a step that stays.

It must never judge the part. Each record is compared with its neighbours in angle and in time: a step that stays is the
axis', one that goes back is the record's. A jump of the angle is known modulo an electrical turn only. An index that
was sought again stands above what a step looks like (rig/diagnosis/sound_axis.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import error_lines
from rig.evaluation.angle_curve import AngleCurve
from rig.evaluation.stating import ARCMIN_PER_RAD
from rig.evaluation.turn import Turn
from rig.resolver.angle import electrical_angle, wrap
from rig.resolver.error_curve import deviation
from rig.result import Reason, Result

Floats = NDArray[np.float64]
FULL_STEPS = 4  # of a motor: one turn of its field, by which steps are lost
USUAL_FULL_STEPS = 200  # a turn, where the bench file does not say
JUMP_ELEC_RAD = math.radians(1.0)
USUAL_FACTOR = 12.0  # times the usual step between neighbours
STEP_FIT = 0.05  # of four full steps, within which a jump is whole
NEIGHBOURS_MECH_RAD = 1.0  # records further apart are no neighbours
LEAST_RECORDS, LEAST_STEPS = 8, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One pass in the order taken: position, deviation from it (electrical rad), and what each record is called."""

    theta_mech_rad: Floats
    away_elec_rad: Floats
    labels: tuple[str, ...]
    pole_pairs: int
    direction: int


def order_reasons(inspection: Inspection, found: Turn, curve: AngleCurve, results: Sequence[Result]) -> list[Reason]:
    """Every reason that single records and steps give."""
    reasons: list[Reason] = []
    for one in passes_of(inspection, found, curve):
        more = [*_displaced(one, results), *_jumps(inspection, one, results)]
        reasons += [r for r in more if r.code not in {known.code for known in reasons}]
    return reasons


def passes_of(inspection: Inspection, found: Turn, curve: AngleCurve) -> list[Pass]:
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
                Pass(
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


def outliers(one: Pass) -> list[int]:
    """Records whose deviation leaves the line between their neighbours in order of angle, beyond all scatter."""
    rank = np.argsort(one.theta_mech_rad, kind="stable")
    away = one.away_elec_rad[rank]
    if away.size < LEAST_RECORDS:
        return []
    before, after = np.roll(away, 1), np.roll(away, -1)
    off = wrap(away - before - 0.5 * wrap(after - before))
    least = max(USUAL_FACTOR * float(np.median(np.abs(off))), JUMP_ELEC_RAD)
    apart = np.abs(wrap(after - before))
    odd = np.flatnonzero((np.abs(off) > least) & (apart < 0.5 * np.abs(off)))
    return [int(rank[i]) for i in odd if abs(off[i]) >= 0.99 * max(abs(off[i - 1]), abs(off[(i + 1) % off.size]))]


def _displaced(one: Pass, results: Sequence[Result]) -> list[Reason]:
    odd = outliers(one)
    if not odd:
        return []
    if len(odd) == 2 and _swapped(one, odd[0], odd[1]):
        return [
            Reason(
                code="record-out-of-order",
                text="Two records have changed places.",
                evidence=f"records {one.labels[odd[0]]} and {one.labels[odd[1]]} fit each other's position",
                next="Sort them, or record again.",
                spoils=error_lines(results),
            )
        ]
    worst = max(odd, key=lambda i: abs(one.away_elec_rad[i]))
    return [
        Reason(
            code="point-disturbed",
            text="Single points stand out of the curve.",
            evidence=f"{len(odd)} points, the worst in record {one.labels[worst]} by "
            f"{one.away_elec_rad[worst] * ARCMIN_PER_RAD:+.0f}' electrical",
            next="Record these positions again.",
            spoils=error_lines(results),
        )
    ]


def _swapped(one: Pass, i: int, j: int) -> bool:
    apart = one.direction * one.pole_pairs * (one.theta_mech_rad[j] - one.theta_mech_rad[i])
    others = np.delete(one.away_elec_rad, [i, j])
    middle, scatter = float(np.median(others)), float(np.std(others))
    off = [float(wrap(np.array([one.away_elec_rad[k] - sign * apart - middle]))[0]) for k, sign in ((i, 1), (j, -1))]
    return max(abs(x) for x in off) < max(5 * scatter, JUMP_ELEC_RAD)


def _jumps(inspection: Inspection, one: Pass, results: Sequence[Result]) -> list[Reason]:
    """A step of the deviation that stays, in the order taken: lost motor steps, or a slip."""
    if inspection.observed.select("index_found", phase="again"):
        return []
    keep = np.setdiff1d(np.arange(one.away_elec_rad.size), outliers(one))
    away, theta = one.away_elec_rad[keep], one.theta_mech_rad[keep]
    if away.size < LEAST_STEPS:
        return []
    steps = wrap(np.diff(away))
    usual = float(np.median(np.abs(steps - np.median(steps))))
    at = int(np.argmax(np.abs(steps)))
    small = abs(steps[at]) < max(USUAL_FACTOR * usual, JUMP_ELEC_RAD)
    if small or abs(theta[at + 1] - theta[at]) > NEIGHBOURS_MECH_RAD:
        return []
    mech_deg = math.degrees(float(steps[at])) / one.pole_pairs
    whole = _whole_steps(inspection, mech_deg, 360.0 / one.pole_pairs)
    return [
        Reason(
            code="steps-lost" if whole else "axis-slip",
            text="The motor lost steps during the sweep." if whole else "Axis or rotor slipped during the sweep.",
            evidence=f"the angle steps by {mech_deg:+.2f} deg mechanical at record {one.labels[int(keep[at + 1])]} "
            "and stays there" + (f": {whole:+d} times four full steps of the motor" if whole else ""),
            next="Lower the acceleration or free the shaft, tighten the coupling; then sweep again.",
            spoils=error_lines(results),
        )
    ]


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
