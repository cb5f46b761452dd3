"""Soundness of the turning: does the axis turn, count right, close the turn, and carry a rotor of the right kind?

It must never judge the angle error. Witnesses: the index found again, the closing points, an encoder. An index that is
found where it was expected clears the axis' count; whether the clamping or the rotor itself is loose, a mark tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import angles, driven, error_lines, group, is_open, turned, value
from rig.diagnosis.rotor_mark import stays_through_reclamping
from rig.diagnosis.sound_index import index_off, index_tolerance_steps, loose_rotor, which_pass
from rig.diagnosis.sound_kind import blind_reasons, kind_reasons, unmoved_reasons
from rig.diagnosis.sound_order import order_reasons
from rig.diagnosis.sound_points import hand_reasons, point_reasons
from rig.evaluation.angle import alike
from rig.evaluation.angle_curve import AngleCurve
from rig.evaluation.turn import Turn, silent_output
from rig.observed import Absent, Observed
from rig.result import Reason, Result

SLIPPED = "rotor-or-axis-slipped"
CLOSURE_MECH_ARCMIN = 4.0  # of a single pass; both together tell drift from slip (rig/evaluation/slip.py)
HYSTERESIS_FACTOR = 6.0
MOST_LOBES = 24
COUPLED = 0.02  # ratio below which an output carries nothing of the rotor
WHOLE = 0.02
SURE_SCALE = 0.005  # of the ratio: its standard uncertainty from which a wrong scale is told without a clean curve
STEPPED = ("steps-lost", "axis-slip")
LEAST_SCORE = 0.7  # of the pole pairs: points that agree, however crooked the curve


def axis_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Every reason that the sweep gives."""
    found = inspection.evaluated.turn
    if is_open(inspection.evaluated, "exc"):
        return []
    if found is None:
        return [*unmoved_reasons(inspection, results), *hand_reasons(inspection, results)]
    if standing := _standing(inspection, found, results):
        return standing
    if follows_without_coupling(found):
        return []  # another part's rotor: finding_angle.py tells it
    lost = _lost(inspection, results)
    curve = inspection.evaluated.angle_curve
    reasons = [*lost, *point_reasons(inspection, found, results)]
    if silent_output(found):
        return reasons
    if curve is None:
        return [*reasons, *_not_counted(inspection, results)]
    blind = blind_reasons(found, curve, results)
    if not blind and (kind := kind_reasons(found)):
        return kind
    order = order_reasons(inspection, found, curve, results)
    reasons += [*blind, *order]
    if not lost and not any(reason.code in STEPPED for reason in order):
        reasons += _counted(inspection, found, curve, results)
    return [*reasons, *_play(inspection, curve, results)]


def _standing(inspection: Inspection, found: Turn, results: Sequence[Result]) -> list[Reason]:
    """Outputs that don't move: no rotor, or an axis that doesn't turn."""
    sizes = [float(np.max(np.abs(side[found.inside]))) for side in (found.sine, found.cosine)]
    moves = [float(np.std(side[found.inside])) for side in (found.sine, found.cosine)]
    opens = [is_open(inspection.evaluated, name) for name in ("sin", "cos")]
    alive = [i for i in (0, 1) if not opens[i]]
    if not alive:
        return []
    if all(sizes[i] < COUPLED for i in alive) and not follows_without_coupling(found):
        return [
            Reason(
                code="rotor-missing",
                text="Neither output sees a rotor.",
                evidence=f"largest ratios {sizes[0]:.4f} and {sizes[1]:.4f}; excitation present"
                + _inductance(inspection),
                next="Fit the rotor (or say that there is none), check that it sits inside the stack.",
                spoils=tuple(dict.fromkeys((*turned(results), *driven(results)))),
                witness="DC resistances of the coils",
            )
        ]
    if max(sizes) >= COUPLED and all(moves[i] < 0.02 * max(sizes) for i in alive):
        return [
            Reason(
                code="axis-not-turning",
                text="The rotor does not turn though the axis was told to.",
                evidence=f"the outputs stay within {100 * max(moves[i] / sizes[i] for i in alive):.2f} % over the sweep"
                + _encoder(inspection.observed),
                next="Check coupling, motor current and the axis' enable; turn it by hand to see the rotor follow.",
                spoils=(*group("impedance"), *turned(results)),
            )
        ]
    return []


