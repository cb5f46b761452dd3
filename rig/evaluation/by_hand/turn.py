"""The rotor turned by hand while the sampler records: everything that the ellipse tells, and no angle error.

It must never know a limit. Nobody knows where the rotor stands: the two envelopes are each other's reference
(rig/evaluation/by_hand/ellipse.py). What winding harmonics may imitate is budgeted with the largest radius
order that only
they make. Series: `hand_turned`, captures in a row. Theory: rig/resolver/README.md, 2.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.by_hand.across import across_results, turning_across
from rig.evaluation.by_hand.ellipse import HandTurn, hand_turn, off_centre, turning
from rig.evaluation.by_hand.two_channels import PAIR, frequency_of, sign_lines, two_channels
from rig.evaluation.coils.loading import Loading, loading
from rig.evaluation.coils.windings import Windings
from rig.evaluation.results import by_scatter, half_width, make_result, make_untested, standard
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.loopback import Loopback
from rig.evaluation.sampler.phasors import COSINE, EXC_V, SINE, alive, set_frequency_hz
from rig.evaluation.turn.ratio import IDS as RATIO_IDS
from rig.observed import BESIDE, RECORD, Observed
from rig.quantity import Scalar
from rig.result import Result
from rig.signal.common_frequency import pooled_frequency
from rig.signal.moving import (
    Windows,
    kept_amplitude,
    moving_phasors,
    ratio_slope,
    window_for,
    window_samples,
)
from rig.signal.waveform import WaveformStack
from rig.uncertainty.budget import BudgetLine

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
SERIES = "hand_turned"
WINDOW_S = 1e-3
LEAST_WINDOWS = 4  # in a record, below which nobody can say that the rotor moved
MOVES = 0.01  # of the outputs' size, rms over a record
NOISE_FACTOR = 6.0
ANGLE_IDS = (
    "pole_pairs",
    "direction",
    "zero_elec_deg",
    "error_max_elec_arcmin",
    "error_max_mech_arcmin",
    "error_span_elec_arcmin",
    "error_rms_elec_arcmin",
)
DEG = 180.0 / math.pi
SECOND, SECOND_SHARE = 3e-4, 0.03
THIRD, THIRD_SHARE = 5e-5, 0.01
"""Half-widths, relative, of the components of the windings' second harmonic a_2, which looks like a centre, and of the
third one a_3 that turns as the fundamental does and looks like an imbalance: a constant, and a share of the centre's
distance from zero, in quadrature. In a stator whose teeth are alike neither exists. Teeth that differ by a few
thousandths make a centre with the mean permeance and, with its second and third harmonic (a few hundredths, one
hundredth), a_2 and a_3. Of 160 parts of tests/foreign 97 % lie inside."""


def hand_series(channels: Channels) -> str:
    """The series in which somebody turned the rotor: a hand-turned run's, or a record in which the outputs move beside
    the excitation; "" where there is none."""
    for series in (SERIES, PAIR):
        if channels.observed.has(series):
            return series
    return RECORD if channels.observed.has(RECORD) and _moves(channels) else ""


def _moves(channels: Channels) -> bool:
    stack, found = channels.observed.captures.stack(RECORD), channels.phasors(RECORD)
    if found is None or channels.observed.has(RECORD + BESIDE):
        return False
    rate_hz, hz = stack.sample_rate_hz, found.frequency.frequency_hz
    if stack.codes.shape[2] < LEAST_WINDOWS * window_samples(rate_hz, hz, WINDOW_S):
        return False
    windows = moving_phasors(stack.codes, rate_hz, hz, window_s=WINDOW_S, scale=stack.scale_v)
    exc = windows.phasor[0, :, EXC_V]
    if np.min(np.abs(exc)) < 0.1 * np.max(np.abs(exc)):
        return False
    ratios = [windows.phasor[0, :, c] / exc for c in (SINE, COSINE)]
    size = max(float(np.max(np.abs(part))) for part in ratios)
    noise = float(np.max(windows.u)) / float(np.median(np.abs(exc)))
    return max(float(np.std(part)) for part in ratios) >= max(MOVES * size, NOISE_FACTOR * noise)


def hand_results(windings: Windings, series: str) -> list[Result]:
    """Ratio, null and quadrature lines by hand; the angle lines say that they were not measured."""
    angle = [make_untested(id_, "turned by hand: nobody knows where the rotor stood") for id_ in ANGLE_IDS]
    if not series:
        return [make_untested(id_, "not turned by hand in this run") for id_ in RATIO_IDS] + angle
    try:
        pair = series == PAIR
        found, loopback, conditions, opened, unseen = _of_pair(windings) if pair else _of_run(windings, series)
    except UsageError as fault:
        return [make_untested(id_, fault.message) for id_ in RATIO_IDS] + angle
    lines = _amplitudes(windings.observed, found, loopback, opened, conditions, unseen)
    lines += _shape(windings.channels, found, loopback, opened, conditions) + _phases(
        found, loopback, opened, conditions
    )
    lines += across_results(windings, found, loopback, opened, conditions, pair=pair)
    rank = {id_: i for i, id_ in enumerate(RATIO_IDS)}
    return sorted(lines, key=lambda line: rank[line.measurand]) + angle


def _of_pair(windings: Windings) -> tuple[HandTurn, Loopback, dict[str, Scalar], Loading, float]:
    """As `_of_run`, of two captures with two channels each."""
    obs, hz = windings.observed, frequency_of(windings.observed)
    loopback, window_s = windings.channels.loopback_at(hz), WINDOW_S
    for _ in range(2):
        seen = two_channels(obs, loopback, hz, window_s)
        ratios, slopes, opened = _unload(windings, seen.ratios, seen.slopes, hz)
        speed = turning(ratios, slopes)
        if (narrower := window_for(float(np.quantile(np.abs(speed), 0.99)))) >= window_s:
            break
        window_s = narrower
    kept = kept_amplitude(speed, seen.window_s)
    found = hand_turn(ratios[0] / kept, ratios[1] / kept, speed, seen.at_s, obs.part.pole_pairs or 1)
    conditions = _conditions(obs, found, loopback, hz, seen.level_v_rms) | {"channels": "two at a time"} | seen.sign
    return found, loopback, conditions, opened, seen.between


def _of_run(windings: Windings, series: str) -> tuple[HandTurn, Loopback, dict[str, Scalar], Loading, float]:
    """(turn, loopback, conditions, loading, relative half-width of an excitation that was unseen)."""
    obs = windings.observed
    stack = obs.captures.stack(series)
    if not alive(stack):
        raise UsageError("the excitation is absent in some captures", next_action="Check the excitation.")
    near = set_frequency_hz(obs, series) or None
    frequency = pooled_frequency(stack.codes[:, EXC_V, :], stack.sample_rate_hz, near_hz=near)
    hz = frequency.frequency_hz
    loopback = windings.channels.loopback_at(hz)
    windows, ratios, speed, opened = _ratios(windings, stack, hz, loopback, 1e-3)
    if window_for(fastest := float(np.quantile(np.abs(speed), 0.99))) < 1e-3:
        windows, ratios, speed, opened = _ratios(windings, stack, hz, loopback, window_for(fastest))
    divider = obs.bench.sampler.exc_divider
    readings = obs.capture_readings(series)
    begun = np.array([reading.bench_time_s for reading in readings], dtype=np.float64)
    at_s = (begun[:, None] + windows.centre_s[None, :]).ravel()
    kept = kept_amplitude(speed, windows.samples / stack.sample_rate_hz)
    found = hand_turn(ratios[0] / kept, ratios[1] / kept, speed, at_s, obs.part.pole_pairs or 1)
    rms = np.abs(windows.phasor[..., EXC_V] / loopback.gain[EXC_V]) / math.sqrt(2.0) / divider
    conditions = _conditions(obs, found, loopback, hz, float(np.mean(rms)))
    return found, loopback, conditions, opened, 0.0


def _conditions(obs: Observed, found: HandTurn, loopback: Loopback, hz: float, level_v_rms: float) -> dict[str, Scalar]:
    return {
        "frequency_hz": hz,
        "level_v_rms": level_v_rms,
        "rotor": obs.rotor,
        "turned": "by hand",
        "turns_mech": found.turns_mech,
        "electrical_cycles": found.cycles,
        "whole_turn": found.whole,
        "points": found.points,
        "load": "open circuit, corrected",
        "loopback": loopback.source,
    }


def _ratios(
    windings: Windings, stack: WaveformStack, hz: float, loopback: Loopback, window_s: float
) -> tuple[Windows, list[Complexes], Floats, Loading]:
    """(windows, sine and cosine ratio with the outputs open, speed, loading)."""
    windows = moving_phasors(stack.codes, stack.sample_rate_hz, hz, window_s=window_s, scale=stack.scale_v)
    divider = windings.observed.bench.sampler.exc_divider
    gains = [loopback.gain[EXC_V] / loopback.gain[channel] * divider for channel in (SINE, COSINE)]
    reference = windows.phasor[..., EXC_V]
    sine, cosine = (
        (windows.phasor[..., c] / reference * g).ravel() for c, g in zip((SINE, COSINE), gains, strict=True)
    )
    slopes = [(ratio_slope(windows, c, EXC_V) * g).ravel() for c, g in zip((SINE, COSINE), gains, strict=True)]
    ratios, slopes, opened = _unload(windings, (sine, cosine), (slopes[0], slopes[1]), hz)
    return windows, ratios, turning(ratios, slopes), opened


def _unload(
    windings: Windings, ratios: tuple[Complexes, Complexes], slopes: tuple[Complexes, Complexes], hz: float
) -> tuple[list[Complexes], list[Complexes], Loading]:
    """Ratios and their slopes with the outputs open, and the loading."""
    opened = loading(windings, ratios, hz)
    factors = (opened.sine, opened.cosine)
    open_, moving = ([a * b for a, b in zip(side, factors, strict=True)] for side in (ratios, slopes))
    return open_, moving, opened


def _model(found: HandTurn, width: float, sensitivity: float, unit: str = "ratio") -> list[BudgetLine]:
    """What winding harmonics of this half-width imitate, and what a part of a turn leaves out."""
    lines = [half_width("winding harmonics that look the same", width, unit, sensitivity)]
    lines.append(half_width("places that are uneven by centre and shape", 0.5 * found.bend**2, unit, sensitivity))
    if not found.whole:
        lines.append(half_width("less than a whole turn", 0.01, unit, sensitivity / 2))
    return lines


def _second(found: HandTurn) -> float:
    return math.hypot(SECOND, SECOND_SHARE * off_centre(found.ellipse))


def _third(found: HandTurn) -> float:
    return math.hypot(THIRD, THIRD_SHARE * off_centre(found.ellipse))


def _amplitudes(
    obs: Observed,
    found: HandTurn,
    loopback: Loopback,
    opened: Loading,
    conditions: dict[str, Scalar],
    unseen: float,
) -> list[Result]:
    """unseen: relative half-width of the excitation's level where it was not sampled beside the outputs."""
    results = []
    sizes = (found.ellipse.amplitude_u, found.ellipse.amplitude_v)
    dof = max(1, found.u.size - 5)
    for name, tr, u, channel in zip(("sin", "cos"), sizes, found.ellipse.u[4:6], (SINE, COSINE), strict=True):
        lines = [
            standard("excitation divider", obs.bench.sampler.exc_divider_u, "relative", tr, note="bench file"),
            standard("channel gain after the loopback", float(loopback.u_gain[channel]), "relative", tr),
            standard("loading by the sampler's inputs", opened.u, "relative", tr),
            by_scatter("scatter of the radius", float(u), "ratio", dof),
            *_model(found, _third(found), tr, "relative"),
        ]
        lines += [half_width("excitation not sampled beside the outputs", unseen, "relative", tr)] if unseen else []
        results.append(make_result(f"tr_{name}", tr, lines, conditions, note="turned by hand"))
    return results


