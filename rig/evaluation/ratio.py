"""Transformation ratios, phases, centre, quadrature, nulls and orthogonality from one turn of the rotor.

It must never know a limit. Definitions: DEVELOPERS.md, "Truth": ratio = amplitude of order p of the signed envelope on
the output's own carrier phase, outputs open, excitation at the coil; phase lead +, within +-90 deg; nulls at the
interpolated zero crossings of the envelope, at the nominal excitation; orthogonality from the order-p phases of both
envelopes, with the ellipse as a cross-check. Theory: signal.md 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.observed import Observed
from rig.evaluation.positioner import order_half_width_mech_arcmin
from rig.evaluation.stating import ARCMIN_PER_RAD, half_width, standard, stated, untested
from rig.evaluation.turn import Turn, silent_output, turn
from rig.quantity import Scalar
from rig.resolver.ellipse import fit_ellipse
from rig.resolver.orders import Orders, fit_orders
from rig.resolver.ratio import crossings
from rig.result import Result
from rig.uncertainty.budget import BudgetLine

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """A channel's signed envelope as orders a mechanical turn. wave: complex amplitude of order p, Re(c e^{j p theta});
    constant: what doesn't move with the rotor; u_wave: standard uncertainty of |wave| from the scatter."""

    fit: Orders
    wave: complex
    u_wave: float

    @property
    def constant(self) -> float:
        return self.fit.constant


def envelope(theta_mech_rad: Floats, values: Floats, pole_pairs: int, coarse: bool, teeth: int | None) -> Envelope:
    """Orders of an envelope: all up to what the grid carries, or p and 2p of a quick screen's few spots."""
    fit = fit_orders(theta_mech_rad, values, envelope_orders(theta_mech_rad, pole_pairs, coarse, teeth))
    wave = complex(fit.coefficients[fit.orders.index(pole_pairs)])
    return Envelope(fit=fit, wave=wave, u_wave=fit.u_amplitude(pole_pairs))


def envelope_orders(theta_mech_rad: Floats, p: int, coarse: bool, teeth: int | None) -> list[int]:
    """Orders from 1 up that these positions can tell apart."""
    points = len(np.unique(np.round(np.mod(theta_mech_rad, 2.0 * math.pi), 5)))
    if coarse or points < 12 * p:
        return [p, 2 * p] if points >= 7 else [p]
    top = min(int(0.35 * points), max(3 * (teeth or 4 * p) + p, 12 * p))
    return list(range(1, max(top, p) + 1))


def ratio_results(obs: Observed) -> list[Result]:
    """All lines of the ratio, null and quadrature groups; untested with the reason where there is no turn."""
    found = turn(obs)
    if found is None:
        return [untested(id_, why_no_turn(obs)) for id_ in IDS]
    u, qu, v, qv = (part[found.inside] for part in found.envelopes())
    theta = found.theta_mech_rad[found.inside]
    p, teeth = obs.part.pole_pairs, obs.part.teeth
    wave_u = envelope(theta, u, p, found.coarse, teeth)
    wave_v = envelope(theta, v, p, found.coarse, teeth)
    conditions = _conditions(obs, found)
    results = _amplitudes(obs, found, wave_u, wave_v, conditions)
    results += _phases(found, conditions)
    results += _remainders(obs, found, "sin", wave_u, (u, qu), found.harmonics_sine[found.inside], conditions)
    results += _remainders(obs, found, "cos", wave_v, (v, qv), found.harmonics_cosine[found.inside], conditions)
    silent = silent_output(found)
    if not silent:
        results.append(_orthogonality(obs, found, wave_u, wave_v, u, v, conditions))
    else:
        results.append(untested("orthogonality_elec_deg", f"no signal at the {silent} output"))
    return [_voided(result, silent) for result in results]


def _voided(result: Result, silent: str) -> Result:
    """Ratios of a silent output stand (they are nearly zero); its phases, nulls and centre mean nothing."""
    if not silent or result.measurand in ("tr_sin", "tr_cos"):
        return result
    dead = {"sine": ("_sin",), "cosine": ("_cos",), "both": ("_sin", "_cos")}[silent]
    common = ("tr_imbalance", "phase_difference_deg")
    if result.measurand in common or any(name in result.measurand for name in dead):
        return untested(result.measurand, f"no signal at the {silent} output")
    return result


def why_no_turn(obs: Observed) -> str:
    """Why a run has no ratios."""
    if obs.rotor == "none":
        return "no rotor was fitted: a stator alone can't show it"
    if not (obs.has("sweep_ccw") or obs.has("sweep_cw") or obs.has("spots")):
        return "no sweep in this run"
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


