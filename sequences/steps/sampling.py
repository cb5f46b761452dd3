"""The sampler as every step uses it: one set-up for a run, captures, and the level that the coil gets.

It must never judge. A capture lasts one period of the axis's ringing, rounded up (its mean is then as good as having
waited: what is left of a ringing is 0.3 % of its start), and never less than ten periods of the carrier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.control.step import CHANNELS, Context
from rig.errors import UsageError
from rig.quantity import Reading, Scalar
from rig.signal.waveform import Waveform

CONNECTED = "connected"  # fact: the inputs that the sampler's channels are on, where a hand moves its cables
SLOW = "sampler is slow"  # fact: whether it takes longer than the guard's own limit for the first measurement
ONE_RANGE = "one range"  # fact: all channels on one range, for one signal on all of them
PHASORS = "of the pair"  # fact: (ratio of both outputs over the excitation, amperes a volt), for a pair without it
RING_PERIODS = "ringing periods of a capture"  # fact: at least, where one record serves better than several
RING_HZ = 80.0  # when there is no axis to state one
CARRIER_PERIODS = 10
CODES = 2.0  # amplitude of a current, in codes, from which on it is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What the coil gets: fundamental at the set frequency and whole alternating content, V and A rms.

    a_code: amperes of one code of the converter; a current of less than a code or two is not told by it.
    """

    v_rms: float
    a_rms: float
    total_v_rms: float
    total_a_rms: float
    a_code: float = 0.0

    @property
    def resolves_current(self) -> bool:
        """Whether the current is more than the converter's own steps."""
        return math.sqrt(2.0) * self.a_rms > CODES * self.a_code


def connected_inputs(ctx: Context) -> tuple[str, ...]:
    """The inputs that the sampler's channels are on: all four, or the two that a hand put its cables on."""
    found: tuple[str, ...] = ctx.facts.get(CONNECTED, CHANNELS)
    return found


def ranges_v(ctx: Context, channels: tuple[str, ...]) -> tuple[float, ...]:
    """Range of each channel: the bench file's; the current's own, except where one signal is on all of them."""
    device = ctx.bench.file.sampler
    own = None if ctx.facts.get(ONE_RANGE) else device.current_range_v
    return tuple(own if own is not None and name == "exc_i" else device.range_v for name in channels)


def check_channels(ctx: Context, needed: int) -> None:
    """Raise UsageError for a sampler of fewer channels than are needed at once."""
    if (has := ctx.bench.sampler.abilities.channels) < needed:
        raise UsageError(
            f"the sampler has {has} channels, {needed} are needed at once.",
            next_action="Name another sampler in the bench file, or run hand_test, which needs two.",
        )


def four_rows(waveform: Waveform, channels: tuple[str, ...]) -> Waveform:
    """A capture as every capture is kept: exc_v, exc_i, sin, cos; inputs that nothing was on hold 0 V."""
    if channels == CHANNELS:
        return waveform
    where = [channels.index(name) if name in channels else None for name in CHANNELS]
    empty = round(-float(waveform.offset_v[0]) / float(waveform.scale_v[0]))  # the code of 0 V: no rail, no signal
    codes = np.full((len(CHANNELS), waveform.codes.shape[1]), empty, dtype=waveform.codes.dtype)
    scale_v = np.full(len(CHANNELS), waveform.scale_v[0])
    offset_v = np.full(len(CHANNELS), waveform.offset_v[0])
    for row, at in enumerate(where):
        if at is not None:
            codes[row], scale_v[row], offset_v[row] = waveform.codes[at], waveform.scale_v[at], waveform.offset_v[at]
    return replace(waveform, codes=codes, scale_v=scale_v, offset_v=offset_v, channels=CHANNELS)


