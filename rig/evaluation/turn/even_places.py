"""Both records of a continuous sweep as ratios at even places of the turn, the delay behind the pulses taken off.

It must never know a limit. The record outlasts the move, so its last pulse stands for the target and every window's
place follows from the pulses counted back (rig/evaluation/turn/continuous.py). Windows at constant speed are
gathered on a
grid that the axis could also stand on: a smooth model of the turn takes each to the middle of its place. Voltages of
motion lie across the carrier and turn over with the direction: both passes together cancel them.
Series: rig/evaluation/turn/passes.py. Theory: rig/signal/README.md, 4.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import AxisDevice
from rig.errors import UsageError
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.loopback import Loopback
from rig.evaluation.sampler.phasors import COSINE, EXC_V, SINE, set_frequency_hz
from rig.evaluation.turn.continuous import Complexes, Continuous, Floats, SweepPass, both_passes, one_pass
from rig.observed import Observed
from rig.resolver.turn.grids import good_sweep_points
from rig.resolver.turn.orders import fit_orders
from rig.signal.moving import window_for

STEADY = 0.95  # of the median speed
END_PULSES = 20.0  # periods of silence after the last pulse that show that the move ended within the record
MOST_ORDERS = 100  # of the smooth model, a turn


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepOnTheFly:
    """(n,) both passes, counter-clockwise first. steps: whole steps of the axis; at_s: bench time; sine, cosine:
    ratios at the coil, channels corrected, still loaded by the sampler; exc_v: V peak; u_ratio (n,)."""

    series: tuple[str, str]
    steps: Floats
    counter_clockwise: NDArray[np.bool_]
    at_s: Floats
    sine: Complexes
    cosine: Complexes
    exc_v: Floats
    u_ratio: Floats
    frequency_hz: float
    loopback: Loopback
    latency_s: float
    u_latency_s: float
    closures_elec_rad: tuple[float, float, float] | None
    repeat_elec_rad: float | None


def sweep_on_the_fly(channels: Channels, names: tuple[str, str]) -> tuple[SweepOnTheFly | None, str]:
    """The sweep on the fly of two series, counter-clockwise first; without one, or where it can't be read, None and
    why."""
    obs = channels.observed
    if not all(obs.has(name) for name in names) or obs.bench.axis is None:
        return None, "no sweep in this run" if not any(obs.has(name) for name in names) else "one direction only"
    try:
        return _read_sweep(channels, names, obs.bench.axis), ""
    except UsageError as fault:
        return None, f"{fault.message} {fault.next_action}".strip()


def _read_sweep(channels: Channels, names: tuple[str, str], axis: AxisDevice) -> SweepOnTheFly:
    obs, per_turn = channels.observed, axis.steps_per_turn
    both = [_pass(obs, name, sign, per_turn) for name, sign in zip(names, (1, -1), strict=True)]
    p = obs.part.pole_pairs
    found: Continuous = both_passes(both[0], both[1], [1, 2, *(n * p for n in (1, 2, 3, 4))], cyclic=axis.cyclic_orders)
    loopback = channels.loopback_at(both[0].frequency_hz)
    points = _points(obs, per_turn)
    sides = [_place_means(side, found.latency_s, points, 8 * p) for side in both]
    begun = [obs.capture_readings(name)[0].bench_time_s for name in names]
    divider = obs.bench.sampler.exc_divider
    gain = loopback.gain[EXC_V] * divider
    size = [len(side["place"]) for side in sides]
    return SweepOnTheFly(
        series=names,
        steps=np.concatenate([side["place"] for side in sides]) * (per_turn / points),
        counter_clockwise=np.repeat([True, False], size),
        at_s=np.concatenate([t + side["at_s"] for t, side in zip(begun, sides, strict=True)]),
        sine=np.concatenate([side["sine"] for side in sides]) * gain / loopback.gain[SINE],
        cosine=np.concatenate([side["cosine"] for side in sides]) * gain / loopback.gain[COSINE],
        exc_v=np.concatenate([side["exc"] for side in sides]) / abs(gain),
        u_ratio=np.concatenate([side["u"] for side in sides]) * divider,
        frequency_hz=both[0].frequency_hz,
        loopback=loopback,
        latency_s=found.latency_s,
        u_latency_s=found.u_latency_s,
        closures_elec_rad=found.closures_elec_rad,
        repeat_elec_rad=found.repeat_elec_rad,
    )


def _points(obs: Observed, per_turn: int) -> int:
    good = good_sweep_points(per_turn, obs.part.pole_pairs, obs.part.teeth)
    if not good:
        raise UsageError(
            f"No even grid of {per_turn} steps shows every order of the part.",
            next_action="Set another number of microsteps.",
        )
    return max(good)


def _pass(obs: Observed, series: str, direction: int, per_turn: int) -> SweepPass:
    """One pass at constant speed, its angles mechanical rad from the index."""
    stack, told = obs.captures.stack(series), obs.capture_readings(series)[0].conditions
    near = set_frequency_hz(obs, series)
    target, pulse = told.get("stop_steps"), told.get("pulse_steps")
    if not isinstance(target, int) or not isinstance(pulse, int):
        raise UsageError(
            f"The record {series} doesn't say where the move ended.", next_action="Record stop_steps and pulse_steps."
        )
    step = 2 * np.pi / per_turn * pulse
    fast = obs.bench.axis.max_deg_s if obs.bench.axis else 360.0
    found = one_pass(
        stack,
        pulse_channel="pulses",
        pulse_mech_rad=step,
        direction=direction,
        near_hz=near,
        window_s=window_for(obs.part.pole_pairs * np.radians(fast)),
        exc_channel="exc_v",
    )
    if found.rest_s < END_PULSES * found.pulse_s:
        raise UsageError(
            f"The record {series} ends {1e3 * found.rest_s:.1f} ms after its last pulse, before the move did.",
            next_action="Check the axis' speed against the bench file; take the run again.",
        )
    last = target * 2 * np.pi / per_turn
    speed = np.abs(found.speed_mech_rad_s)
    kept = speed >= STEADY * float(np.median(speed))
    return SweepPass(
        theta_mech_rad=(found.theta_mech_rad + last - found.travel_mech_rad)[kept],
        sine=found.sine[kept],
        cosine=found.cosine[kept],
        speed_mech_rad_s=found.speed_mech_rad_s[kept],
        u_ratio=found.u_ratio,
        exc=found.exc[kept],
        at_s=found.at_s[kept],
        travel_mech_rad=found.travel_mech_rad,
        rest_s=found.rest_s,
        pulse_s=found.pulse_s,
        frequency_hz=found.frequency_hz,
    )


def _place_means(side: SweepPass, latency_s: float, points: int, orders: int) -> dict[str, Any]:
    """Means over the places of the turn that were passed, each value taken to the middle of its place."""
    theta = side.theta_mech_rad - side.speed_mech_rad_s * latency_s
    place = np.mod(np.rint(theta * points / (2 * np.pi)), points).astype(np.int64)
    middle = place * 2 * np.pi / points
    count = np.bincount(place, minlength=points)
    seen = np.flatnonzero(count)

    def mean(values: Floats) -> Floats:
        out: Floats = np.bincount(place, weights=values, minlength=points)[seen] / count[seen]
        return out

    def centre(values: Floats) -> Floats:
        smooth = fit_orders(theta, values, range(1, min(orders, MOST_ORDERS) + 1))
        return mean(values - smooth.evaluate(theta) + smooth.evaluate(middle))

    return {
        "place": seen.astype(np.float64),
        "sine": centre(side.sine.real) + 1j * centre(side.sine.imag),
        "cosine": centre(side.cosine.real) + 1j * centre(side.cosine.imag),
        "exc": mean(side.exc),
        "at_s": mean(side.at_s),
        "u": side.u_ratio / np.sqrt(count[seen]),
    }