def _amplitudes(
    obs: Observed, found: Turn, sine: Envelope, cosine: Envelope, conditions: dict[str, Scalar]
) -> list[Result]:
    sampler = obs.bench.sampler
    results = []
    for name, wave, channel in (("sin", sine, 2), ("cos", cosine, 3)):
        tr = abs(wave.wave)
        lines = [
            standard("excitation divider", sampler.exc_divider_u, "relative", tr, note="bench file"),
            standard("channel gain after the loopback", float(found.loopback.u_gain[channel]), "relative", tr),
            standard("loading by the sampler's inputs", found.loading_u, "relative", tr),
            standard("scatter round the turn", wave.u_wave, "ratio"),
            half_width("positions of the axis", _second_order(obs, found), "relative", tr),
        ]
        if found.coarse:
            lines.append(half_width("few positions", few_positions(obs), "relative", tr, note="quick screen"))
        results.append(stated(f"tr_{name}", tr, lines, conditions))
    balance = abs(sine.wave) / abs(cosine.wave) - 1.0
    gains = found.loopback.u_gain
    lines = [
        standard("channel gain sine against cosine", float(math.hypot(gains[2], gains[3])), "ratio"),
        standard("loading, what is not in common", 0.1 * found.loading_u, "ratio"),
        standard("scatter round the turn", math.hypot(sine.u_wave, cosine.u_wave) / abs(cosine.wave), "ratio"),
        half_width("positions of the axis, order 2p", _imbalance_by_axis(obs, found), "ratio"),
    ]
    if found.coarse:
        lines.append(half_width("few positions", few_positions(obs), "ratio", note="quick screen"))
    note = "the excitation is common to both outputs and cancels"
    results.append(stated("tr_imbalance", balance, lines, conditions, note=note))
    return results


def few_positions(obs: Observed) -> float:
    """Half-width, relative or electrical rad, of a wave of order p that only a few spots show: half of what the motor's
    cyclic error moves a spot by."""
    cyclic = obs.bench.axis.cyclic_arcmin if obs.bench.axis else 30.0
    return max(0.002, 0.5 * obs.part.pole_pairs * cyclic / ARCMIN_PER_RAD)


def _second_order(obs: Observed, found: Turn) -> float:
    """Relative loss of amplitude by positions that are off by the axis' stated errors: mean square over two."""
    p = obs.part.pole_pairs
    total = sum(order_half_width_mech_arcmin(obs, found.reference, n) ** 2 for n in (1, 2, 50))
    return 0.25 * total * (p / ARCMIN_PER_RAD) ** 2 + _imbalance_by_axis(obs, found) / 2.0


def _imbalance_by_axis(obs: Observed, found: Turn) -> float:
    """Half-width of the imbalance (and of the orthogonality, rad) that an axis error of order 2p imitates."""
    p = obs.part.pole_pairs
    return 2.0 * p * order_half_width_mech_arcmin(obs, found.reference, 2 * p) / ARCMIN_PER_RAD


def _phases(found: Turn, conditions: dict[str, Scalar]) -> list[Result]:
    deg = 180.0 / math.pi
    phases = {"sin": (found.phase_sine_rad, 2), "cos": (found.phase_cosine_rad, 3)}
    results = []
    for name, (phase, channel) in phases.items():
        lines = [
            standard("channel phase after the loopback", float(found.loopback.u_phase_rad[channel]), "rad", deg),
            standard("loading by the sampler's inputs", found.loading_u, "rad", deg),
            half_width("phase of the divider", 5e-4, "rad", deg),
            standard("noise", float(np.mean(found.u_ratio)) / math.sqrt(found.u_ratio.size), "rad", 2.0 * deg),
        ]
        if found.coarse:
            lines.append(half_width("few positions", 0.005, "rad", deg, note="quick screen"))
        results.append(stated(f"phase_{name}_deg", deg * phase, lines, conditions))
    turns = found.loopback.u_phase_rad
    lines = [
        standard("channel phase sine against cosine", math.hypot(turns[2], turns[3]), "rad", deg),
        standard("loading, what is not in common", 0.1 * found.loading_u, "rad", deg),
    ]
    if found.coarse:
        lines.append(half_width("few positions", 0.005, "rad", deg, note="quick screen"))
    apart = math.remainder(found.phase_sine_rad - found.phase_cosine_rad, 2.0 * math.pi)
    results.append(stated("phase_difference_deg", deg * apart, lines, conditions))
    return results


def _remainders(
    obs: Observed,
    found: Turn,
    name: str,
    wave: Envelope,
    sides: tuple[Floats, Floats],
    harmonics: Complexes,
    conditions: dict[str, Scalar],
) -> list[Result]:
    """Quadrature, centre and nulls of one output. sides: its in-phase and quadrature envelope at the inside points."""
    tr = abs(wave.wave)
    theta = found.theta_mech_rad[found.inside]
    across = envelope(theta, sides[1], obs.part.pole_pairs, found.coarse, obs.part.teeth).fit
    fine = np.linspace(0.0, 2.0 * math.pi, 4096, endpoint=False)
    quadrature = float(np.max(np.abs(across.evaluate(fine)))) / tr
    noise = float(np.sqrt(np.max(across.variance(fine[::64])))) / tr
    lines = [
        standard("noise and model", noise + across.residual_rms / tr / 3.0, "ratio"),
        standard("carrier phase", 2e-5, "ratio"),
        half_width("channel gain and loading", 1e-3 * quadrature, "ratio"),
    ]
    centre_lines: list[BudgetLine] = [
        standard("scatter round the turn", wave.u_wave / tr, "ratio"),
        half_width("positions of the axis, order p", _centre_by_axis(obs, found), "ratio"),
    ]
    if found.coarse:
        lines.append(half_width("few positions", 0.005, "ratio", note="quick screen"))
        centre_lines.append(half_width("few positions", 0.005, "ratio", note="quick screen"))
    return [
        stated(f"quadrature_{name}", quadrature, lines, conditions),
        stated(f"centre_{name}", wave.constant / tr, centre_lines, conditions),
        *_nulls(obs, found, name, wave, sides, harmonics, conditions),
    ]