def _shape(
    channels: Channels, found: HandTurn, loopback: Loopback, opened: Loading, conditions: dict[str, Scalar]
) -> list[Result]:
    ellipse, dof = found.ellipse, max(1, found.u.size - 5)
    u_imbalance, u_orthogonality, u_cu, u_cv = (float(part) for part in ellipse.u[:4])
    gains = math.hypot(float(loopback.u_gain[SINE]), float(loopback.u_gain[COSINE]))
    both = [
        standard("channel gain sine against cosine", gains, "ratio"),
        standard("loading, what is not in common", 0.1 * opened.u, "ratio"),
    ]
    imbalance = [
        *both,
        by_scatter("scatter of the radius", u_imbalance, "ratio", dof),
        *_model(found, 2.0 * _third(found), 1.0),
    ]
    square = [
        by_scatter("scatter of the radius", u_orthogonality, "rad", dof, DEG),
        half_width("crosstalk of sine and cosine", 2.0 * channels.crosstalk, "rad", DEG),
        *_model(found, 2.0 * _third(found), DEG, "rad"),
    ]
    results = [
        make_result("tr_imbalance", ellipse.imbalance, imbalance, conditions, note="by the ellipse"),
        make_result(
            "orthogonality_elec_deg", DEG * ellipse.orthogonality_rad, square, conditions, note="by the ellipse"
        ),
    ]
    centres = (
        ("sin", ellipse.centre_u, u_cu, ellipse.amplitude_u),
        ("cos", ellipse.centre_v, u_cv, ellipse.amplitude_v),
    )
    for name, centre, u_centre, size in centres:
        value, u = centre / size, u_centre / size
        lines = [
            by_scatter("scatter of the radius", u, "ratio", dof),
            half_width("crosstalk of the excitation", channels.crosstalk_of_excitation / size, "ratio"),
            *_model(found, _second(found), 1.0),
            *sign_lines(value, conditions),
        ]
        results.append(make_result(f"centre_{name}", value, lines, conditions, note="by the ellipse"))
    return results


