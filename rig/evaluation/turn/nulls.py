"""Null voltages and quadrature of one output: what is left where its envelope crosses zero, and across its carrier.

It must never know a limit. At each interpolated crossing the fundamental's quadrature and harmonics 2 to 5 are read
from their fits round the turn; the largest crossing counts, without the bias that the luckiest of several noisy ones
has (rig/resolver/turn/largest_null.py). Volts rms at the nominal level.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.results import half_width, make_result, make_untested, scatter, standard
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.phasors import COSINE, SINE
from rig.evaluation.turn.envelopes import Envelope, Places, envelope_orders, low_pass, phase_noise, pruned
from rig.evaluation.turn.ratios import Turn
from rig.observed import Observed
from rig.quantity import Scalar
from rig.resolver.turn.largest_null import largest_null
from rig.resolver.turn.loading import ACROSS
from rig.resolver.turn.noise import are_even
from rig.resolver.turn.ratio import crossings
from rig.result import Result
from rig.signal.phasor import carrier_phase, signed_envelope

Floats = NDArray[np.float64]
BESIDE_NULL_ELEC_RAD = math.radians(5.0)  # how far beside a null the rotor may have rested to show it
HARMONIC_LOADING = 0.03  # half-width, relative, of the harmonics by the loading of the outputs


def quadrature_result(
    channels: Channels, found: Turn, name: str, wave: Envelope, seen: Places, conditions: dict[str, Scalar]
) -> Result:
    """Largest share across the carrier over the turn, by the orders that stand out of the noise."""
    tr = abs(wave.wave)
    carrier = phase_noise(seen, name, wave)
    if not are_even(seen.theta):  # quadrature that turns with the rotor then tilts the carrier
        carrier = carrier_phase((found.sine if name == "sin" else found.cosine)[found.inside]).u_rad
    orders = envelope_orders(seen.theta, channels.observed.part.pole_pairs, found.coarse, channels.observed.part.teeth)
    across = pruned(seen.theta, seen.side(name)[1], orders)
    fine = np.linspace(0.0, 2.0 * math.pi, 4096, endpoint=False)
    quadrature = float(np.max(np.abs(across.evaluate(fine)))) / tr
    noise = float(np.sqrt(np.max(across.variance(fine[::64])))) / tr
    leaked = _leakage(channels, found, name, tr) / tr
    lines = [
        scatter("noise and orders left out", noise, "ratio"),
        scatter("carrier phase", carrier, "ratio"),
        half_width("crosstalk", leaked, "ratio"),
        half_width("channel gain and loading", 1e-3 * quadrature, "ratio"),
        half_width("loading by the other output", ACROSS * abs(found.loading_other.imag), "ratio"),
    ]
    if found.coarse:
        lines.append(half_width("few positions", 0.005, "ratio", note="quick screen"))
    return make_result(f"quadrature_{name}", quadrature, lines, conditions)


def null_results(
    channels: Channels,
    found: Turn,
    name: str,
    wave: Envelope,
    seen: Places,
    conditions: dict[str, Scalar],
    resting: Turn | None = None,
) -> list[Result]:
    """null_fund and null_total of one output. resting: what was read at rest beside a turn on the fly."""
    level = channels.observed.part.excitation.level_v_rms
    ids = (f"null_fund_{name}_v", f"null_total_{name}_v")
    try:
        at, parts, u = _at_crossings(channels.observed, found, name, seen)
    except UsageError:
        return [make_untested(id_, "the envelope doesn't cross zero") for id_ in ids]
    moving = "turned on the fly: the rotor does not rest at its nulls"
    if resting is not None:
        both = _at_rest(channels.observed, found, resting, name, at, parts, u)
        parts, u = both or (parts, u)
        moving = "" if both else "turned on the fly: the rotor did not rest at every null"
    shown = dict(conditions) | {"level_v_rms": level, "as_measured_v_rms": found.v_exc_rms, "nulls": len(parts)}
    results = []
    leaked = _leakage(channels, found, name, abs(wave.wave)) * level
    fundamental = largest_null(parts[:, :1], u[:, :1], leaked).value
    for id_, count in zip(ids, (1, parts.shape[1]), strict=True):
        if id_ == ids[1] and parts.shape[1] == 1 and found.latency_s is None:
            results.append(make_untested(id_, "phasors carry no harmonics"))
            continue
        if id_ == ids[1] and found.latency_s is not None and moving:
            results.append(make_untested(id_, moving))
            continue
        worst = largest_null(parts[:, :count], u[:, :count], leaked)
        lines = [
            scatter("noise and crosstalk at the null", worst.u, "V"),
            standard("excitation divider and channel gain", _u_scale(channels, found, name), "relative", worst.value),
            half_width("loading of the harmonics", HARMONIC_LOADING * abs(worst.value - fundamental), "V"),
        ]
        if found.coarse:
            lines.append(half_width("few positions", 0.005 * abs(wave.wave) * level, "V", note="quick screen"))
        results.append(make_result(id_, worst.value, lines, shown | {"bandwidth": "harmonics 1 to 5"}))
    return results


def _u_scale(channels: Channels, found: Turn, name: str) -> float:
    """Relative standard uncertainty of an output's volts per volt of excitation."""
    gain = float(found.loopback.u_gain[SINE if name == "sin" else COSINE])
    return math.hypot(channels.observed.bench.sampler.exc_divider_u, gain, found.loading_u)


