"""Soundness of the sweep's points: missing, disturbed, blind to orders or pole pairs; and figures no coil can show.

It must never know why the axis went wrong (sound_axis.py does).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.angle.error import alike
from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import COIL_NAMES, middle, result_of
from rig.evaluation.inspection.thresholds import (
    AC_OVER_DC,
    DISTURBED_SHARE,
    FEWEST_FOR_GAPS,
    FEWEST_FOR_GRID,
    FEWEST_SHARED,
    GAP_PARTS,
    MISSING_POINTS_SHARE,
)
from rig.evaluation.turn.ratios import Turn
from rig.observed import Absent
from rig.resolver.turn.grids import fold_order, grid_folding
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.turning.axis import LOST, STANDING
from rig.soundness.turning.neighbours import displaced_records
from rig.soundness.turning.places import hidden_places, orders_left


def missing(inspection: Inspection) -> list[Evidence]:
    """Positions of the turn's grid that were not measured."""
    found = inspection.evaluated.turn
    if found is None:
        return _too_little_by_hand(inspection)
    if found.coarse:
        return []
    count, largest = _gaps(found)
    if not count:
        return []
    share = count / (count + _positions(found).size)
    wide = largest > 2.0 * math.pi / (GAP_PARTS * inspection.observed.part.pole_pairs)
    figures = f"{count} missing, largest gap {math.degrees(largest):.2f} deg mechanical"
    return [Evidence(figures=figures, harmless=not wide and share <= MISSING_POINTS_SHARE)]


def _too_little_by_hand(inspection: Inspection) -> list[Evidence]:
    """A rotor turned by hand through too little of an electrical turn."""
    ratio = result_of(inspection.evaluated.results, "tr_sin")
    if not inspection.evaluated.hand_series or ratio is None or ratio.estimate is not None:
        return []
    return [
        Evidence(
            figures=ratio.note,
            text="The rotor moved during the record, but not through an electrical turn.",
            next="Hold it still for one record, or turn it through a whole turn.",
        )
    ]


def _positions(found: Turn) -> NDArray[np.float64]:
    """Steps within one turn of the positions that count: those of both passes where two were made, as the error curve
    takes them."""
    within = np.mod(found.steps, round(2.0 * math.pi / _rad_per_step(found)))
    ccw, cw = (within[found.inside & (found.counter_clockwise == way)] for way in (True, False))
    steps: NDArray[np.float64] = np.intersect1d(ccw, cw)
    return steps if steps.size >= FEWEST_SHARED else np.unique(within[found.inside])


def _gaps(found: Turn) -> tuple[int, float]:
    """(positions missing, largest gap in mechanical rad) of the grid that the steps lie on."""
    steps = _positions(found)
    if steps.size < FEWEST_FOR_GAPS:
        return 0, 0.0
    apart = np.diff(steps)
    grid = middle(apart.tolist())
    count = int(np.sum(np.maximum(np.rint(apart / grid) - 1, 0)))
    turn_steps = 2.0 * math.pi / _rad_per_step(found)
    ends = turn_steps - (steps[-1] - steps[0])
    count += max(0, round(ends / grid) - 1)
    return count, float(max(apart.max(), ends)) * _rad_per_step(found)


def _rad_per_step(found: Turn) -> float:
    rank = np.argsort(found.steps[found.inside])
    steps, theta = found.steps[found.inside][rank], found.theta_mech_rad[found.inside][rank]
    return float((theta[-1] - theta[0]) / (steps[-1] - steps[0]))


def disturbed_captures(inspection: Inspection) -> list[Evidence]:
    """Captures with more than the carrier, or a signal that comes and goes while the coil's own figures are steady."""
    if loose := inspection.open_at_times:
        names = " and ".join(COIL_NAMES[one.coil] for one in loose)
        return [
            Evidence(
                figures="; ".join(f"{COIL_NAMES[one.coil]}: {one.sentence()}" for one in loose),
                case="comes and goes",
                text=f"The {names} signal comes and goes during the sweep; its resistance was steady.",
                next=f"anglewright run watch {loose[0].coil} --ac while lead and part are moved; then exchange the "
                "inputs.",
            )
        ]
    captures = not facts.an_output_open(inspection) and not facts.not_turned(inspection)
    return [*(_disturbed_captures(inspection) if captures else []), *displaced_records(inspection)]


def _disturbed_captures(inspection: Inspection) -> list[Evidence]:
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
    return [Evidence(figures=", ".join(told), harmless=bad <= DISTURBED_SHARE * total)] if told else []


