"""Pole pairs, direction and the angle error of one turn as results, with the positioner's budget.

It must never know a limit. error = indicated - true, electrical, best-fit zero (rig/evaluation/angle/curve.py). The
motor's own cyclic orders are fitted and left out of the curve; once and twice a turn the axis' stated error can't be
told from the part's, and is carried as a simultaneous band (rig/resolver/turn/orders.py,
rig/evaluation/angle/maximum.py).
Theory: rig/resolver/README.md, 1.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.answer import Curves
from rig.errors import UsageError
from rig.evaluation.angle.correction import RECHECKED_MECH_ARCMIN, reference_of_steps
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.drawn_curves import curves_of
from rig.evaluation.angle.influences import (
    GAIN,
    by_positioner,
    crosstalk_elec_arcmin,
    gain_in_rms,
    gain_u_elec_arcmin,
    mixed_by_gain,
    on_the_curve,
    other_output_elec_arcmin,
    share_of_amplitude,
    share_of_rms,
)
from rig.evaluation.angle.maximum import Figures, figures
from rig.evaluation.angle.pairs import pairs_at_rest
from rig.evaluation.angle.positioner import cyclic_orders, order_half_width_mech_arcmin
from rig.evaluation.results import (
    ARCMIN_PER_RAD,
    half_width,
    make_exact,
    make_result,
    make_untested,
    scatter,
    standard,
    times,
)
from rig.evaluation.turn.orders import candidate_orders, largest_gap, stated_teeth
from rig.evaluation.turn.ratio import why_no_turn
from rig.evaluation.turn.ratios import Turn, silent_output
from rig.evaluation.turn.rotation import Rotation
from rig.evaluation.turn.slip import index_between_mech_arcmin, play_half_width_mech_arcmin
from rig.observed import Observed
from rig.quantity import Scalar
from rig.resolver.turn.angle import PolePairs
from rig.resolver.turn.orders import Orders, fit_orders
from rig.result import Result

Floats = NDArray[np.float64]
IDS = (
    "pole_pairs",
    "direction",
    "error_max_elec_arcmin",
    "error_max_mech_arcmin",
    "error_span_elec_arcmin",
    "error_rms_elec_arcmin",
)


def angle_results(rotation: Rotation) -> tuple[list[Result], Curves]:
    """All lines of the angle group, the rig's facts beside them, and the curves for plots."""
    found, curve = rotation.turn, rotation.angle_curve
    if found is not None and (silent := silent_output(found)):
        why = f"the {silent} output carries no signal: one output alone shows no angle"
        return [make_untested(id_, why) for id_ in IDS], Curves()
    if found is None:
        return [make_untested(id_, why_no_turn(rotation)) for id_ in IDS], Curves()
    if curve is None:
        return [make_untested(id_, why_no_count(rotation)) for id_ in IDS], Curves()
    conditions = _conditions(rotation, found, curve)
    results = _counts(rotation, found, curve, conditions)
    if found.coarse:
        results += _coarse(rotation, found, curve, conditions)
        return results, Curves()
    try:
        stated_figures = figures(rotation, found, curve.theta_mech_rad, curve.mean, curve.found.value)
    except UsageError as fault:
        return results + [make_untested(id_, fault.message) for id_ in IDS[2:]], Curves()
    results += _errors(rotation, found, curve, stated_figures, conditions)
    results += _orders(rotation, found, curve, stated_figures.model, conditions)
    results += _facts(rotation, found, curve, conditions)
    return results, curves_of(found, curve, stated_figures)


def _conditions(rotation: Rotation, found: Turn, curve: AngleCurve) -> dict[str, Scalar]:
    obs = rotation.observed
    return {
        "frequency_hz": found.frequency_hz,
        "level_v_rms": found.v_exc_rms,
        "rotor": obs.rotor,
        "clamping": obs.header.get("clamping", 1),
        "points": int(curve.theta_mech_rad.size),
        "passes": "both" if curve.passes else "one",
        "zero": "best fit",
        "reference": _reference(rotation, found),
        "positive_rotation": obs.part.positive_rotation,
        **({} if found.latency_s is None else {"turned": "on the fly", "latency_us": 1e6 * found.latency_s}),
    }


def _reference(rotation: Rotation, found: Turn) -> str:
    return "encoder" if found.reference == "encoder" else reference_of_steps(rotation.standing)


def why_no_count(rotation: Rotation) -> str:
    """Why pole pairs and direction are not known; "" where they are."""
    pairs = rotation.pole_pairs
    if pairs is None or not pairs.ambiguous:
        return ""
    return f"these positions can't tell {alike(pairs)} apart; the part file's are {rotation.observed.part.pole_pairs}"


def alike(pairs: PolePairs) -> str:
    """The candidates that the positions can't tell apart, in words."""
    named = [f"{abs(k)}{'' if k > 0 else ' with the angle falling'}" for k in pairs.candidates()]
    return f"{', '.join(named[:-1])} and {named[-1]} pole pairs"


