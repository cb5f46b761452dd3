"""Soundness of the turning: does the axis turn, count right, close the turn, and carry a rotor of the right kind?

It must never judge the angle error. Witnesses: the index found again, the closing point, an encoder. An index that is
found where it was expected clears the axis' count; whether the clamping or the rotor itself is loose, a mark tells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.inspection import facts
from rig.evaluation.inspection.index_witness import index_off, index_tolerance_steps, which_pass
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import is_open
from rig.evaluation.inspection.thresholds import (
    CLEAN_ELEC_ARCMIN,
    COUPLED,
    FEWEST_FOR_JUMP,
    JUMP_USUALS,
    LEAST_AMPLITUDE,
    LEAST_JUMP_ELEC_ARCMIN,
    POWER_OF_TWO,
    STILL_SHARE,
    SURE_SCALE,
    SURE_SCORE,
    WHOLE_PAIRS,
    WHOLE_U,
)
from rig.evaluation.turn.ratios import Turn
from rig.observed import Absent
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.turning.neighbours import step_that_stays
from rig.soundness.turning.no_turn import standing_outputs

# ---- outputs that don't move --------------------------------------------------------------------------------


def _alive(inspection: Inspection, found: Turn) -> list[tuple[float, float]]:
    """(largest ratio, movement) of each output whose coil is whole."""
    sides = (("sin", found.sine[found.inside]), ("cos", found.cosine[found.inside]))
    whole = [side for name, side in sides if not is_open(inspection.evaluated, name)]
    return [(float(np.max(np.abs(side))), float(np.std(side))) for side in whole]


def _largest(found: Turn) -> tuple[float, float]:
    return float(np.max(np.abs(found.sine[found.inside]))), float(np.max(np.abs(found.cosine[found.inside])))


def rotor_missing(inspection: Inspection) -> list[Evidence]:
    """Neither output carries anything."""
    found = inspection.evaluated.turn
    if found is None:
        return []
    alive, sizes = _alive(inspection, found), _largest(found)
    if not alive or any(size >= COUPLED for size, _ in alive) or inspection.uncoupled_order:
        return []
    impedance = inspection.evaluated.impedance("exc")
    coil = f", |Z| of the excitation coil {abs(impedance.z_ohm):.1f} ohm" if impedance else ""
    figures = f"largest ratios {sizes[0]:.4f} and {sizes[1]:.4f}; excitation present{coil}"
    return [Evidence(figures=figures, witness="DC resistances of the coils")]


def axis_not_turning(inspection: Inspection) -> list[Evidence]:
    """Outputs that carry a rotor and stand still."""
    found = inspection.evaluated.turn
    if found is None:
        return standing_outputs(inspection)
    alive, largest = _alive(inspection, found), max(_largest(found))
    if not alive or largest < COUPLED or any(moves >= STILL_SHARE * largest for _, moves in alive):
        return []
    still = 100 * max(moves / size for size, moves in alive)
    figures = f"the outputs stay within {still:.2f} % over the sweep"
    read = [r.number() for r in inspection.observed.select("encoder_angle") if r.value is not None]
    encoder = f"; the encoder moved by {max(read) - min(read):.0f} deg" if read else ""
    return [Evidence(figures=figures + encoder)]


# ---- counting steps -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _StepLoss:
    """An index that was found off: by how many microsteps, in which pass, how many times four full steps (0: none)."""

    off: float
    when: str
    cycles: int


def _lost(inspection: Inspection) -> _StepLoss | None:
    obs = inspection.observed
    worst, axis = index_off(obs), obs.bench.axis
    if worst is None or axis is None or abs(worst[0]) <= index_tolerance_steps(obs):
        return None
    cycle = 4 * axis.microsteps
    cycles = round(worst[0] / cycle)
    whole = cycles != 0 and abs(worst[0] - cycles * cycle) <= index_tolerance_steps(obs)
    return _StepLoss(off=worst[0], when=which_pass(obs, worst[1]), cycles=cycles if whole else 0)


def _index_figures(inspection: Inspection, lost: _StepLoss) -> str:
    axis, jump = inspection.observed.bench.axis, largest_jump(inspection)
    degrees = 360.0 * lost.off / axis.steps_per_turn if axis else math.nan
    figures = f"index found {lost.off:+.0f} microsteps ({degrees:+.2f} deg mechanical) from where it was expected"
    figures += f": {lost.cycles:+d} times four full steps" if lost.cycles else ""
    return figures + (f"; the curve jumps by {jump[1]:+.0f}' electrical at {jump[0]:.1f} deg" if jump else "")


def microstep_setting(inspection: Inspection) -> list[Evidence]:
    """A scale of 2, 4, 1/2 ...: by the index, or by a clean curve where the index was not sought again."""
    factor, found, curve = _scale(inspection), inspection.evaluated.turn, inspection.evaluated.angle_curve
    if factor is None or found is None or curve is None:
        return []
    lost = _lost(inspection)
    if lost is not None:
        figures = f"index {lost.off:+.0f} microsteps off"
        return [] if lost.cycles else [Evidence(figures=_times(factor, figures))]
    if facts.no_angle(inspection) or found.coarse or step_that_stays(inspection) is not None:
        return []
    if other_pairs_or_scale(inspection):
        told = _times(factor, "an axis that turns too far looks the same as other pole pairs")
        return [Evidence(figures=told, blocks=False)]
    clean = float(np.sqrt(np.mean(curve.mean**2))) < CLEAN_ELEC_ARCMIN
    if _amplitude(found) <= LEAST_AMPLITUDE or not (clean or not whole_turns(curve)):
        return []
    p, turns = inspection.observed.part.pole_pairs, abs(curve.found.per_turn)
    figures = f"{turns:.3f} electrical turns a commanded turn, {p} by the part file; the curve is clean"
    return [Evidence(figures=_times(factor, figures))]


def _times(factor: float, figures: str) -> str:
    return f"{factor:g} times the electrical turns that a mechanical turn of this part has; {figures}"


def whole_turns(curve: AngleCurve) -> bool:
    """Whether the electrical turns of a mechanical turn are a whole number, within their own uncertainty."""
    apart = abs(abs(curve.found.per_turn) - round(abs(curve.found.per_turn)))
    return apart <= max(WHOLE_PAIRS, WHOLE_U * curve.u_per_turn)


def other_pairs_or_scale(inspection: Inspection) -> bool:
    """Without an index, a whole scale of 2, 4, 1/2 ... can't be told from other pole pairs."""
    curve, obs = inspection.evaluated.angle_curve, inspection.observed
    if curve is None or not obs.lacks(Absent.INDEX) or _scale(inspection) is None:
        return False
    return whole_turns(curve) and curve.found.value != obs.part.pole_pairs


