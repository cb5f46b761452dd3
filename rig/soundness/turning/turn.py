"""Soundness of a whole turn: pole pairs that are whole and the part's, a turn that closes, passes that agree.

It must never judge the angle error. A slip is nobody's until a mark across rotor and spindle tells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.error import alike
from rig.evaluation.inspection import facts
from rig.evaluation.inspection.index_witness import loose_rotor
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import value
from rig.evaluation.inspection.rotor_mark import stays_through_reclamping
from rig.evaluation.inspection.thresholds import (
    CLOSING_NOISES,
    CLOSURE_MECH_ARCMIN,
    HYSTERESIS_FACTOR,
    LEAST_HYSTERESIS_MECH_ARCMIN,
    LEAST_SCORE,
    WHOLE_PAIRS,
)
from rig.observed import Absent
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story
from rig.soundness.turning.axis import LOST, STANDING, other_pairs_or_scale, whole_turns


@dataclass(frozen=True, slots=True, kw_only=True)
class _Count:
    """closure: mechanical arcmin, NaN unseen; whole: the pole pairs are a sure whole number; sure: points agree."""

    curve: AngleCurve
    closure: float
    whole: bool
    sure: bool


def _count(inspection: Inspection) -> _Count | None:
    found, curve = inspection.evaluated.turn, inspection.evaluated.angle_curve
    if found is None or curve is None or found.coarse:
        return None
    pairs = curve.found
    worst = max((abs(gap) for gap in curve.closures_elec_arcmin.values()), default=math.nan)
    closure = worst / max(pairs.value, 1)
    closed = closure <= _closing_mech_arcmin(curve) if math.isfinite(closure) else whole_turns(curve)
    sure = pairs.score > LEAST_SCORE
    return _Count(curve=curve, closure=closure, whole=sure and closed, sure=sure)


def _closing_mech_arcmin(curve: AngleCurve) -> float:
    """How far a turn may stay open: the limit, or what the noise of two points explains."""
    bend = np.diff(curve.mean, 2)
    point = float(np.median(np.abs(bend))) / 0.6745 / math.sqrt(6.0) if bend.size else 0.0
    return max(CLOSURE_MECH_ARCMIN, CLOSING_NOISES * math.sqrt(2.0) * point / max(curve.found.value, 1))


def pole_pairs_mismatch(inspection: Inspection) -> list[Evidence]:
    """Other pole pairs than the part file's: counted, or surely not among those that the positions allow."""
    p, pairs, count = inspection.observed.part.pole_pairs, inspection.evaluated.pole_pairs, _count(inspection)
    said = f"{p} as stated for this recording" if inspection.observed.lacks(Absent.PART) else f"{p} by the part file"
    if inspection.evaluated.angle_curve is None and pairs is not None and pairs.ambiguous:
        if p in pairs.values():
            return []
        figures = f"{alike(pairs)} measured (score {pairs.score:.3f}), {said}"
        return [Evidence(figures=figures, case="not counted")]
    either = other_pairs_or_scale(inspection)
    if count is None or not (count.whole or either) or count.curve.found.value == p:
        return []
    found = count.curve.found
    figures = f"{found.value} measured (score {found.score:.3f}), {said}"
    return [Evidence(figures=figures, case="or scale" if either else "")]


def rotor_slip(inspection: Inspection) -> list[Evidence]:
    """A turn that does not close by both passes, the repeated ones where the first did not. Never the part's failure:
    who slips, a mark across rotor and spindle tells."""
    slip, first = inspection.evaluated.slip, inspection.evaluated.first_slip
    if slip is None or not slip.is_slip or _count(inspection) is None or other_pairs_or_scale(inspection):
        return []
    figures = [slip.figures()]
    if first is not None:
        figures.append(f"in the first passes, before both were repeated, {first.figures()}")
    if cleared := loose_rotor(inspection.observed):
        figures.append(f"the axis kept its count: {cleared}")
    on_part = stays_through_reclamping(inspection.observed)
    if on_part:
        figures.append("through a re-clamping, with the mark across rotor and spindle unmoved")
    another = "Look for a rotor that moves on its hub and a stator that moves in its holder; fit another unit."
    return [Evidence(figures="; ".join(figures), on_part=on_part, next=another if on_part else "")]