def _centre_by_axis(obs: Observed, found: Turn) -> float:
    p = obs.part.pole_pairs
    return p * order_half_width_mech_arcmin(obs, found.reference, p) / ARCMIN_PER_RAD / 2.0


def _nulls(
    obs: Observed,
    found: Turn,
    name: str,
    wave: Envelope,
    sides: tuple[Floats, Floats],
    harmonics: Complexes,
    conditions: dict[str, Scalar],
) -> list[Result]:
    level = obs.part.excitation.level_v_rms
    theta = found.theta_mech_rad[found.inside]
    ids = (f"null_fund_{name}_v", f"null_total_{name}_v")
    try:
        nulls = crossings(theta, sides[0], sides[1], wave.fit.orders)
    except UsageError:
        return [untested(id_, "the envelope doesn't cross zero") for id_ in ids]
    at = np.array([null.theta_mech_rad for null in nulls])
    fundamental = np.array([null.null for null in nulls]) * level
    total = np.sqrt(fundamental**2 + _harmonics_at(obs, found, harmonics, at))
    noise = max(null.u_null for null in nulls) * level
    seen = dict(conditions) | {"level_v_rms": level, "as_measured_v_rms": found.v_exc_rms, "nulls": int(at.size)}
    results = []
    for id_, values in zip(ids, (fundamental, total), strict=True):
        worst = float(values.max())
        lines = [
            standard("noise and model at the null", noise, "V"),
            half_width("level and channel gain", 2e-3 * worst, "V"),
            half_width("crosstalk and the sampler's own distortion", 2e-5 * level, "V"),
        ]
        if found.coarse:
            lines.append(half_width("few positions", 0.005 * abs(wave.wave) * level, "V", note="quick screen"))
        results.append(stated(id_, worst, lines, seen | {"bandwidth": "harmonics 1 to 5"}))
    return results


def _harmonics_at(obs: Observed, found: Turn, harmonics: Complexes, at: Floats) -> Floats:
    """Mean square volts of harmonics 2 to 5 at the crossings, at the nominal level, fitted round the turn."""
    theta = found.theta_mech_rad[found.inside]
    orders = envelope_orders(theta, obs.part.pole_pairs, found.coarse, obs.part.teeth)
    squares = np.zeros_like(at)
    scale = obs.part.excitation.level_v_rms / found.v_exc_rms
    for h in range(harmonics.shape[1]):
        real, imag = (fit_orders(theta, part.copy(), orders) for part in (harmonics[:, h].real, harmonics[:, h].imag))
        power = real.evaluate(at) ** 2 + imag.evaluate(at) ** 2 - real.variance(at) - imag.variance(at)
        squares += np.maximum(power, 0.0) / 2.0 * scale**2
    return squares


def orthogonality_rad(sine: Envelope, cosine: Envelope, direction: int) -> float:
    """Angle between sine and cosine null less a quarter turn, electrical rad, in the direction of the run."""
    apart = float(np.angle(sine.wave)) + math.pi / 2.0 - float(np.angle(cosine.wave))
    apart = math.remainder(apart, 2.0 * math.pi) * (1 if direction >= 0 else -1)
    return math.remainder(apart, math.pi)


def direction_of(sine: Envelope, cosine: Envelope) -> int:
    """+1 when the sine lags the cosine by a quarter electrical turn (theta_elec rises with theta_mech), else -1."""
    return 1 if math.sin(float(np.angle(sine.wave)) - float(np.angle(cosine.wave))) < 0 else -1


def _orthogonality(
    obs: Observed,
    found: Turn,
    sine: Envelope,
    cosine: Envelope,
    u: Floats,
    v: Floats,
    conditions: dict[str, Scalar],
) -> Result:
    deg = 180.0 / math.pi
    value = orthogonality_rad(sine, cosine, direction_of(sine, cosine))
    lines = [
        standard("scatter round the turn", math.hypot(sine.u_wave, cosine.u_wave) / abs(cosine.wave), "rad", deg),
        half_width("positions of the axis, order 2p", _imbalance_by_axis(obs, found), "rad", deg),
        half_width("carrier phases", 1e-4, "rad", deg),
    ]
    if found.coarse:
        lines.append(half_width("few positions", few_positions(obs), "rad", deg, note="quick screen"))
    seen = dict(conditions)
    if not found.coarse:
        seen["by_ellipse_deg"] = deg * fit_ellipse(u, v).orthogonality_rad
    return stated("orthogonality_elec_deg", deg * value, lines, seen)