def _scale(inspection: Inspection) -> float | None:
    """Electrical turns a commanded turn over the part's pole pairs, when that is 2, 4, 1/2 ...; else None."""
    curve = inspection.evaluated.angle_curve
    ratio = 0.0 if curve is None else abs(curve.found.per_turn) / inspection.observed.part.pole_pairs
    if curve is None or ratio <= 0 or inspection.observed.lacks(Absent.POLE_PAIRS):
        return None
    power = math.log2(ratio)
    near = round(power)
    sure = curve.found.score > SURE_SCORE or curve.u_per_turn < SURE_SCALE * ratio
    return 2.0**near if near != 0 and abs(power - near) < POWER_OF_TWO and sure else None


def _amplitude(found: Turn) -> float:
    u, _, v, _ = found.envelopes()
    return float(np.sqrt(np.mean(u[found.inside] ** 2 + v[found.inside] ** 2)))


def steps_lost(inspection: Inspection) -> list[Evidence]:
    """An index that is off by whole electrical cycles of the motor: four full steps; without one, a step that stays."""
    lost, step = _lost(inspection), step_that_stays(inspection)
    if lost is None and step is not None and step[1]:
        return [step[0]]
    if lost is None or not lost.cycles:
        return []
    figures = _index_figures(inspection, lost)
    return [Evidence(figures=figures, name=lost.when, witness="the index mark")]