def grid_blind(inspection: Inspection) -> list[Evidence]:
    """Positions that can't tell the pole pairs, show too little of a turn, or hide the motor's orders in the part's."""
    hidden = _pairs_alike(inspection) or hidden_places(inspection) or orders_left(inspection)
    return [*hidden, *_orders_folded(inspection)]


def _pairs_alike(inspection: Inspection) -> list[Evidence]:
    pairs, p = inspection.evaluated.pole_pairs, inspection.observed.part.pole_pairs
    counted = pairs is None or not pairs.ambiguous or inspection.evaluated.angle_curve is not None
    if counted or facts.no_angle(inspection) or pairs is None or p not in pairs.values():
        return []
    unsaid = inspection.observed.lacks(Absent.POLE_PAIRS)
    said = "nobody said the pole pairs" if unsaid else f"the part file says {p}"
    return [
        Evidence(
            figures=f"{alike(pairs)} explain them alike (score {pairs.score:.3f}); {said}",
            case="pole pairs",
            text="The positions measured can't tell the pole pairs or the direction.",
            next="Run the full test: its sweep of a whole turn tells them apart.",
        )
    ]


def _orders_folded(inspection: Inspection) -> list[Evidence]:
    obs, found = inspection.observed, inspection.evaluated.turn
    axis = obs.bench.axis
    unstated = axis is None or obs.lacks(Absent.POSITIONER)
    if axis is None or unstated or found is None or found.coarse or found.reference == "encoder":
        return []
    points = _positions(found).size
    if points < FEWEST_FOR_GRID:
        return []
    folding = grid_folding(points, obs.part.pole_pairs, obs.part.teeth, axis.cyclic_orders)
    blind = {n: fault for n, (_, fault) in folding.items() if fault}
    if not blind:
        return []
    told = ", ".join(f"order {n} of the motor shows as {fold_order(n, points)} ({fault})" for n, fault in blind.items())
    return [Evidence(figures=f"{points} points a turn: {told}")]


def physics(inspection: Inspection) -> list[Evidence]:
    """What no coil can show: less AC than DC resistance, a negative inductance."""
    if facts.not_turned(inspection):
        return []
    told = []
    for name in ("exc", "sin", "cos"):
        ac, dc = inspection.evaluated.impedance(name), inspection.evaluated.resistance(name)
        if ac is None or dc is None or dc.ohm is None:
            continue
        if ac.z_ohm.real < AC_OVER_DC * dc.ohm:
            told.append(f"{name} coil: {ac.z_ohm.real:.2f} ohm in phase at AC, {dc.ohm:.2f} ohm at DC")
        if ac.z_ohm.imag < 0:
            told.append(f"{name} coil: inductance below zero")
    return [Evidence(figures="; ".join(told))] if told else []


RULES = story(
    Rule(
        code="points-missing",
        looks_at="the grid of positions",
        check=missing,
        text="Positions of the turn were not measured.",
        next="Sweep again; look in the journal for what interrupted it.",
        spoils=scopes.turned,
        caused_by=LOST,
    ),
    Rule(
        code="grid-blind",
        looks_at="where the motor's orders and other pole pairs fold on the grid of positions",
        check=grid_blind,
        text="The grid hides the motor's own error in the part's orders.",
        next="Sweep 320, 400 or 640 points of a 3200-step axis, or fit an encoder.",
        spoils=scopes.by_case(scopes.error_lines, pole_pairs=scopes.angles, places=scopes.places),
        caused_by=("points-missing",),
    ),
    Rule(
        code="physics-violated",
        looks_at="impedances against DC resistances",
        check=physics,
        text="The figures contradict each other: no coil behaves so.",
        next="Check shunt, divider, channel map and polarity of the current channel.",
        spoils=scopes.driven_and_angles,
        caused_by=("channel-saturated", "channel-silent", "channel-gain", "leads-not-zeroed"),
        asks=("tr_sin", "tr_cos"),
    ),
    blocked_by=STANDING,
    unless=(facts.excitation_open, facts.comes_and_goes, facts.rotor_of_another_part),
)
DISTURBED = story(
    Rule(
        code="point-disturbed",
        looks_at="what single captures hold beside the carrier, and outputs that differ between the passes",
        check=disturbed_captures,
        text="Some captures hold more than the carrier: a knock, a spark or a loose contact.",
        next="Sweep again with hands off; if the same positions return, look at the coil's leads.",
        spoils=scopes.by_case(scopes.turned, displaced=scopes.error_lines),
        caused_by=(*LOST, "channel-saturated", "source-restarted", "interference"),
    ),
    blocked_by=STANDING,
    unless=(facts.excitation_open, facts.comes_and_goes_witnessed, facts.rotor_of_another_part),
)
