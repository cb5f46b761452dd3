"""Transformation ratios, phases, centre, quadrature, nulls and orthogonality from one turn of the rotor.

It must never know a limit. Definitions: rig/evaluation/README.md, 1: ratio = amplitude of order p of the
signed envelope on
the output's own carrier phase, outputs open, excitation at the coil; phase lead +, within +-90 deg; nulls at the
interpolated zero crossings of the envelope, at the nominal excitation; orthogonality from the order-p phases of both
envelopes, with the ellipse as a cross-check. Theory: rig/resolver/README.md, 1.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.angle.positioner import cyclic_orders, order_half_width_mech_arcmin
from rig.evaluation.results import ARCMIN_PER_RAD, half_width, make_result, make_untested, scatter, standard
from rig.evaluation.turn.balance import Balance, balance, ellipse_of
from rig.evaluation.turn.envelopes import Envelope, Places, envelope, phase_noise, places
from rig.evaluation.turn.nulls import null_results, quadrature_result
from rig.evaluation.turn.orders import stated_teeth
from rig.evaluation.turn.passes import swept_series
from rig.evaluation.turn.ratios import Turn, silent_output
from rig.evaluation.turn.rotation import Rotation
from rig.observed import Absent, Observed
from rig.quantity import Scalar
from rig.resolver.turn.grids import STEPPER_ORDERS
from rig.result import Result

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

IDS = (
    "tr_sin",
    "tr_cos",
    "tr_imbalance",
    "phase_sin_deg",
    "phase_cos_deg",
    "phase_difference_deg",
    "centre_sin",
    "centre_cos",
    "quadrature_sin",
    "quadrature_cos",
    "null_fund_sin_v",
    "null_fund_cos_v",
    "null_total_sin_v",
    "null_total_cos_v",
    "orthogonality_elec_deg",
)


def ratio_results(rotation: Rotation) -> list[Result]:
    """All lines of the ratio, null and quadrature groups; untested with the reason where there is no turn."""
    obs = rotation.observed
    found = rotation.turn
    if found is None:
        return [make_untested(id_, why_no_turn(rotation)) for id_ in IDS]
    seen = places(obs, found)
    p, teeth = obs.part.pole_pairs, stated_teeth(obs, seen.theta.size)
    cyclic = cyclic_orders(obs) if found.reference == "steps" else ()
    if obs.lacks(Absent.POSITIONER):
        cyclic = STEPPER_ORDERS  # fitted beside the envelope's own, whatever turned the rotor
    try:
        wave_u = envelope(seen.theta, seen.u, p, found.coarse, teeth, cyclic)
        wave_v = envelope(seen.theta, seen.v, p, found.coarse, teeth, cyclic)
    except UsageError as fault:
        return [make_untested(id_, fault.message) for id_ in IDS]
    conditions = _conditions(obs, found)
    even = balance(obs, seen, wave_u, wave_v, found.coarse)
    results = _amplitudes(rotation, found, even, conditions)
    results += _phases(found, seen, (wave_u, wave_v), conditions)
    for name, wave in (("sin", wave_u), ("cos", wave_v)):
        results.append(quadrature_result(rotation.windings.channels, found, name, wave, seen, conditions))
        results.append(_centre(rotation, found, name, wave, conditions))
        results += null_results(rotation.windings.channels, found, name, wave, seen, conditions, rotation.resting)
    silent = silent_output(found)
    if not silent:
        results.append(_orthogonality(rotation, found, even, seen, conditions))
    else:
        results.append(make_untested("orthogonality_elec_deg", f"no signal at the {silent} output"))
    return [_void(result, silent) for result in results]


def _void(result: Result, silent: str) -> Result:
    """Ratios of a silent output stand (they are nearly zero); its phases, nulls and centre mean nothing."""
    if not silent or result.measurand in ("tr_sin", "tr_cos"):
        return result
    dead = {"sine": ("_sin",), "cosine": ("_cos",), "both": ("_sin", "_cos")}[silent]
    common = ("tr_imbalance", "phase_difference_deg")
    if result.measurand in common or any(name in result.measurand for name in dead):
        return make_untested(result.measurand, f"no signal at the {silent} output")
    return result


def why_no_turn(rotation: Rotation) -> str:
    """Why a run has no ratios."""
    obs = rotation.observed
    if obs.rotor == "none":
        return "no rotor was fitted: a stator alone can't show it"
    if not swept_series(obs):
        _, why = rotation.continuous_sweep
        return why or "the turn on the fly has no excitation or no moving output"
    return "the sweep has no live excitation, no positions or no moving output"


def _conditions(obs: Observed, found: Turn) -> dict[str, Scalar]:
    return {
        "frequency_hz": found.frequency_hz,
        "level_v_rms": found.v_exc_rms,
        "rotor": obs.rotor,
        "clamping": obs.header.get("clamping", 1),
        "points": int(found.inside.sum()),
        "load": "open circuit, corrected",
        "loopback": found.loopback.source,
    }


def _amplitudes(rotation: Rotation, found: Turn, even: Balance, conditions: dict[str, Scalar]) -> list[Result]:
    obs = rotation.observed
    sampler = obs.bench.sampler
    results = []
    for name, tr, u_tr, channel in zip(("sin", "cos"), even.tr, even.u_tr, (2, 3), strict=True):
        lines = [
            standard("excitation divider", sampler.exc_divider_u, "relative", tr, note="bench file"),
            standard("channel gain after the loopback", float(found.loopback.u_gain[channel]), "relative", tr),
            standard("loading by the sampler's inputs", found.loading_u, "relative", tr),
            scatter("scatter round the turn", u_tr, "ratio"),
            half_width("positions of the axis", _second_order(rotation, found), "relative", tr),
        ]
        if found.coarse:
            lines.append(half_width("few positions", few_positions(obs), "relative", tr, note="quick screen"))
        results.append(make_result(f"tr_{name}", tr, lines, conditions | _way(even)))
    gains = found.loopback.u_gain
    lines = [
        standard("channel gain sine against cosine", float(math.hypot(gains[2], gains[3])), "ratio"),
        standard("loading, what is not in common", 0.1 * found.loading_u, "ratio"),
        scatter("scatter round the turn", even.u_imbalance, "ratio"),
        half_width("positions of the axis, order 2p", _imbalance_by_axis(rotation, found), "ratio"),
    ]
    if found.coarse:
        lines.append(half_width("few positions", few_positions(obs), "ratio", note="quick screen"))
    note = "the excitation is common to both outputs and cancels"
    results.append(make_result("tr_imbalance", even.imbalance, lines, conditions | _way(even), note=note))
    return results


def few_positions(obs: Observed) -> float:
    """Half-width, relative or electrical rad, of a wave of order p that only a few spots show: half of what the motor's
    cyclic error moves a spot by."""
    cyclic = obs.bench.axis.cyclic_arcmin if obs.bench.axis else 30.0
    return max(0.002, 0.5 * obs.part.pole_pairs * cyclic / ARCMIN_PER_RAD)


def _second_order(rotation: Rotation, found: Turn) -> float:
    """Relative loss of amplitude by positions that are off by the axis' stated errors: mean square over two."""
    p = rotation.observed.part.pole_pairs
    total = sum(order_half_width_mech_arcmin(rotation, found.reference, n) ** 2 for n in (1, 2, 50))
    return 0.25 * total * (p / ARCMIN_PER_RAD) ** 2 + _imbalance_by_axis(rotation, found) / 2.0