def axis_slip(inspection: Inspection) -> list[Evidence]:
    """An index that is off by anything else; without one, a step that stays."""
    lost, step = _lost(inspection), step_that_stays(inspection)
    if lost is None and step is not None and not step[1]:
        return [step[0]]
    if lost is None or lost.cycles:
        return []
    figures = _index_figures(inspection, lost)
    return [Evidence(figures=figures, name=lost.when, witness="the index mark")]


def largest_jump(inspection: Inspection) -> tuple[float, float] | None:
    """(mechanical deg, step in electrical arcmin) of the largest step between neighbours of one pass; None: none."""
    curve = inspection.evaluated.angle_curve
    if curve is None:
        return None
    best: tuple[float, float] | None = None
    for side in (curve.ccw, curve.cw):
        if not np.all(np.isfinite(side)) or side.size < FEWEST_FOR_JUMP:
            continue
        steps = np.diff(side)
        at = int(np.argmax(np.abs(steps)))
        usual = float(np.median(np.abs(steps)))
        larger = best is None or abs(steps[at]) > abs(best[1])
        if larger and abs(steps[at]) > max(JUMP_USUALS * usual, LEAST_JUMP_ELEC_ARCMIN):
            best = (math.degrees(float(curve.theta_mech_rad[at])), float(steps[at]))
    return best


STANDING = ("rotor-missing", "axis-not-turning")
LOST = ("microstep-setting", "steps-lost", "axis-slip")
TIGHTEN = "Lower acceleration or free the shaft; tighten the coupling; then sweep again."
STANDING_RULES = story(
    Rule(
        code="rotor-missing",
        looks_at="the largest ratios of both outputs",
        check=rotor_missing,
        text="Neither output sees a rotor.",
        next="Fit the rotor (or say that there is none), check that it sits inside the stack.",
        spoils=scopes.turned_and_driven,
    ),
    Rule(
        code="axis-not-turning",
        looks_at="the movement of both outputs",
        check=axis_not_turning,
        text="The rotor does not turn though the axis was told to.",
        next="Check coupling, motor current and the axis' enable; turn it by hand to see the rotor follow.",
        spoils=scopes.impedance_and_turned,
        blocked_by=("rotor-missing",),
    ),
    unless=(facts.excitation_open, facts.comes_and_goes, facts.rotor_of_another_part),
)
RULES = story(
    Rule(
        code="microstep-setting",
        looks_at="electrical turns a commanded turn against the part's pole pairs",
        check=microstep_setting,
        text="The axis turns a power of two further or less than it is told.",
        next="Set the motor driver's microsteps and the bench file to the same value.",
        spoils=scopes.turned,
        blocked_by=STANDING,
    ),
    Rule(
        code="steps-lost",
        looks_at="the index sought again, in whole cycles of the motor",
        check=steps_lost,
        text="The motor lost steps {name}.",
        next=TIGHTEN,
        spoils=scopes.by_case(scopes.turned, step=scopes.error_lines),
        blocked_by=(*STANDING, "microstep-setting"),
    ),
    Rule(
        code="axis-slip",
        looks_at="the index sought again",
        check=axis_slip,
        text="The axis slipped {name}.",
        next=TIGHTEN,
        spoils=scopes.by_case(scopes.turned, step=scopes.error_lines),
        blocked_by=(*STANDING, "microstep-setting"),
    ),
    unless=(facts.not_turned, facts.excitation_open, facts.comes_and_goes, facts.rotor_of_another_part),
)
