"""A turn on the fly: the rotor turns steadily, step or encoder pulses are sampled on a channel of their own.

It must never know a limit. Phasors come from short windows with a ramp (rig/signal/moving.py), each referred to its
centre; the position there is read between the pulse edges, all on the sampler's one clock, so that no host's timestamp
comes in. What is left is a constant delay between pulse and rotor: it moves the angle by speed times delay, with the
direction; a pass in each direction cancels it and tells its size. Theory: rig/signal/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.turn.angle import electrical_angle, pole_pairs
from rig.resolver.turn.error_curve import deviation
from rig.resolver.turn.orders import Orders, design, fit_orders
from rig.signal.common_frequency import pooled_frequency
from rig.signal.moving import moving_phasors
from rig.signal.phasor import carrier_phase, signed_envelope
from rig.signal.waveform import WaveformStack

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
LEAST_TRAVEL = 3.0 * math.pi  # mechanical rad of a pass that shows what a turn leaves
SLOW_ORDERS = 8  # a turn, of what one turn leaves against the next
PIECE = 4096  # samples of the pieces in which the carrier's frequency is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPass:
    """One pass. theta_mech_rad (n,): at each window's centre, from the first pulse, falling in a clockwise pass;
    sine, cosine (n,): ratios to the excitation; speed_mech_rad_s (n,): signed; u_ratio by the windows' residuals.
    exc (n,): modulus, V peak; at_s (n,): from the record's start; travel_mech_rad: first to last pulse; rest_s: from
    the last pulse to the record's end; pulse_s: the median period."""

    theta_mech_rad: Floats
    sine: Complexes
    cosine: Complexes
    speed_mech_rad_s: Floats
    u_ratio: float
    exc: Floats
    at_s: Floats
    travel_mech_rad: float
    rest_s: float
    pulse_s: float
    frequency_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Continuous:
    """Both passes as one. model: the error's orders, electrical rad, mean removed, delay cancelled; latency_s: delay
    of the recorded angle behind the pulses, + when the angle lags; u_latency_s: from the scatter; hysteresis can't be
    told from it at one speed (play adds to it). pole_pairs, direction as found; scatter_elec_rad: rms of a window
    about the model. closures_elec_rad: (upward, downward, standard uncertainty of half their difference), each the
    reading after a turn less the first one; None where a pass covers too little of a second turn. repeat_elec_rad:
    what one turn differs by from the next of the same pass, rms of its slow orders, for one turn; None likewise."""

    model: Orders
    pole_pairs: int
    direction: int
    latency_s: float
    u_latency_s: float
    scatter_elec_rad: float
    closures_elec_rad: tuple[float, float, float] | None
    repeat_elec_rad: float | None


def edges_s(pulses: Floats, sample_rate_hz: float) -> Floats:
    """Times of the rising edges of a pulse channel, interpolated between samples, seconds from the first sample.

    pulses (m,): volts. Thresholds at a third and two thirds of the swing: ringing below a third of it makes no edge.
    Raises UsageError for fewer than three edges.
    """
    low, high = float(np.min(pulses)), float(np.max(pulses))
    lower, upper, middle = low + (high - low) / 3, low + 2 * (high - low) / 3, 0.5 * (low + high)
    state = np.where(pulses > upper, 1, np.where(pulses < lower, -1, 0))
    known = np.flatnonzero(state)
    turns = known[1:][(state[known[1:]] == 1) & (state[known[:-1]] == -1)]
    if high <= low or turns.size < 3:
        raise UsageError(
            f"The pulse channel shows {turns.size} rising edges.",
            next_action="Check the pulse lead and the sample rate: two samples a pulse half at least.",
        )
    before = known[:-1][(state[known[1:]] == 1) & (state[known[:-1]] == -1)]
    found = []
    for start, stop in zip(before, turns, strict=True):
        rise = np.arange(start, stop + 1)
        at = int(rise[np.argmax(pulses[rise] >= middle)])
        step = pulses[at] - pulses[at - 1]
        found.append((at - 1 + (middle - pulses[at - 1]) / step if step > 0 else float(at)) / sample_rate_hz)
    return np.array(found)


