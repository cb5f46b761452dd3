"""Results of a turn recorded elsewhere: the lines of our own runs as far as the data carry them.

It must never judge. U holds the scatter of the data only: what the recorder's channels and the positioner add is not
in the file and is said so. Amplitude, imbalance, orthogonality and centre come from the ellipse, which no positioner
can bend; the error curve has the positioner's own error in it. Definitions: DEVELOPERS.md, "Truth".
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.stating import ARCMIN_PER_RAD, by_scatter, exact, stated, untested
from rig.quantity import Scalar
from rig.resolver.attribution import Cause, attribute
from rig.resolver.ellipse import Ellipse, fit_ellipse
from rig.resolver.grids import STEPPER_ORDERS, part_orders
from rig.resolver.maximum_error import MaximumError, maximum
from rig.resolver.orders import fit_orders
from rig.resolver.ratio import crossings
from rig.result import Result
from rig.review.recorded_turn import RecordedTurn, Recording

Floats = NDArray[np.float64]
DEG = 180.0 / math.pi
ERROR_LINES = (
    "zero_elec_deg",
    "error_max_elec_arcmin",
    "error_max_mech_arcmin",
    "error_span_elec_arcmin",
    "error_rms_elec_arcmin",
)
TURN_LINES = ("pole_pairs", "direction", *ERROR_LINES)
SEED = 20251125  # of the trials behind the maximum's band: the same file gives the same figures
TRIALS = 1000


def excitation_lines(recording: Recording, told_hz: float | None, u_hz: float = 0.0) -> list[Result]:
    """Level and frequency of the excitation."""
    live = recording.live
    rms = np.abs(recording.exc[live]) / math.sqrt(2.0)
    lines = []
    if rms.size:
        u = float(np.std(rms)) / math.sqrt(rms.size)
        conditions: dict[str, Scalar] = {"lowest_v_rms": float(rms.min()), "highest_v_rms": float(rms.max())}
        scatter = [by_scatter("scatter over the records", u, "V", max(1, rms.size - 1))]
        lines.append(stated("v_exc_rms", float(np.mean(rms)), scatter, conditions))
    else:
        lines.append(untested("v_exc_rms", "no record holds excitation"))
    if recording.frequency_hz is not None:
        source = [by_scatter("fit over all records", u_hz, "Hz", 100.0)] if u_hz > 0 else []
        lines.append(stated("f_exc_hz", recording.frequency_hz, source, note="against the recorder's own clock"))
    elif told_hz is not None:
        lines.append(exact("f_exc_hz", told_hz, note="as told, not measured"))
    else:
        lines.append(untested("f_exc_hz", "phasors carry no frequency: give --frequency"))
    return lines


def turn_lines(turn: RecordedTurn, told_hz: float | None = None) -> tuple[list[Result], dict[str, Any]]:
    """All lines of the turn, and its curves. An output that draws no ellipse leaves the lines untested."""
    conditions = _conditions(turn, told_hz)
    counts = [
        exact("pole_pairs", turn.pairs.value, conditions | {"per_turn": turn.per_turn, "score": turn.pairs.score})
    ]
    counts.append(exact("direction", turn.pairs.direction, conditions))
    try:
        ellipse = fit_ellipse(turn.u, turn.v)
    except UsageError as fault:
        return [*counts, untested("tr_sin", fault.message), untested("tr_cos", fault.message)], {}
    lines = _ratios(turn, ellipse, conditions) + _phases(turn, conditions) + _nulls(turn, conditions)
    errors, curves = _errors(turn, conditions)
    return [*lines, *counts, *errors], curves


def _conditions(turn: RecordedTurn, told_hz: float | None) -> dict[str, Scalar]:
    hz = turn.recording.frequency_hz or told_hz
    found: dict[str, Scalar] = {"points": turn.points, "turn_covered": turn.span_rad / (2 * math.pi)}
    return found | ({"frequency_hz": hz} if hz is not None else {})


def _ratios(turn: RecordedTurn, ellipse: Ellipse, conditions: dict[str, Scalar]) -> list[Result]:
    u_imbalance, u_orthogonality, u_cu, u_cv, u_au, u_av = (float(part) for part in ellipse.u)
    dof = max(1.0, turn.u.size - 5.0)
    note = "loaded by whatever recorded it"
    rows = (
        ("tr_sin", ellipse.amplitude_u, u_au, 1.0, note),
        ("tr_cos", ellipse.amplitude_v, u_av, 1.0, note),
        ("tr_imbalance", ellipse.imbalance, u_imbalance, 1.0, "by the ellipse: free of the positioner's error"),
        ("centre_sin", ellipse.centre_u / ellipse.amplitude_u, u_cu / ellipse.amplitude_u, 1.0, ""),
        ("centre_cos", ellipse.centre_v / ellipse.amplitude_v, u_cv / ellipse.amplitude_v, 1.0, ""),
        ("orthogonality_elec_deg", ellipse.orthogonality_rad, u_orthogonality, DEG, "by the ellipse"),
    )
    lines = []
    for id_, value, u, factor, told in rows:
        scatter = [by_scatter("scatter round the turn", u, "", dof, factor)]
        lines.append(stated(id_, value * factor, scatter, conditions, note=told))
    for name, across, size in (("sin", turn.qu, ellipse.amplitude_u), ("cos", turn.qv, ellipse.amplitude_v)):
        noise = float(np.std(np.diff(across))) / math.sqrt(2) if across.size > 2 else 0.0
        found = float(np.max(np.abs(across))) / size
        scatter = [by_scatter("scatter of a point", noise / size, "ratio", dof)]
        lines.append(stated(f"quadrature_{name}", found, scatter, conditions, note="largest point"))
    return lines


def _phases(turn: RecordedTurn, conditions: dict[str, Scalar]) -> list[Result]:
    dof = max(1.0, turn.u.size - 2.0)
    both = (turn.phase_sine_rad, turn.phase_cosine_rad)
    lines = []
    for name, phase, u in zip(("sin", "cos"), both, turn.u_phase_rad, strict=True):
        scatter = [by_scatter("scatter across the carrier", u, "rad", dof, DEG)]
        note = "on the branch within 90 deg of the excitation; the channels' skew is in it"
        lines.append(stated(f"phase_{name}_deg", DEG * phase, scatter, conditions, note=note))
    apart = math.remainder(both[0] - both[1], 2 * math.pi)
    scatter = [by_scatter("scatter across the carrier", math.hypot(*turn.u_phase_rad), "rad", dof, DEG)]
    lines.append(stated("phase_difference_deg", DEG * apart, scatter, conditions))
    return lines


def _nulls(turn: RecordedTurn, conditions: dict[str, Scalar]) -> list[Result]:
    """Nulls of the fundamental at the interpolated crossings, at the recorded level, rms."""
    level_v = float(np.mean(np.abs(turn.recording.exc))) / math.sqrt(2.0)
    orders = [n for n in part_orders(turn.pairs.value) if 2.5 * n < turn.points][: max(1, turn.u.size // 4)]
    lines = []
    for name, along, across in (("sin", turn.u, turn.qu), ("cos", turn.v, turn.qv)):
        id_ = f"null_fund_{name}_v"
        try:
            nulls = crossings(turn.theta_mech_rad, along, across, orders)
        except UsageError as fault:
            lines.append(untested(id_, fault.message))
            continue
        worst = max(nulls, key=lambda null: null.null)
        seen = conditions | {"level_v_rms": level_v, "nulls": len(nulls), "bandwidth": "fundamental"}
        noise = [by_scatter("noise and model at the null", worst.u_null * level_v, "V", max(1, turn.u.size - 5))]
        lines.append(stated(id_, worst.null * level_v, noise, seen))
    return lines


# ---- the angle ----------------------------------------------------------------------------------------------


def own_orders(turn: RecordedTurn) -> list[int]:
    """Orders of the part that these positions can show."""
    most = min(0.45 * turn.points, 0.3 * turn.u.size)
    return [n for n in part_orders(turn.pairs.value) if n <= most]


def largest_error(turn: RecordedTurn) -> MaximumError:
    """The maximum by the pruned model, electrical arcmin. Raises UsageError when the points carry no model."""
    orders = own_orders(turn)
    nuisance = [n for n in STEPPER_ORDERS if n <= 0.45 * turn.points and n not in orders]
    rng = np.random.default_rng(SEED)
    values = turn.deviation_elec_rad * ARCMIN_PER_RAD
    return maximum(turn.theta_mech_rad, values, orders, rng, nuisance=nuisance, trials=TRIALS)


def _errors(turn: RecordedTurn, conditions: dict[str, Scalar]) -> tuple[list[Result], dict[str, Any]]:
    p = turn.pairs.value
    seen = conditions | {"zero": "best fit", "reference": "positions as the file gives them"}
    away = turn.deviation_elec_rad
    mean = float(np.mean(away))
    try:
        found = largest_error(turn)
        model = fit_orders(turn.theta_mech_rad, away * ARCMIN_PER_RAD, own_orders(turn))
    except UsageError as fault:
        return [untested(id_, fault.message) for id_ in ERROR_LINES], {}
    zero = math.degrees(math.remainder(turn.offset_elec_rad + mean, 2 * math.pi)) % 360.0
    u_zero = model.residual_rms / ARCMIN_PER_RAD / math.sqrt(away.size)
    scatter = [by_scatter("scatter round the turn", u_zero, "rad", max(1, model.dof), DEG)]
    note = "indicated angle at position 0 of the file; the positions' own zero is not known to be the part's"
    lines = [stated("zero_elec_deg", zero, scatter, seen, note=note)]
    centred = away * ARCMIN_PER_RAD - mean * ARCMIN_PER_RAD
    lines += _figures(found, centred, p, seen)
    for order in sorted({1, 2, p, 2 * p, 3 * p, 4 * p} & set(model.orders)):
        noise = [by_scatter("noise", model.u_amplitude(order) / p, "arcmin", max(1, model.dof))]
        lines.append(stated(f"order_{order}_mech_arcmin", model.amplitude(order) / p, noise, seen))
    rank = np.argsort(turn.theta_mech_rad, kind="stable")
    curves = {
        "angle_mech_deg": np.degrees(turn.theta_mech_rad[rank]).tolist(),
        "error_mean_elec_arcmin": centred[rank].tolist(),
        "envelope_sine": turn.u[rank].tolist(),
        "envelope_cosine": turn.v[rank].tolist(),
        "orders": list(model.orders),
        "orders_mech_arcmin": (np.abs(model.coefficients) / p).tolist(),
    }
    return lines, curves


def _figures(found: MaximumError, centred: Floats, p: int, seen: dict[str, Scalar]) -> list[Result]:
    note = "the positioner's own error is in it"
    seen = seen | {"raw_maximum_elec_arcmin": found.raw_maximum, "orders_kept": len(found.kept)}
    rows = (
        ("error_max_elec_arcmin", found.value, 1.0),
        ("error_max_mech_arcmin", found.value / p, 1.0 / p),
        ("error_span_elec_arcmin", float(np.ptp(centred)), 2.0),
        ("error_rms_elec_arcmin", float(np.sqrt(np.mean(centred**2))), 0.7),
    )
    lines = []
    for id_, value, factor in rows:
        band = [by_scatter("noise, simultaneous over the turn", found.band / 2, "arcmin", max(1, found.dof), factor)]
        lines.append(stated(id_, value, band, seen, note=note))
    return lines


def causes(turn: RecordedTurn) -> tuple[Cause, ...]:
    """What makes the error, by error and radius together; empty when the points can't tell."""
    orders = own_orders(turn) + [n for n in STEPPER_ORDERS if n <= 0.45 * turn.points]
    most = max(1, turn.u.size // 3)
    try:
        return attribute(
            turn.theta_mech_rad, turn.u, turn.v, turn.pairs.value, turn.pairs.direction, sorted(set(orders))[:most]
        )
    except UsageError:
        return ()