def turn_not_closed(inspection: Inspection) -> list[Evidence]:
    """Whole pole pairs and another reading after the turn."""
    count = _count(inspection)
    if count is None or count.whole or not count.sure or not _near_whole(count):
        return []
    expected = f"at most {CLOSURE_MECH_ARCMIN:g}' was expected; no index to tell why"
    return [Evidence(figures=f"{count.closure:.1f}' mechanical; {expected}")]


def pole_pairs_not_whole(inspection: Inspection) -> list[Evidence]:
    """Electrical turns that are no whole number."""
    count = _count(inspection)
    if count is None or count.whole or (count.sure and _near_whole(count)):
        return []
    pairs = count.curve.found
    figures = f"{pairs.per_turn:+.3f} a turn (score {pairs.score:.3f}); the turn closes within {count.closure:.1f}'"
    return [Evidence(figures=figures)]


def _near_whole(count: _Count) -> bool:
    pairs = count.curve.found
    return abs(abs(pairs.per_turn) - pairs.value) <= WHOLE_PAIRS


def latency(inspection: Inspection) -> list[Evidence]:
    """Both passes read the same positions differently, by more than the axis' own play."""
    obs, results, curve = inspection.observed, inspection.evaluated.results, inspection.evaluated.angle_curve
    axis, found = obs.bench.axis, value(results, "hysteresis_mech_arcmin")
    if axis is None or found is None or curve is None or curve.found.value != obs.part.pole_pairs:
        return []
    slip = inspection.evaluated.slip
    if slip is not None and slip.is_slip:
        return []  # a rotor that slips by the turn starts its second pass elsewhere
    most = max(HYSTERESIS_FACTOR * axis.backlash_arcmin, LEAST_HYSTERESIS_MECH_ARCMIN)
    if abs(found) <= most:
        return []
    return [Evidence(figures=f"{found:+.1f}' mechanical between the passes; at most {most:.1f}' is the axis' own")]


SLIPPED = "rotor-or-axis-slipped"
RULES = story(
    Rule(
        code="rotor-or-axis-slipped",
        looks_at="the closing points of both passes, those of the repeated ones too",
        check=rotor_slip,
        text="The rotor or the axis slipped: a reading after a whole turn is not the first one.",
        next="Draw a mark across rotor and spindle, tighten the clamp, and run the same test with --retest-of this "
        "run; then say whether the mark moved.",
        spoils=scopes.turned,
        blocked_by=LOST,
        witnesses=("reseat",),
    ),
    Rule(
        code="pole-pairs-mismatch",
        looks_at="the pole pairs measured against the part file's",
        check=pole_pairs_mismatch,
        text="The part does not have the pole pairs of its part file.",
        next="Count the lobes of the rotor, compare the number stamped on it, check the part file.",
        spoils=scopes.by_case(scopes.turned_but_counts, not_counted=scopes.turned, or_scale=scopes.error_lines),
        blocked_by=(*LOST, SLIPPED),
    ),
    Rule(
        code="turn-not-closed",
        looks_at="the closing point of each pass",
        check=turn_not_closed,
        text="The reading after a whole turn is not the first one.",
        next="Index again to see whether the axis or the rotor moved; tighten both.",
        spoils=scopes.error_lines,
        blocked_by=(*LOST, SLIPPED, "pole-pairs-mismatch"),
    ),
    Rule(
        code="pole-pairs-not-whole",
        looks_at="electrical turns a mechanical turn",
        check=pole_pairs_not_whole,
        text="The electrical turns of a mechanical turn are no whole number.",
        next="Check the axis' steps a turn, coupling and rotor seat; index and sweep again.",
        spoils=scopes.turned,
        blocked_by=(*LOST, SLIPPED, "pole-pairs-mismatch"),
    ),
    Rule(
        code="latency",
        looks_at="the difference of both passes against the axis' play",
        check=latency,
        text="Both passes read the same positions differently.",
        next="Look for play in the coupling or the rotor's seat, and for captures taken too early.",
        spoils=scopes.error_lines,
        caused_by=(*LOST, "turn-not-closed", "pole-pairs-not-whole"),
    ),
    blocked_by=STANDING,
    unless=(facts.no_angle, facts.excitation_open, facts.comes_and_goes, facts.rotor_of_another_part),
)