def _counts(rotation: Rotation, found: Turn, curve: AngleCurve, conditions: dict[str, Scalar]) -> list[Result]:
    pairs = curve.found
    seen = conditions | {"per_turn": pairs.per_turn, "score": pairs.score}
    note = ""
    if pairs.assumed:
        note = (
            f"consistent with the {pairs.value} of the part file; these positions alone can't tell {alike(pairs)} apart"
        )
    results = [make_exact("pole_pairs", pairs.value, seen, note), make_exact("direction", pairs.direction, seen, note)]
    if rotation.observed.holder.datum:
        results.append(_zero(rotation, found, curve, conditions))
    return results


def _zero(rotation: Rotation, found: Turn, curve: AngleCurve, conditions: dict[str, Scalar]) -> Result:
    obs = rotation.observed
    p = curve.found.value
    degrees = math.degrees(curve.zero_elec_rad) + curve.found.direction * p * obs.holder.index_to_datum_deg
    index = obs.bench.axis.index_repeat_arcmin if obs.bench.axis else 30.0
    lines = [
        half_width("index", index * p / 60.0, "deg"),
        *(  # the datum is where the axis stood at its zero, with all that it was off there
            half_width(
                f"axis, order {n} a turn", p * order_half_width_mech_arcmin(rotation, found.reference, n) / 60.0, "deg"
            )
            for n in (1, 2, *(cyclic_orders(obs) if found.reference == "steps" else ()))
        ),
        half_width("backlash", p * (obs.bench.axis.backlash_arcmin if obs.bench.axis else 1.0) / 120.0, "deg"),
        scatter("noise of the curve", _mean_noise_rad(obs, curve), "rad", 180.0 / math.pi),
    ]
    note = f"against {obs.holder.datum}; electrical zero must be learned again on the machine"
    return make_result("zero_elec_deg", degrees % 360.0, lines, conditions, note=note)


def _mean_noise_rad(obs: Observed, curve: AngleCurve) -> float:
    """Standard uncertainty of the curve's mean by what no order of the turn explains, electrical rad."""
    theta, points = curve.theta_mech_rad, curve.theta_mech_rad.size
    orders = candidate_orders(points, curve.found.value, stated_teeth(obs, points), (), largest_gap(theta))
    try:
        rms = fit_orders(theta, curve.mean, orders).residual_rms
    except UsageError:
        rms = float(np.std(curve.mean))
    return rms / ARCMIN_PER_RAD / math.sqrt(points)


def _errors(
    rotation: Rotation, found: Turn, curve: AngleCurve, got: Figures, conditions: dict[str, Scalar]
) -> list[Result]:
    p = curve.found.value
    common = on_the_curve(rotation, found, p)
    seen = conditions | {
        "raw_maximum_elec_arcmin": got.raw_maximum,
        "orders_kept": len(got.kept),
        "residual_rms_elec_arcmin": got.residual_rms,
        **({"order_left": got.order_left, "left_elec_arcmin": got.amplitude_left} if got.order_left else {}),
    }
    results = []
    for id_, value, line, factor in (
        ("error_max_elec_arcmin", got.maximum, got.u_maximum, 1.0),
        ("error_max_mech_arcmin", got.maximum, got.u_maximum, 1.0 / p),
        ("error_span_elec_arcmin", got.span, got.u_span, 1.0),
        ("error_rms_elec_arcmin", got.rms, got.u_rms, 1.0),
    ):
        by_rms = "rms" in id_
        lines = [*by_positioner(got, line[0], factor), scatter("noise of the curve", line[1], "arcmin", factor)]
        for order, part in common:
            spread = 2.0 if "span" in id_ else 1.0
            if by_rms:
                gain = part.influence == GAIN
                spread = gain_in_rms(got, order, curve, part.u) if gain else share_of_rms(got, order, part.u, p)
            lines.append(times(part, spread * factor))
        results.append(make_result(id_, value * factor, lines, seen))
    return results


def _orders(
    rotation: Rotation, found: Turn, curve: AngleCurve, model: Orders, conditions: dict[str, Scalar]
) -> list[Result]:
    p = curve.found.value
    wanted = {1, 2, p, 2 * p, 3 * p, 4 * p} | (
        {rotation.observed.part.teeth} if rotation.observed.part.teeth else set()
    )
    results = []
    for order in sorted(n for n in wanted if n in model.orders):
        width = order_half_width_mech_arcmin(rotation, found.reference, order)
        lines = [
            half_width("positioner at this order", width, "arcmin", note="bench file"),
            scatter("noise", model.u_amplitude(order) / p, "arcmin"),
            half_width("crosstalk", crosstalk_elec_arcmin(rotation.windings.channels, found, order, p) / p, "arcmin"),
        ]
        if order == 2 * p:
            gain = gain_u_elec_arcmin(found) / p
            share = share_of_amplitude(model, order, curve, gain * p)
            lines.append(standard(GAIN, gain, "arcmin", share))
        else:
            mixed = mixed_by_gain(model, order, p)
            lines.append(standard(GAIN, gain_u_elec_arcmin(found) / p, "arcmin", mixed, note="with other orders"))
        if order == 4 * p:
            lines.append(half_width("loading by the other output", other_output_elec_arcmin(found) / p, "arcmin"))
        note = "" if order % p == 0 else "not a multiple of the pole pairs: rotor or positioner"
        seen = conditions | _phase(rotation, curve, model, order)
        results.append(make_result(f"order_{order}_mech_arcmin", model.amplitude(order) / p, lines, seen, note=note))
    return results


