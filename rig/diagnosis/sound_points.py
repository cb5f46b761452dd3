"""Soundness of the sweep's points: missing, disturbed, blind to the motor's orders; and figures no coil can show.

It must never know why the axis went wrong (sound_axis.py does).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import angles, driven, error_lines, is_open, middle, result_of, turned
from rig.evaluation.turn import Turn
from rig.observed import Absent, Observed
from rig.resolver.grids import folded, grid_folding
from rig.result import Reason, Result

MISSING_SHARE = 0.02
LEAST_SHARED = 8  # positions of both passes; below, they were made on grids of their own


def point_reasons(inspection: Inspection, found: Turn, results: Sequence[Result]) -> list[Reason]:
    """Every reason that the points of a sweep give."""
    return [
        *_points(inspection, found, results),
        *_grid(inspection.observed, found, results),
        *_physics(inspection, results),
    ]


def _points(inspection: Inspection, found: Turn, results: Sequence[Result]) -> list[Reason]:
    reasons = []
    missing, largest = _gaps(found)
    if missing and not found.coarse:
        share = missing / (missing + _positions(found).size)
        wide = largest > 2.0 * math.pi / (8 * inspection.observed.part.pole_pairs)
        reasons.append(
            Reason(
                code="points-missing",
                text="Positions of the turn were not measured.",
                evidence=f"{missing} missing, largest gap {math.degrees(largest):.2f} deg mechanical",
                next="Sweep again; look in the journal for what interrupted it.",
                spoils=turned(results) if wide or share > MISSING_SHARE else (),
            )
        )
    return reasons + _disturbed(inspection, results)


def hand_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """A rotor turned by hand through too little of an electrical turn."""
    ratio = result_of(results, "tr_sin")
    if not inspection.evaluated.hand_series or ratio is None or ratio.estimate is not None:
        return []
    return [
        Reason(
            code="points-missing",
            text="The rotor moved during the record, but not through an electrical turn.",
            evidence=ratio.note,
            next="Hold it still for one record, or turn it through a whole turn.",
            spoils=turned(results),
        )
    ]


def _positions(found: Turn) -> NDArray[np.float64]:
    """Steps within one turn of the positions that count: those of both passes where two were made, as the error curve
    takes them."""
    within = np.mod(found.steps, round(2.0 * math.pi / _rad_per_step(found)))
    ccw, cw = (within[found.inside & (found.counter_clockwise == way)] for way in (True, False))
    steps: NDArray[np.float64] = np.intersect1d(ccw, cw)
    return steps if steps.size >= LEAST_SHARED else np.unique(within[found.inside])


def _gaps(found: Turn) -> tuple[int, float]:
    """(positions missing, largest gap in mechanical rad) of the grid that the steps lie on."""
    steps = _positions(found)
    if steps.size < 4:
        return 0, 0.0
    apart = np.diff(steps)
    grid = middle(apart.tolist())
    missing = int(np.sum(np.maximum(np.rint(apart / grid) - 1, 0)))
    turn_steps = 2.0 * math.pi / _rad_per_step(found)
    ends = turn_steps - (steps[-1] - steps[0])
    missing += max(0, round(ends / grid) - 1)
    return missing, float(max(apart.max(), ends)) * _rad_per_step(found)


def _rad_per_step(found: Turn) -> float:
    rank = np.argsort(found.steps[found.inside])
    steps, theta = found.steps[found.inside][rank], found.theta_mech_rad[found.inside][rank]
    return float((theta[-1] - theta[0]) / (steps[-1] - steps[0]))


def _disturbed(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    told, bad, total = [], 0, 0
    for name in inspection.evaluated.swept_series:
        quality = inspection.quality(name)
        if quality is None:
            continue
        records = {i for c in ("sin", "cos") for i in quality[c].disturbed_records}
        total += len(inspection.observed.capture_readings(name)) or 1
        bad += len(records)
        if records:
            told.append(f"{name}: {len(records)} (first {min(records)})")
    if not told or is_open(inspection.evaluated, "sin") or is_open(inspection.evaluated, "cos"):
        return []
    return [
        Reason(
            code="point-disturbed",
            text="Some captures hold more than the carrier: a knock, a spark or a loose contact.",
            evidence=", ".join(told),
            next="Sweep again with hands off; if the same positions return, look at the coil's leads.",
            spoils=turned(results) if bad > MISSING_SHARE * total else (),
        )
    ]


def _grid(obs: Observed, found: Turn, results: Sequence[Result]) -> list[Reason]:
    axis = obs.bench.axis
    points = _positions(found).size
    if axis is None or obs.lacks(Absent.POSITIONER) or found.coarse or found.reference == "encoder" or points < 24:
        return []
    blind = {
        n: fault
        for n, (_, fault) in grid_folding(points, obs.part.pole_pairs, obs.part.teeth, axis.cyclic_orders).items()
        if fault
    }
    if not blind:
        return []
    told = ", ".join(f"order {n} of the motor shows as {folded(n, points)} ({fault})" for n, fault in blind.items())
    return [
        Reason(
            code="grid-blind",
            text="The grid hides the motor's own error in the part's orders.",
            evidence=f"{points} points a turn: {told}",
            next="Sweep 320, 400 or 640 points of a 3200-step axis, or fit an encoder.",
            spoils=error_lines(results),
        )
    ]


def _physics(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """What no coil can show: less AC than DC resistance, a negative inductance, more coupling than there is."""
    told = []
    for name in ("exc", "sin", "cos"):
        ac, dc = inspection.evaluated.impedance(name), inspection.evaluated.resistance(name)
        if ac is None or dc is None or dc.ohm is None:
            continue
        if ac.z_ohm.real < 0.93 * dc.ohm:
            told.append(f"{name} coil: {ac.z_ohm.real:.2f} ohm in phase at AC, {dc.ohm:.2f} ohm at DC")
        if ac.z_ohm.imag < 0:
            told.append(f"{name} coil: inductance below zero")
    if not told:
        return []
    return [
        Reason(
            code="physics-violated",
            text="The figures contradict each other: no coil behaves so.",
            evidence="; ".join(told),
            next="Check shunt, divider, channel map and polarity of the current channel.",
            spoils=tuple(dict.fromkeys((*driven(results), *angles(results)))),
        )
    ]
