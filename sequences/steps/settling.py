"""How long the axis rings after a move of the grid: one record from the move's end on, its windows compared.

It must never judge the part. A window lasts one period of the stated ringing; the axis has settled where two successive
windows agree, from there on, within the noise that the excitation's fit shows (all inputs are on one range). The bench
file's settle is the least that a sweep waits: what is measured can only prolong it.
Theory: rig/signal/README.md, 4.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.control.step import CHANNELS, Context
from rig.errors import UsageError
from rig.signal import sine_fit
from rig.signal.waveform import Waveform

FACT = "settle_s"
PERIODS_BEYOND = 6  # of the ringing, looked at beyond the stated settle
ENCODER_WINDOW_S = 0.5  # beyond the stated settle, in which an encoder is followed
READINGS_A_PERIOD = 6.0  # of the ringing, by an encoder that answers so fast
SIGMAS = 4.0
LEAST_RELATIVE = 1e-5  # of the excitation: a change below 0.1' electrical at a ratio near 0.3


def settle_s(ctx: Context) -> float:
    """Seconds to wait after a move: the bench file's, or what was measured where that is longer."""
    device = ctx.bench.file.axis
    if device is None:
        raise UsageError(f"bench {ctx.bench.file.name} has no axis.", next_action="Leave the sweep out.")
    return max(device.settle_s, float(ctx.facts.get(FACT, 0.0)))


def measure(ctx: Context, steps: int) -> None:
    """One move of the grid, recorded from its end: `step_settle_s` as found, kept for the sweeps of this run.

    steps: of the move, positive. The excitation is on; the axis ends where it began. Nothing is put down where the
    excitation is too small to see it.
    """
    axis, device, sampler = ctx.bench.axis, ctx.bench.file.axis, ctx.bench.sampler
    if axis is None or device is None:
        raise UsageError(f"bench {ctx.bench.file.name} has no axis.", next_action="Leave the sweep out.")
    seconds = device.settle_s + PERIODS_BEYOND / device.ring_hz
    wish = ctx.bench.file.sampler
    rate_hz = min(wish.sample_rate_hz, sampler.abilities.max_rate_hz)
    samples = min(round(rate_hz * seconds), sampler.abilities.max_samples)
    ranges_v = (wish.range_v,) * len(CHANNELS)
    sampler.configure(ranges_v=ranges_v, sample_rate_hz=rate_hz, samples=samples, channels=CHANNELS)
    ctx.facts["sampler set up"] = False
    axis.move_to(-steps)
    axis.wait_stopped(device.settle_s)
    ctx.check_stop()
    sampler.arm()
    axis.move_to(0)
    axis.wait_stopped()
    ended_s = ctx.clock.now_s()
    sampler.trigger()
    begun_s = ctx.clock.now_s() - ended_s
    sampler.wait_captured()
    found = settled_after_s(sampler.fetch(), ctx.part.excitation.frequency_hz, 1.0 / device.ring_hz)
    if found is None:
        return
    ctx.facts[FACT] = found + begun_s
    ctx.read("step_settle_s", found + begun_s, "s", ctx.bench.name("axis"), measured=True, steps=steps)


def measure_by_encoder(ctx: Context, steps: int) -> None:
    """One move of the grid, followed by the encoder until it stands still: kept for the sweeps of this run.

    A record of one period averages the ringing out; a single reading of the encoder does not. The axis ends where it
    began. steps: of the move, positive.
    """
    axis, encoder, device = ctx.bench.axis, ctx.bench.encoder, ctx.bench.file.axis
    if axis is None or encoder is None or device is None or ctx.bench.file.encoder is None:
        raise UsageError(f"bench {ctx.bench.file.name} has no encoder on its axis.", next_action="Leave this out.")
    axis.move_to(-steps)
    axis.wait_stopped(device.settle_s)
    ctx.check_stop()
    axis.move_to(0)
    axis.wait_stopped()
    begun_s = ctx.clock.now_s()
    times_s, angles_deg = [0.0], [encoder.angle_mech_deg()]
    while times_s[-1] < device.settle_s + ENCODER_WINDOW_S:
        ctx.clock.sleep(1.0 / (READINGS_A_PERIOD * device.ring_hz))
        angles_deg.append(encoder.angle_mech_deg())
        times_s.append(ctx.clock.now_s() - begun_s)
    found_s = still_after_s(np.array(times_s), np.array(angles_deg), ctx.bench.file.encoder.residual_arcmin)
    ctx.facts[FACT] = max(float(ctx.facts.get(FACT, 0.0)), found_s)
    ctx.read("step_settle_s", found_s, "s", ctx.bench.name("encoder"), measured=True, steps=steps)


def still_after_s(times_s: NDArray[np.float64], angles_mech_deg: NDArray[np.float64], residual_arcmin: float) -> float:
    """When readings (n,) of an encoder stay within its residual, or its scatter, of their last quarter; the last time
    where they never do. Mechanical degrees, 0 to 360."""
    away = (angles_mech_deg - angles_mech_deg[-1] + 180.0) % 360.0 - 180.0
    last = away[-max(4, len(away) // 4) :]
    away_arcmin = 60.0 * np.abs(away - float(np.mean(last)))
    scatter_arcmin = 60.0 * float(np.std(np.diff(last))) / math.sqrt(2.0)  # of successive readings: no drift in it
    moving = np.flatnonzero(away_arcmin > max(residual_arcmin, 3.0 * scatter_arcmin))
    after = 0 if moving.size == 0 else min(int(moving[-1]) + 1, len(times_s) - 1)
    return float(times_s[after])


def settled_after_s(waveform: Waveform, frequency_hz: float, period_s: float) -> float | None:
    """Seconds from the record's start to the first window from which on every two successive ones agree.

    The last window's start where none agree; None where the excitation is missing or fewer than three windows fit.
    """
    size = round(period_s * waveform.sample_rate_hz)
    volts = waveform.volts()
    count = volts.shape[1] // size if size else 0
    if count < 3:
        return None
    windows = volts[:, : count * size].reshape(volts.shape[0], count, size).transpose(1, 0, 2)
    fitted = sine_fit.fit(windows, waveform.sample_rate_hz, frequency_hz)
    exc = fitted.fundamental[:, 0]
    if float(np.min(np.abs(exc))) <= 10.0 * float(np.max(fitted.u_amplitude[:, 0])):
        return None
    ratios = fitted.fundamental[:, 2:4] / exc[:, None]
    u = float(np.median(fitted.u_amplitude[:, 0]) / np.median(np.abs(exc)))  # the outputs' residuals hold the ringing
    apart: NDArray[np.float64] = np.max(np.abs(np.diff(ratios, axis=0)), axis=1)
    moving = np.flatnonzero(apart > max(SIGMAS * np.sqrt(2.0) * u, LEAST_RELATIVE))
    first = 0 if moving.size == 0 else int(moving[-1]) + 1
    return first * size / waveform.sample_rate_hz