def _imbalance_by_axis(rotation: Rotation, found: Turn) -> float:
    """Half-width of the imbalance (and of the orthogonality, rad) that an axis error of order 2p imitates."""
    p = rotation.observed.part.pole_pairs
    return p * order_half_width_mech_arcmin(rotation, found.reference, 2 * p) / ARCMIN_PER_RAD


def _phases(found: Turn, seen: Places, waves: tuple[Envelope, Envelope], conditions: dict[str, Scalar]) -> list[Result]:
    deg = 180.0 / math.pi
    noise = {name: phase_noise(seen, name, wave) for name, wave in zip(("sin", "cos"), waves, strict=True)}
    phases = {"sin": (found.phase_sine_rad, 2), "cos": (found.phase_cosine_rad, 3)}
    results = []
    for name, (phase, channel) in phases.items():
        lines = [
            standard("channel phase after the loopback", float(found.loopback.u_phase_rad[channel]), "rad", deg),
            standard("loading by the sampler's inputs", found.loading_u, "rad", deg),
            half_width("phase of the divider", 5e-4, "rad", deg),
            scatter("noise across the carrier", noise[name], "rad", deg),
        ]
        if found.coarse:
            lines.append(half_width("few positions", 0.005, "rad", deg, note="quick screen"))
        results.append(make_result(f"phase_{name}_deg", deg * phase, lines, conditions))
    turns = found.loopback.u_phase_rad
    lines = [
        standard("channel phase sine against cosine", math.hypot(turns[2], turns[3]), "rad", deg),
        standard("loading, what is not in common", 0.1 * found.loading_u, "rad", deg),
        scatter("noise across the carrier", math.hypot(*noise.values()), "rad", deg),
    ]
    if found.coarse:
        lines.append(half_width("few positions", 0.005, "rad", deg, note="quick screen"))
    apart = math.remainder(found.phase_sine_rad - found.phase_cosine_rad, 2.0 * math.pi)
    results.append(make_result("phase_difference_deg", deg * apart, lines, conditions))
    return results


