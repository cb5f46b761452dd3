"""The channels against each other: complex gain of every sampler channel relative to channel 0.

It must never know what a channel is connected to afterwards. Series `loopback`: one signal into all four inputs, the
divider and the shunt bypassed; the ratio of fundamentals is the channels' gain and delay. In force: the run's own
series, else the calibration in the run header, else none (gain 1, with an uncertainty that says so). Between two
frequencies a delay is scaled with the frequency. Source: rig/evaluation/README.md, rig/signal/README.md, 2.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.observed import Absent, Observed
from rig.signal.common_frequency import pooled_frequency
from rig.signal.sine_fit import fit_stack
from rig.signal.waveform import WaveformStack

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
SERIES = "loopback"
UNKNOWN_GAIN = 5e-3  # standard, relative and radians, of a channel that was never compared
DEAD_GAIN = 0.05
SAME_RANGE = 0.02  # relative, of full scale
DRIFT_PERCENT = 0.02  # half-width since the comparison, where the bench file states nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Loopback:
    """gain (4,) complex, channel 0 is 1; u_gain (4,) relative standard, u_phase_rad (4,); scatter (4,) of the captures.

    source: "run", "calibration" or "none"; utc: when it was made ("" for none); ranges_v, where known; dead: channels
    that showed next to nothing of the common signal (their gain stays 1).
    """

    gain: Complexes
    u_gain: Floats
    u_phase_rad: Floats
    scatter: Floats
    captures: int
    frequency_hz: float
    source: str
    utc: str = ""
    ranges_v: tuple[float, ...] = ()
    dead: tuple[int, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data, as it is kept between runs."""
        return {
            "schema": "anglewright loopback 1",
            "utc": self.utc,
            "frequency_hz": self.frequency_hz,
            "gain": [[float(g.real), float(g.imag)] for g in self.gain],
            "scatter": [float(s) for s in self.scatter],
            "captures": self.captures,
            "ranges_v": list(self.ranges_v),
        }


def measured_loopback(obs: Observed, series: str = SERIES) -> Loopback | None:
    """The loopback of the run's own captures; None when there are none or a channel of them is dead."""
    if not obs.has(series):
        return None
    stack = obs.captures.stack(series)
    spread = stack.codes.max(axis=2).astype(np.int64) - stack.codes.min(axis=2)
    if stack.codes.shape[1] < 4 or np.any(spread[:, 0] <= 8):
        return None
    readings = obs.capture_readings(series)
    near = readings[0].conditions.get("frequency_hz") if readings else None
    near_hz = float(near) if isinstance(near, int | float) else obs.part.excitation.frequency_hz
    frequency = pooled_frequency(stack.codes[:, 0, :], stack.sample_rate_hz, near_hz=near_hz)
    fitted = fit_stack(stack, frequency.frequency_hz)
    ratios = fitted.fundamental / fitted.fundamental[:, :1]
    gain = ratios.mean(axis=0)
    dead = np.abs(gain) < DEAD_GAIN
    gain, ratios = np.where(dead, 1.0, gain), np.where(dead, 1.0, ratios)
    n = len(stack)
    size = np.where(dead, 1.0, np.abs(fitted.fundamental).mean(axis=0))
    floor = fitted.noise() * math.sqrt(2.0 / fitted.samples) / size
    scatter = np.std(np.abs(ratios / gain), axis=0, ddof=1) if n > 1 else floor
    return Loopback(
        gain=gain,
        u_gain=(u := _uncertainty(obs, np.maximum(scatter, floor), n)),
        u_phase_rad=u.copy(),
        scatter=np.maximum(scatter, floor),
        captures=n,
        frequency_hz=frequency.frequency_hz,
        source="run",
        utc=readings[-1].time_utc if readings else "",
        ranges_v=tuple(float(s * stack.rail_high) for s in stack.scale_v),
        dead=tuple(int(c) for c in np.flatnonzero(dead)),
    )