def _phase(rotation: Rotation, curve: AngleCurve, model: Orders, order: int) -> dict[str, Scalar]:
    """Phase of what is left of once and twice a turn, the reading's, where the axis is corrected: it is watched."""
    if rotation.correction is None or order not in RECHECKED_MECH_ARCMIN:
        return {}
    turned = 0.0 if curve.found.direction > 0 else 180.0
    return {"phase_deg": (math.degrees(model.phase_rad(order)) + turned) % 360.0}


def _facts(rotation: Rotation, found: Turn, curve: AngleCurve, conditions: dict[str, Scalar]) -> list[Result]:
    p, passes = curve.found.value, curve.passes
    pairs = None if rotation.resting is None else pairs_at_rest(rotation.resting, curve)
    passes, results = pairs or passes, []
    if passes is not None:
        to_mech = ARCMIN_PER_RAD / p
        u = passes.u_hysteresis_elec_rad * to_mech
        value = passes.hysteresis_elec_rad * to_mech
        if "latency_us" in conditions and pairs is None:
            why = f"on the fly: play can't be told from the delay, {conditions['latency_us']:.1f} us together"
            results.append(make_untested("hysteresis_mech_arcmin", why))
        else:
            lines = [standard("scatter", u, "arcmin")]
            if pairs is not None:
                play = play_half_width_mech_arcmin(rotation.observed, found.reference) / math.sqrt(3.0 * pairs.places)
                lines.append(standard("play that differs from place to place", play, "arcmin", note="bench file"))
            elif found.reference == "steps" and (index := index_between_mech_arcmin(rotation.observed)):
                lines.append(half_width("index sought between the passes", index, "arcmin", note="bench file"))
            results.append(make_result("hysteresis_mech_arcmin", value, lines, conditions))
        span_s = 1.0 if passes.drift_elec_rad_s == 0 else passes.drift_elec_rad / passes.drift_elec_rad_s
        u = passes.u_drift_elec_rad_s * abs(span_s) * ARCMIN_PER_RAD
        drift = passes.drift_elec_rad * ARCMIN_PER_RAD
        results.append(make_result("drift_elec_arcmin", drift, [standard("scatter", u, "arcmin")], conditions))
    return results + _closure(rotation, curve, conditions)


def _closure(rotation: Rotation, curve: AngleCurve, conditions: dict[str, Scalar]) -> list[Result]:
    """The larger closure of both passes; where the first passes were repeated, what these had shown."""
    if not curve.closures_elec_arcmin:
        return []
    p, slip, first = curve.found.value, rotation.slip, rotation.first_slip
    worst = max(curve.closures_elec_arcmin.values(), key=abs) / p
    lines = [
        half_width("backlash left", play_half_width_mech_arcmin(rotation.observed, "steps"), "arcmin"),
        standard("scatter", curve.u_closure_elec_arcmin * math.sqrt(2.0) / p, "arcmin"),
    ]
    seen = conditions | ({} if slip is None else slip.conditions())
    note = "" if first is None else f"both passes were repeated, for the first ones did not close: {first.figures()}"
    return [make_result("closure_mech_arcmin", worst, lines, seen, note=note)]


def _coarse(rotation: Rotation, found: Turn, curve: AngleCurve, conditions: dict[str, Scalar]) -> list[Result]:
    p = curve.found.value
    widths = sum(
        order_half_width_mech_arcmin(rotation, found.reference, n)
        for n in (1, 2, *cyclic_orders(rotation.observed)[:1])
    )
    worst = float(np.max(np.abs(curve.mean)))
    rms = float(np.sqrt(np.mean(curve.mean**2)))
    lines = [
        half_width("positioner", p * widths, "arcmin", note="bench file"),
        half_width("few positions", 0.3 * worst, "arcmin", note="quick screen"),
        standard(GAIN, gain_u_elec_arcmin(found), "arcmin"),
    ]
    note = "coarse: a few spots only"
    return [
        make_result("error_max_elec_arcmin", worst, lines, conditions, note=note),
        make_result("error_max_mech_arcmin", worst / p, [times(x, 1.0 / p) for x in lines], conditions, note=note),
        make_result("error_rms_elec_arcmin", rms, lines, conditions, note=note),
    ]