def _centre(rotation: Rotation, found: Turn, name: str, wave: Envelope, conditions: dict[str, Scalar]) -> Result:
    tr = abs(wave.wave)
    phase = found.phase_sine_rad if name == "sin" else found.phase_cosine_rad
    lines = [
        scatter("scatter round the turn", wave.u_constant / tr, "ratio"),
        half_width("positions of the axis, order p", _centre_by_axis(rotation, found), "ratio"),
        half_width(
            "crosstalk of the excitation",
            rotation.windings.channels.crosstalk_of_excitation / tr * abs(math.cos(phase)),
            "ratio",
        ),
    ]
    if found.coarse:
        lines.append(half_width("few positions", 0.005, "ratio", note="quick screen"))
    return make_result(f"centre_{name}", wave.constant / tr, lines, conditions)


def _centre_by_axis(rotation: Rotation, found: Turn) -> float:
    p = rotation.observed.part.pole_pairs
    return p * order_half_width_mech_arcmin(rotation, found.reference, p) / ARCMIN_PER_RAD / 2.0


def _way(even: Balance) -> dict[str, Scalar]:
    return {"by": even.by} if even.by == "ellipse" else {}


def _orthogonality(
    rotation: Rotation, found: Turn, even: Balance, seen: Places, conditions: dict[str, Scalar]
) -> Result:
    deg = 180.0 / math.pi
    lines = [
        scatter("scatter round the turn", even.u_orthogonality_rad, "rad", deg),
        half_width("positions of the axis, order 2p", _imbalance_by_axis(rotation, found), "rad", deg),
        half_width("crosstalk of sine and cosine", 2.0 * rotation.windings.channels.crosstalk, "rad", deg),
    ]
    if found.coarse:
        lines.append(half_width("few positions", few_positions(rotation.observed), "rad", deg, note="quick screen"))
    shown = conditions | _way(even)
    if not found.coarse and (ellipse := ellipse_of(seen)) is not None:
        shown["by_ellipse_deg"] = deg * ellipse.orthogonality_rad
    return make_result("orthogonality_elec_deg", deg * even.orthogonality_rad, lines, shown)