def _at_rest(
    obs: Observed, found: Turn, resting: Turn, name: str, at_mech_rad: Floats, across: Floats, u_across: Floats
) -> tuple[Floats, Floats] | None:
    """(nulls, parts) volts rms at the crossings of a turn on the fly, and their standard uncertainties; None where the
    rotor did not rest at every one of them.

    across, u_across: (nulls, 1) the fundamental across the carrier as the turn shows it; what was read at rest is
    weighed with it. What goes with the envelope or its square is taken off first: orders of the turn as far as these
    places tell them apart, read where the nulls lie, among the places themselves.
    """
    level = obs.part.excitation.level_v_rms
    ratios, phase, harmonics = (
        (resting.sine, found.phase_sine_rad, resting.harmonics_sine)
        if name == "sin"
        else (resting.cosine, found.phase_cosine_rad, resting.harmonics_cosine)
    )
    along, quadrature = signed_envelope(ratios, phase)
    theta = resting.theta_mech_rad
    apart = np.abs(np.angle(np.exp(1j * (theta[None, :] - at_mech_rad[:, None]))))
    if not np.all(np.any(apart * obs.part.pole_pairs < BESIDE_NULL_ELEC_RAD, axis=1)):
        return None
    scale = level / resting.v_exc_rms / math.sqrt(2.0)
    waves = [part * scale for h in range(harmonics.shape[1]) for part in (harmonics[:, h].real, harmonics[:, h].imag)]
    shape = np.column_stack([np.ones_like(along), along, along**2])  # the places can't tell order 2p from the constant
    columns = [
        one - shape[:, 1:] @ np.linalg.lstsq(shape, one, rcond=None)[0][1:] for one in (quadrature * level, *waves)
    ]
    orders = range(1, (np.unique(resting.steps).size - 1) // 2 + 1)
    fits = [low_pass(theta, column, orders) for column in columns]
    rested = np.stack([fit.evaluate(at_mech_rad) for fit in fits], axis=1)
    u = np.sqrt(np.stack([fit.variance(at_mech_rad) for fit in fits], axis=1))
    power, own = u_across[:, :1] ** 2, u[:, :1] ** 2
    share = own / np.maximum(power + own, 1e-300)
    rested[:, :1] = share * across[:, :1] + (1.0 - share) * rested[:, :1]
    u[:, :1] = np.sqrt(power * share)
    return rested, u


def _at_crossings(obs: Observed, found: Turn, name: str, seen: Places) -> tuple[Floats, Floats, Floats]:
    """(nulls,) mechanical rad of each crossing; (nulls, parts) volts rms at each and their standard uncertainties from
    noise: the fundamental across the carrier, then real and imaginary part of each harmonic. What of it goes with
    the envelope is taken off first: it vanishes at the crossing, wherever the axis thinks that is."""
    level = obs.part.excitation.level_v_rms
    along, across, harmonics = seen.side(name)
    orders = envelope_orders(seen.theta, obs.part.pole_pairs, found.coarse, obs.part.teeth)
    nulls = crossings(seen.theta, along, across, orders)  # without the motor's orders, as the quadrature beside it
    at = np.array([null.theta_mech_rad for null in nulls])
    quadrature = low_pass(seen.theta, across, orders)
    values, variances = [quadrature.evaluate(at) * level], [quadrature.variance(at) * level**2]
    scale = level / found.v_exc_rms / math.sqrt(2.0)
    for h in range(harmonics.shape[1]):
        for part in (harmonics[:, h].real, harmonics[:, h].imag):
            fit = low_pass(seen.theta, part - along * float(part @ along / (along @ along)), orders)
            values.append(fit.evaluate(at) * scale)
            variances.append(fit.variance(at) * scale**2)
    return at, np.stack(values, axis=1), np.sqrt(np.stack(variances, axis=1))


def _leakage(channels: Channels, found: Turn, name: str, tr: float) -> float:
    """Half-width, ratio: what excitation, its current and the other output leak across this output's own carrier."""
    phases = (found.phase_sine_rad, found.phase_cosine_rad)
    own = phases[0] if name == "sin" else phases[1]
    current = (
        float(np.mean(np.abs(found.exc_i)) / np.mean(np.abs(found.exc_v))) * channels.observed.bench.sampler.shunt_ohm
    )
    other = tr * abs(math.sin(phases[0] - phases[1]))
    return channels.crosstalk_of_excitation * abs(math.sin(own)) + channels.crosstalk * (current + other)