def from_calibration(obs: Observed, data: Mapping[str, Any]) -> Loopback:
    """A loopback kept from an earlier run (`to_dict`)."""
    gain = np.array([complex(re, im) for re, im in data["gain"]])
    scatter = np.array(data.get("scatter") or [0.0] * gain.size, dtype=np.float64)
    captures = int(data.get("captures") or 1)
    return Loopback(
        gain=gain,
        u_gain=(u := _uncertainty(obs, scatter, captures)),
        u_phase_rad=u.copy(),
        scatter=scatter,
        captures=captures,
        frequency_hz=float(data["frequency_hz"]),
        source="calibration",
        utc=str(data.get("utc") or ""),
        ranges_v=tuple(float(r) for r in data.get("ranges_v") or ()),
    )


def loopback_in_force(obs: Observed, own: Loopback | None) -> Loopback:
    """The loopback that corrects this run. own: the one of the run's captures; None: the header's, else none at all."""
    if own is not None:
        return own
    kept = obs.header.get("calibration")
    if isinstance(kept, Mapping):
        data = kept.get("data", kept)
        if isinstance(data, Mapping) and "gain" in data and "frequency_hz" in data:
            return from_calibration(obs, {"utc": kept.get("made_utc", ""), **data})
    ones = np.ones(4)
    unknown = (0.0 if obs.lacks(Absent.RECORDER) else UNKNOWN_GAIN) * np.array([0.0, 1.0, 1.0, 1.0])
    return Loopback(
        gain=ones.astype(np.complex128),
        u_gain=unknown,
        u_phase_rad=unknown.copy(),
        scatter=np.zeros(4),
        captures=0,
        frequency_hz=obs.part.excitation.frequency_hz,
        source="none",
    )


def _uncertainty(obs: Observed, scatter: Floats, captures: int) -> Floats:
    """(4,) relative standard uncertainty of the gains: noise of the captures, and drift since."""
    spec = obs.bench.sampler.spec_of("gain")
    drift = (spec.percent_reading if spec else DRIFT_PERCENT) / 100.0 / math.sqrt(3.0)
    noise = scatter / math.sqrt(max(captures, 1))
    u: Floats = np.hypot(noise, drift)
    u[0] = 0.0
    return u


def on_ranges(found: Loopback, stack: WaveformStack, range_gain_u: float) -> Loopback:
    """The same channels on a series' own ranges: a channel on another range than in the loopback has a gain that was
    not compared. range_gain_u: relative standard uncertainty of one range against another."""
    if len(found.ranges_v) != stack.scale_v.size:
        return found
    ranges_v = stack.scale_v * stack.rail_high
    apart = np.abs(ranges_v / np.array(found.ranges_v) - 1.0) > SAME_RANGE
    if not np.any(apart):
        return found
    u = np.where(apart, range_gain_u, 0.0)
    return replace(found, u_gain=np.hypot(found.u_gain, u))


def scaled_loopback(found: Loopback, frequency_hz: float) -> Loopback:
    """The same channels at another frequency (Hz): a delay turns the phase in proportion."""
    if found.frequency_hz <= 0.0 or frequency_hz <= 0.0:
        return found  # nobody said the frequency, and nothing was compared at one
    scale = frequency_hz / found.frequency_hz
    if abs(scale - 1.0) < 1e-6:
        return found
    phase = np.angle(found.gain)
    extra = 0.2 * np.abs(phase) * abs(scale - 1.0)
    return Loopback(
        gain=np.abs(found.gain) * np.exp(1j * phase * scale),
        u_gain=found.u_gain,
        u_phase_rad=np.hypot(found.u_phase_rad, extra),
        scatter=found.scatter,
        captures=found.captures,
        frequency_hz=found.frequency_hz,
        source=found.source,
        utc=found.utc,
        ranges_v=found.ranges_v,
        dead=found.dead,
    )