def set_up(ctx: Context) -> float:
    """Configure rate, length and ranges; the sample rate really in use (Hz)."""
    sampler, device = ctx.bench.sampler, ctx.bench.file.sampler
    axis = ctx.bench.file.axis
    channels = connected_inputs(ctx)
    check_channels(ctx, len(channels))
    rate_hz = min(device.sample_rate_hz, sampler.abilities.max_rate_hz)
    period_s = 1.0 / (axis.ring_hz if axis is not None else RING_HZ)
    periods = max(
        ctx.facts.get(RING_PERIODS, 1), math.ceil(CARRIER_PERIODS / ctx.part.excitation.frequency_hz / period_s)
    )
    samples = min(math.ceil(rate_hz * period_s * periods), sampler.abilities.max_samples)
    used_hz = sampler.configure(
        ranges_v=ranges_v(ctx, channels), sample_rate_hz=rate_hz, samples=samples, channels=channels
    )
    ctx.facts["sampler set up"] = True
    ctx.facts["capture_s"] = samples / used_hz
    return used_hz


def lengthen(ctx: Context, periods: int) -> None:
    """Captures of so many periods of the axis' ringing from now on; 1: as short as they may be."""
    ctx.facts[RING_PERIODS] = periods
    ctx.facts["sampler set up"] = False


def ready(ctx: Context) -> None:
    """Configure once a run."""
    if not ctx.facts.get("sampler set up"):
        set_up(ctx)


def time_latency(ctx: Context) -> bool:
    """Whether the sampler is slow, by a capture that is timed once a run before anything is energised."""
    ready(ctx)
    if SLOW not in ctx.facts:
        begun_s = ctx.clock.now_s()
        ctx.bench.sampler.arm()
        fetch_triggered(ctx)
        ctx.facts[SLOW] = ctx.bench.guard.sampler_takes(ctx.clock.now_s() - begun_s)
    return bool(ctx.facts[SLOW])


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
    return four_rows(sampler.fetch(), connected_inputs(ctx))


def conditions(ctx: Context, set_v_rms: float, generator_v_rms: float) -> dict[str, Scalar]:
    """What every capture states: frequency and level wanted at the coil, and what the generator was told."""
    found: dict[str, Scalar] = {
        "frequency_hz": ctx.part.excitation.frequency_hz,
        "set_v_rms": set_v_rms,
        "generator_v_rms": generator_v_rms,
    }
    return found if connected_inputs(ctx) == CHANNELS else found | {"channels": " ".join(connected_inputs(ctx))}


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
    if "exc_v" not in connected_inputs(ctx):
        return _level_by_outputs(ctx, waveform)
    v, i = volts[0] / device.exc_divider, volts[1] / device.shunt_ohm
    found = fundamentals(ctx, waveform, np.stack((v, i)))
    a_code = float(waveform.scale_v[1]) / device.shunt_ohm
    return Level(
        v_rms=float(found[0]),
        a_rms=float(found[1]),
        total_v_rms=float(v.std()),
        total_a_rms=math.sqrt(max(float(i.var()) - a_code**2 / 4.0, 0.0)),  # a step that toggles is no current
        a_code=a_code,
    )


def fundamentals(ctx: Context, waveform: Waveform, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(channels,) rms at the set frequency, least squares. values: (channels, samples)."""
    t_s = np.arange(values.shape[1]) / waveform.sample_rate_hz
    angle = 2.0 * np.pi * ctx.part.excitation.frequency_hz * (t_s - t_s.mean())
    basis = np.column_stack((np.ones_like(angle), np.cos(angle), np.sin(angle)))
    found, *_ = np.linalg.lstsq(basis, values.T, rcond=None)
    rms: NDArray[np.float64] = np.hypot(found[1], found[2]) / math.sqrt(2.0)
    return rms


def _level_by_outputs(ctx: Context, waveform: Waveform) -> Level:
    """The level by both outputs, whose ratio to the excitation was just measured, where no channel is left for it."""
    ratio, a_per_v = ctx.facts[PHASORS]
    both = fundamentals(ctx, waveform, waveform.volts()[2:4])
    v_rms = float(np.hypot(*both)) / ratio
    return Level(v_rms=v_rms, a_rms=v_rms * a_per_v, total_v_rms=v_rms, total_a_rms=v_rms * a_per_v)


def measure_level(ctx: Context, waveform: Waveform) -> Level:
    """The level, told to the guard: above a ceiling the run stops."""
    found = level(ctx, waveform)
    ctx.bench.guard.check_measured(found.total_v_rms, found.total_a_rms)
    return found