def one_pass(
    stack: WaveformStack,
    *,
    pulse_channel: str,
    pulse_mech_rad: float,
    direction: int,
    near_hz: float | None = None,
    window_s: float = 1e-3,
    exc_channel: str = "exc",
) -> SweepPass:
    """A pass from one long record. stack: one capture with channels exc_channel, sin, cos and the pulse channel.

    pulse_mech_rad: mechanical rad a pulse, above 0. direction: +1 counter-clockwise, -1. Windows outside the pulses
    are left out. Raises UsageError for a stack of several captures, missing channels or pulses.
    """
    wanted = (exc_channel, "sin", "cos", pulse_channel)
    missing = [name for name in wanted if name not in stack.channels]
    if missing or len(stack) != 1 or pulse_mech_rad <= 0:
        raise UsageError(
            f"A pass needs one record with the channels {', '.join(wanted)}; missing: {', '.join(missing) or 'none'}.",
            next_action="Record the pulses with the resolver, in one capture.",
        )
    at = [stack.channels.index(name) for name in wanted]
    volts = stack.volts()[:, at, :]
    rate_hz, m = stack.sample_rate_hz, volts.shape[2]
    piece = min(PIECE, m)
    pieces = volts[0, 0, : m // piece * piece].reshape(-1, piece)
    hz = pooled_frequency(pieces, rate_hz, near_hz=near_hz).frequency_hz
    windows = moving_phasors(volts[:, :3, :], rate_hz, hz, window_s=window_s)
    edges = edges_s(volts[0, 3], rate_hz)
    inside = (windows.centre_s >= edges[0]) & (windows.centre_s <= edges[-1])
    centre = windows.centre_s[inside]
    counted = np.interp(centre, edges, np.arange(edges.size)) * pulse_mech_rad
    between = np.clip(np.searchsorted(edges, centre, side="right") - 1, 0, edges.size - 2)
    exc = windows.phasor[0, inside, 0]
    return SweepPass(
        theta_mech_rad=direction * counted,
        sine=windows.phasor[0, inside, 1] / exc,
        cosine=windows.phasor[0, inside, 2] / exc,
        speed_mech_rad_s=direction * pulse_mech_rad / np.diff(edges)[between],
        u_ratio=float(np.max(windows.u[1:]) / np.median(np.abs(exc))),
        exc=np.abs(exc),
        at_s=centre,
        travel_mech_rad=direction * (edges.size - 1) * pulse_mech_rad,
        rest_s=m / rate_hz - float(edges[-1]),
        pulse_s=float(np.median(np.diff(edges))),
        frequency_hz=hz,
    )


def both_passes(
    up: SweepPass, down: SweepPass, orders: list[int], start_mech_rad: float = 0.0, cyclic: Sequence[int] = ()
) -> Continuous:
    """Two passes in opposite directions as one error curve.

    orders: fitted to the error. start_mech_rad: where the downward pass begins, from the upward pass's first pulse.
    cyclic: orders of the motor, which the closures must not take for scatter. Each pass covers a turn at least. Raises
    UsageError when the directions are not opposite or the points too few.
    """
    if np.median(up.speed_mech_rad_s) <= 0 or np.median(down.speed_mech_rad_s) >= 0:
        raise UsageError("Both passes turn the same way.", next_action="Record one pass in each direction.")
    theta = np.concatenate([up.theta_mech_rad, start_mech_rad + down.theta_mech_rad])
    sine, cosine = np.concatenate([up.sine, down.sine]), np.concatenate([up.cosine, down.cosine])
    common = carrier_phase(np.concatenate([sine - sine.mean(), cosine - cosine.mean()]), constant=0j).phase_rad
    u, _ = signed_envelope(sine, carrier_phase(sine, sign_from=common).phase_rad)
    v, _ = signed_envelope(cosine, carrier_phase(cosine, sign_from=common).phase_rad)
    theta_elec = electrical_angle(u, v)
    pairs = pole_pairs(theta_elec, theta)
    away, _ = deviation(theta_elec, theta, pairs.value, pairs.direction)
    speed = np.concatenate([up.speed_mech_rad_s, down.speed_mech_rad_s])
    sides = (speed > 0, speed < 0)
    fits = [fit_orders(theta[side], away[side], orders) for side in sides]
    mean = [float(np.mean(speed[side])) for side in sides]
    rate = pairs.direction * pairs.value * (mean[0] - mean[1])
    u_constant = math.sqrt(sum(float(fit.covariance[0, 0]) for fit in fits))
    lag = -(fits[0].constant - fits[1].constant) / rate
    corrected = away + pairs.direction * pairs.value * speed * lag
    model = fit_orders(theta, corrected - float(np.mean(corrected)), orders)
    return Continuous(
        model=model,
        pole_pairs=pairs.value,
        direction=pairs.direction,
        latency_s=lag,
        u_latency_s=u_constant / abs(rate),
        scatter_elec_rad=model.residual_rms,
        closures_elec_rad=_closures([(theta[side], away[side]) for side in sides], [*orders, *cyclic]),
        repeat_elec_rad=_repeat([(theta[side], away[side]) for side in sides]),
    )


def _repeat(sides: Sequence[tuple[Floats, Floats]]) -> float | None:
    """How well a turn comes back: a pass' second turn less its first, constant and slow orders, rms of one turn.

    Noise of a window and the motor's own orders between windows are no part of it: they are carried elsewhere.
    """
    if min(float(np.ptp(theta)) for theta, _ in sides) < LEAST_TRAVEL:
        return None
    power = 0.0
    for theta, away in sides:
        rank = np.argsort(theta)
        along, value = theta[rank], away[rank]
        first = along <= along[-1] - 2.0 * math.pi
        apart = np.interp(along[first] + 2.0 * math.pi, along, value) - value[first]
        rows = design(along[first], range(1, SLOW_ORDERS + 1))
        slow = rows @ (np.linalg.pinv(rows) @ apart)
        power += float(np.mean(slow**2)) / len(sides)
    return math.sqrt(0.5 * power)


def _closures(sides: Sequence[tuple[Floats, Floats]], orders: Sequence[int]) -> tuple[float, float, float] | None:
    """What a turn leaves in each pass, by the slope beside the orders, and the standard uncertainty of half their
    difference, electrical rad."""
    if min(float(np.ptp(theta)) for theta, _ in sides) < LEAST_TRAVEL:
        return None
    (up, u_up), (down, u_down) = (_slope(theta, away, orders) for theta, away in sides)
    turn = 2.0 * math.pi
    return turn * up, -turn * down, 0.5 * turn * math.hypot(u_up, u_down)


def _slope(theta: Floats, away: Floats, orders: Sequence[int]) -> tuple[float, float]:
    """(slope of a pass's deviation over the angle, its standard uncertainty), orders fitted beside it."""
    rows = np.column_stack([theta - np.mean(theta), design(theta, sorted(set(orders)))])
    inverse = np.linalg.pinv(rows)
    solution = inverse @ away
    left = away - rows @ solution
    sigma = float(np.sqrt(np.sum(left**2) / max(1, theta.size - rows.shape[1])))
    return float(solution[0]), sigma * float(np.linalg.norm(inverse[0]))