def _phases(found: HandTurn, loopback: Loopback, opened: Loading, conditions: dict[str, Scalar]) -> list[Result]:
    results = []
    both = (found.phase_sine_rad, found.phase_cosine_rad)
    for name, phase, u, channel in zip(("sin", "cos"), both, found.u_phase_rad, (SINE, COSINE), strict=True):
        lines = [
            standard("channel phase after the loopback", float(loopback.u_phase_rad[channel]), "rad", DEG),
            standard("loading by the sampler's inputs", opened.u, "rad", DEG),
            half_width("phase of the divider", 5e-4, "rad", DEG),
            by_scatter("scatter across the carrier", u, "rad", max(1, found.points - 2), DEG),
            half_width("quadrature that turns with the rotor", turning_across(found), "rad", DEG),
        ]
        results.append(make_result(f"phase_{name}_deg", DEG * phase, lines, conditions))
    turns = math.hypot(float(loopback.u_phase_rad[SINE]), float(loopback.u_phase_rad[COSINE]))
    lines = [
        standard("channel phase sine against cosine", turns, "rad", DEG),
        standard("loading, what is not in common", 0.1 * opened.u, "rad", DEG),
        by_scatter("scatter across the carrier", math.hypot(*found.u_phase_rad), "rad", max(1, found.points - 2), DEG),
        half_width("quadrature that turns with the rotor", turning_across(found), "rad", DEG),
    ]
    apart = math.remainder(both[0] - both[1], 2 * math.pi)
    return [*results, make_result("phase_difference_deg", DEG * apart, lines, conditions)]