def follows_without_coupling(found: Turn) -> int:
    """The order a turn at which outputs that carry next to nothing still follow a rotor; 0 when they don't.

    A rotor whose lobes do not match the winding couples only by what the teeth differ; without a rotor nothing moves.
    """
    sides = (found.sine[found.inside], found.cosine[found.inside])
    if max(float(np.max(np.abs(side))) for side in sides) >= COUPLED:
        return 0
    orders = np.arange(1, 2 * MOST_LOBES + 1)
    orders = orders[orders < sides[0].size // 6]
    if orders.size == 0:
        return 0  # a few spots show no order
    basis = np.exp(-1j * np.outer(orders, found.theta_mech_rad[found.inside])) / sides[0].size
    size = np.max([np.abs(basis @ side) + np.abs(np.conj(basis) @ side) for side in sides], axis=0)
    noise = float(np.mean(found.u_ratio[found.inside])) / math.sqrt(sides[0].size)
    order = int(orders[int(np.argmax(size))])
    return order if float(size.max()) > 12.0 * noise else 0


def _inductance(inspection: Inspection) -> str:
    found = inspection.evaluated.impedance("exc")
    return f", |Z| of the excitation coil {abs(found.z_ohm):.1f} ohm" if found else ""


def _encoder(obs: Observed) -> str:
    read = [r.number() for r in obs.select("encoder_angle") if r.value is not None]
    if not read:
        return ""
    return f"; the encoder moved by {max(read) - min(read):.0f} deg"


# ---- counting -----------------------------------------------------------------------------------------------


def _lost(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    obs = inspection.observed
    worst, axis = index_off(obs), obs.bench.axis
    if worst is None or axis is None or abs(worst[0]) <= index_tolerance_steps(obs):
        return []
    off, when = worst[0], which_pass(obs, worst[1])
    cycle = 4 * axis.microsteps
    cycles = round(off / cycle)
    whole = cycles != 0 and abs(off - cycles * cycle) <= index_tolerance_steps(obs)
    degrees = 360.0 * off / axis.steps_per_turn
    factor = _scale(inspection)
    if factor is not None and not whole:
        return [_microsteps(factor, results, f"index {off:+.0f} microsteps off")]
    return [
        Reason(
            code="steps-lost" if whole else "axis-slip",
            text=f"The motor lost steps {when}." if whole else f"The axis slipped {when}.",
            evidence=f"index found {off:+.0f} microsteps ({degrees:+.2f} deg mechanical) from where it was expected"
            + (f": {cycles:+d} times four full steps" if whole else "")
            + _jump(inspection),
            next="Lower acceleration or free the shaft; tighten the coupling; then sweep again.",
            spoils=turned(results),
            witness="the index mark",
        )
    ]


def _jump(inspection: Inspection) -> str:
    at = largest_jump(inspection)
    if at is None:
        return ""
    return f"; the curve jumps by {at[1]:+.0f}' electrical at {at[0]:.1f} deg"


def largest_jump(inspection: Inspection) -> tuple[float, float] | None:
    """(mechanical deg, step in electrical arcmin) of the largest step between neighbours of one pass; None: none."""
    curve = inspection.evaluated.angle_curve
    if curve is None:
        return None
    best: tuple[float, float] | None = None
    for side in (curve.ccw, curve.cw):
        if not np.all(np.isfinite(side)) or side.size < 8:
            continue
        steps = np.diff(side)
        at = int(np.argmax(np.abs(steps)))
        usual = float(np.median(np.abs(steps)))
        if abs(steps[at]) > max(12.0 * usual, 60.0) and (best is None or abs(steps[at]) > abs(best[1])):
            best = (math.degrees(float(curve.theta_mech_rad[at])), float(steps[at]))
    return best


def _scale(inspection: Inspection) -> float | None:
    """Electrical turns a commanded turn over the part's pole pairs, when that is 2, 4, 1/2 ...; else None."""
    curve = inspection.evaluated.angle_curve
    if curve is None:
        return None
    if inspection.observed.lacks(Absent.POLE_PAIRS):
        return None
    ratio = abs(curve.found.per_turn) / inspection.observed.part.pole_pairs
    if ratio <= 0:
        return None
    power = math.log2(ratio)
    near = round(power)
    sure = curve.found.score > 0.9 or curve.u_per_turn < SURE_SCALE * ratio
    return 2.0**near if near != 0 and abs(power - near) < 0.02 and sure else None


def _microsteps(factor: float, results: Sequence[Result], told: str) -> Reason:
    return Reason(
        code="microstep-setting",
        text="The axis turns a power of two further or less than it is told.",
        evidence=f"{factor:g} times the electrical turns that a mechanical turn of this part has; {told}",
        next="Set the motor driver's microsteps and the bench file to the same value.",
        spoils=turned(results),
    )


def _not_counted(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """Positions that can't tell the pole pairs: the grid's fault, unless the part file's are surely not among them."""
    obs, pairs = inspection.observed, inspection.evaluated.pole_pairs
    p = obs.part.pole_pairs
    if pairs is None or not pairs.ambiguous:
        return []
    if p not in pairs.values():
        return [_mismatch(obs, alike(pairs), pairs.score, turned(results))]
    return [
        Reason(
            code="grid-blind",
            text="The positions measured can't tell the pole pairs or the direction.",
            evidence=f"{alike(pairs)} explain them alike (score {pairs.score:.3f}); "
            + ("nobody said the pole pairs" if obs.lacks(Absent.POLE_PAIRS) else f"the part file says {p}"),
            next="Run the full test: its sweep of a whole turn tells them apart.",
            spoils=angles(results),
        )
    ]


def _counted(inspection: Inspection, found: Turn, curve: AngleCurve, results: Sequence[Result]) -> list[Reason]:
    """Pole pairs that are not whole or not the part's, and a turn that does not close."""
    obs = inspection.observed
    p, pairs = obs.part.pole_pairs, curve.found
    if found.coarse:
        return []
    factor = _scale(inspection)
    size = _amplitude(found)
    whole_scale = abs(abs(pairs.per_turn) - round(abs(pairs.per_turn))) <= max(WHOLE, 4.0 * curve.u_per_turn)
    if obs.lacks(Absent.INDEX) and factor is not None and whole_scale and pairs.value != p:
        both = _mismatch(obs, str(pairs.value), pairs.score, error_lines(results))
        return [both, _microsteps(factor, results, "an axis that turns too far looks the same as other pole pairs")]
    if factor is not None and size > 0.1 and (_clean(curve) or not whole_scale):
        told = f"{abs(pairs.per_turn):.3f} electrical turns a commanded turn, {p} by the part file; the curve is clean"
        return [_microsteps(factor, results, told)]
    if slipped := _slipped(inspection, results):
        return slipped
    closure = max((abs(gap) for gap in curve.closures_elec_arcmin.values()), default=math.nan) / max(pairs.value, 1)
    whole = pairs.score > LEAST_SCORE and (closure <= _closing_arcmin(curve) if math.isfinite(closure) else whole_scale)
    if whole and pairs.value != p:
        spoils = tuple(id_ for id_ in turned(results) if id_ not in ("pole_pairs", "direction"))
        return [_mismatch(obs, str(pairs.value), pairs.score, spoils)]
    if whole:
        return []
    if abs(abs(pairs.per_turn) - pairs.value) <= WHOLE and pairs.score > LEAST_SCORE:
        return [_not_closed(closure, results)]
    return [
        Reason(
            code="pole-pairs-not-whole",
            text="The electrical turns of a mechanical turn are no whole number.",
            evidence=f"{pairs.per_turn:+.3f} a turn (score {pairs.score:.3f}); the turn closes within {closure:.1f}'",
            next="Check the axis' steps a turn, coupling and rotor seat; index and sweep again.",
            spoils=turned(results),
        )
    ]


def _slipped(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """A turn that does not close by both passes, the repeated ones where the first did not. Never the part's failure:
    who slips, a mark across rotor and spindle tells."""
    slip, first, obs = inspection.evaluated.slip, inspection.evaluated.first_slip, inspection.observed
    if slip is None or not slip.found:
        return []
    figures = [slip.figures()]
    if first is not None:
        figures.append(f"in the first passes, before both were repeated, {first.figures()}")
    if cleared := loose_rotor(obs):
        figures.append(f"the axis kept its count: {cleared}")
    on_part = stays_through_reclamping(obs)
    if on_part:
        figures.append("through a re-clamping, with the mark across rotor and spindle unmoved")
    return [
        Reason(
            code=SLIPPED,
            text="The rotor or the axis slipped: a reading after a whole turn is not the first one.",
            evidence="; ".join(figures),
            next="Look for a rotor that moves on its hub and a stator that moves in its holder; fit another unit."
            if on_part
            else "Draw a mark across rotor and spindle, tighten the clamp, and run the same test with --retest-of this "
            "run; then say whether the mark moved.",
            spoils=turned(results),
            on_part=on_part,
        )
    ]


def _closing_arcmin(curve: AngleCurve) -> float:
    """How far a turn may stay open, mechanical arcmin: the limit, or what the noise of two points explains."""
    bend = np.diff(curve.mean, 2)
    point = float(np.median(np.abs(bend))) / 0.6745 / math.sqrt(6.0) if bend.size else 0.0
    return max(CLOSURE_MECH_ARCMIN, 5.0 * math.sqrt(2.0) * point / max(curve.found.value, 1))


def _amplitude(found: Turn) -> float:
    u, _, v, _ = found.envelopes()
    return float(np.sqrt(np.mean(u[found.inside] ** 2 + v[found.inside] ** 2)))


def _clean(curve: AngleCurve) -> bool:
    return float(np.sqrt(np.mean(curve.mean**2))) < 300.0


def _mismatch(obs: Observed, measured: str, score: float, spoils: tuple[str, ...]) -> Reason:
    return Reason(
        code="pole-pairs-mismatch",
        text="The part does not have the pole pairs of its part file.",
        evidence=f"{measured} measured (score {score:.3f}), {obs.part.pole_pairs} "
        + ("as stated for this recording" if obs.lacks(Absent.PART) else "by the part file"),
        next="Count the lobes of the rotor, compare the number stamped on it, check the part file.",
        spoils=spoils,
    )


def _not_closed(closure: float, results: Sequence[Result]) -> Reason:
    return Reason(
        code="turn-not-closed",
        text="The reading after a whole turn is not the first one.",
        evidence=f"{closure:.1f}' mechanical; at most {CLOSURE_MECH_ARCMIN:g}' was expected; no index to tell why",
        next="Index again to see whether the axis or the rotor moved; tighten both.",
        spoils=error_lines(results),
    )


def _play(inspection: Inspection, curve: AngleCurve, results: Sequence[Result]) -> list[Reason]:
    obs = inspection.observed
    axis = obs.bench.axis
    found = value(results, "hysteresis_mech_arcmin")
    if axis is None or found is None or curve.found.value != obs.part.pole_pairs:
        return []
    slip = inspection.evaluated.slip
    if slip is not None and slip.found:
        return []  # a rotor that slips by the turn starts its second pass elsewhere
    most = max(HYSTERESIS_FACTOR * axis.backlash_arcmin, 6.0)
    if abs(found) <= most:
        return []
    return [
        Reason(
            code="latency",
            text="Both passes read the same positions differently.",
            evidence=f"{found:+.1f}' mechanical between the passes; at most {most:.1f}' is the axis' own",
            next="Look for play in the coupling or the rotor's seat, and for captures taken too early.",
            spoils=error_lines(results),
        )
    ]
