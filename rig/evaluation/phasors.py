"""From captures to phasors: one frequency for a whole series, one fit a capture, channel gains taken out.

It must never know a measurand. Channels of every capture: excitation voltage (behind the divider), excitation
current (across the shunt), sine, cosine; phasors are peak volts (or amperes), referred to the centre of the record.
The gain and the delay of a channel against channel 0 come from the loopback in force (rig/evaluation/loopback.py).
Memory: captures are projected as integer codes, in blocks (rig/signal/sine_fit.py); volts of a whole sweep are never
held at once. Theory: rig/signal/README.md, 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.loopback import Loopback, scaled_loopback
from rig.observed import Observed
from rig.quantity import Scalar
from rig.signal.common_frequency import Frequency, pooled_frequency
from rig.signal.sine_fit import Fit, fit_stack
from rig.signal.waveform import WaveformStack

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
HARMONICS = 5
EXC_V, EXC_I, SINE, COSINE = range(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesPhasors:
    """A series as phasors. exc_v (V at the coil), exc_i (A), sine, cosine (V at the connector): (n,) complex, peak.

    fit: before any correction; u_noise_v: (4,) standard uncertainty of one fundamental, V at the connector;
    conditions: of each capture; at_s (n,): bench time of each capture; loopback: the channels' gains taken out.
    """

    series: str
    frequency: Frequency
    fit: Fit
    exc_v: Complexes
    exc_i: Complexes
    sine: Complexes
    cosine: Complexes
    u_noise_v: Floats
    conditions: tuple[Mapping[str, Scalar], ...]
    at_s: Floats
    loopback: Loopback

    @property
    def v_exc_rms(self) -> Floats:
        """(n,) excitation at the coil."""
        rms: Floats = np.abs(self.exc_v) / math.sqrt(2.0)
        return rms

    def numbers(self, key: str) -> Floats:
        """(n,) a numeric condition of the captures; NaN where it is absent."""
        values = [condition.get(key) for condition in self.conditions]
        return np.array([float(v) if isinstance(v, int | float) else math.nan for v in values])


def set_frequency_hz(obs: Observed, series: str) -> float:
    """The frequency that the run set for a series: its captures' condition, else the part's."""
    for reading in obs.capture_readings(series):
        value = reading.conditions.get("frequency_hz")
        if isinstance(value, int | float) and value > 0:
            return float(value)
    return obs.part.excitation.frequency_hz


def alive(stack: WaveformStack, channel: int = EXC_V) -> bool:
    """Whether a channel moves by more than its own resolution in every capture."""
    codes = stack.codes[:, channel, :]
    return bool(np.all(codes.max(axis=1).astype(np.int64) - codes.min(axis=1) > 8))


def series_phasors(obs: Observed, series: str, in_force: Loopback) -> SeriesPhasors | None:
    """The phasors of a series; None when it is absent, empty, or its excitation channel is dead.

    in_force: the loopback that corrects this run, at its own frequency.
    """
    if not obs.has(series):
        return None
    stack = obs.captures.stack(series)
    if len(stack) == 0 or stack.codes.shape[1] < 4 or not alive(stack):
        return None
    near = set_frequency_hz(obs, series)
    frequency = pooled_frequency(stack.codes[:, EXC_V, :], stack.sample_rate_hz, near_hz=near)
    fitted = fit_stack(stack, frequency.frequency_hz, HARMONICS)
    loopback = scaled_loopback(in_force, frequency.frequency_hz)
    corrected = fitted.fundamental / loopback.gain[None, :]
    readings = obs.capture_readings(series)
    conditions = tuple(r.conditions for r in readings) if len(readings) == len(stack) else ({},) * len(stack)
    times = [r.bench_time_s for r in readings] if len(readings) == len(stack) else list(range(len(stack)))
    sampler = obs.bench.sampler
    return SeriesPhasors(
        series=series,
        frequency=frequency,
        fit=fitted,
        exc_v=corrected[:, EXC_V] / sampler.exc_divider,
        exc_i=corrected[:, EXC_I] / sampler.shunt_ohm,
        sine=corrected[:, SINE],
        cosine=corrected[:, COSINE],
        u_noise_v=np.sqrt(np.mean(fitted.u_amplitude**2, axis=0)),
        conditions=conditions,
        at_s=np.array(times, dtype=np.float64),
        loopback=loopback,
    )


def normalised_harmonics(phasors: SeriesPhasors, channel: int) -> Complexes:
    """(n, h) harmonics of a channel, turned back by the excitation's own phase so that captures can be compared."""
    turn = np.angle(phasors.exc_v)
    orders = np.array(phasors.fit.orders)
    turned: Complexes = phasors.fit.harmonics[:, channel, :] * np.exp(-1j * turn[:, None] * orders[None, :])
    return turned
