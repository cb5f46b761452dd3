"""The sampler as every step uses it: one set-up for a run, captures, and the level that the coil gets.

It must never judge. A capture lasts one period of the axis's ringing, rounded up (its mean is then as good as having
waited: what is left of a ringing is 0.3 % of its start), and never less than ten periods of the carrier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.control.step import CHANNELS, Context
from rig.errors import UsageError
from rig.quantity import Reading, Scalar
from rig.signal.waveform import Waveform

RING_HZ = 80.0  # when there is no axis to state one
CARRIER_PERIODS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What the coil gets: fundamental at the set frequency and whole alternating content, V and A rms."""

    v_rms: float
    a_rms: float
    total_v_rms: float
    total_a_rms: float


def set_up(ctx: Context) -> float:
    """Configure rate, length and ranges; the sample rate really in use (Hz)."""
    sampler, device = ctx.bench.sampler, ctx.bench.file.sampler
    axis = ctx.bench.file.axis
    able = sampler.abilities
    if able.channels < len(CHANNELS):
        raise UsageError(
            f"the sampler has {able.channels} channels, {len(CHANNELS)} are needed.",
            next_action="Name another sampler in the bench file.",
        )
    rate_hz = min(device.sample_rate_hz, able.max_rate_hz)
    period_s = 1.0 / (axis.ring_hz if axis is not None else RING_HZ)
    periods = max(1, math.ceil(CARRIER_PERIODS / ctx.part.excitation.frequency_hz / period_s))
    samples = min(math.ceil(rate_hz * period_s * periods), able.max_samples)
    used_hz = sampler.configure(
        ranges_v=(device.range_v,) * len(CHANNELS), sample_rate_hz=rate_hz, samples=samples, channels=CHANNELS
    )
    ctx.facts["sampler set up"] = True
    ctx.facts["capture_s"] = samples / used_hz
    return used_hz


def ready(ctx: Context) -> None:
    """Configure once a run."""
    if not ctx.facts.get("sampler set up"):
        set_up(ctx)


def take(ctx: Context) -> Waveform:
    """One capture, now."""
    ready(ctx)
    ctx.bench.sampler.arm()
    return fetch_triggered(ctx)


def fetch_triggered(ctx: Context) -> Waveform:
    """The capture of a sampler that is armed."""
    sampler = ctx.bench.sampler
    sampler.trigger()
    sampler.wait_captured()
    return sampler.fetch()


def conditions(ctx: Context, set_v_rms: float, generator_v_rms: float) -> dict[str, Scalar]:
    """What every capture states: frequency and level wanted at the coil, and what the generator was told."""
    return {
        "frequency_hz": ctx.part.excitation.frequency_hz,
        "set_v_rms": set_v_rms,
        "generator_v_rms": generator_v_rms,
    }


def several(ctx: Context, series: str, count: int, set_v_rms: float, generator_v_rms: float) -> list[Reading]:
    """Some captures one after the other under the same conditions."""
    readings = []
    for i in range(count):
        readings.append(ctx.capture(series, take(ctx), **conditions(ctx, set_v_rms, generator_v_rms)))
        ctx.progress(f"{series} {i + 1} of {count}", i + 1, count)
    return readings


def level(ctx: Context, waveform: Waveform) -> Level:
    """The level at the coil, from voltage and current channel with divider and shunt applied. Least squares."""
    device = ctx.bench.file.sampler
    volts = waveform.volts()
    v, i = volts[0] / device.exc_divider, volts[1] / device.shunt_ohm
    t_s = np.arange(v.size) / waveform.sample_rate_hz
    angle = 2.0 * np.pi * ctx.part.excitation.frequency_hz * (t_s - t_s.mean())
    basis = np.column_stack((np.ones_like(angle), np.cos(angle), np.sin(angle)))
    found, *_ = np.linalg.lstsq(basis, np.column_stack((v, i)), rcond=None)
    v_rms, a_rms = np.hypot(found[1], found[2]) / math.sqrt(2.0)
    return Level(v_rms=float(v_rms), a_rms=float(a_rms), total_v_rms=float(v.std()), total_a_rms=float(i.std()))


def measure_level(ctx: Context, waveform: Waveform) -> Level:
    """The level, told to the guard: above a ceiling the run stops."""
    found = level(ctx, waveform)
    ctx.bench.guard.check_measured(found.total_v_rms, found.total_a_rms)
    return found
