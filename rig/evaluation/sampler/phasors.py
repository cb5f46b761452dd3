"""From captures to phasors: one frequency for a whole series, one fit a capture, channel gains taken out.

It must never know a measurand. Channels of every capture: excitation voltage (behind the divider), excitation
current (across the shunt), sine, cosine; phasors are peak volts (or amperes), referred to the centre of the record.
The gain and the delay of a channel against channel 0 come from the loopback in force
(rig/evaluation/sampler/loopback.py).
Memory: captures are projected as integer codes, in blocks (rig/signal/sine_fit.py); volts of a whole sweep are never
held at once. Theory: rig/signal/README.md, 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.sampler.loopback import Loopback, on_ranges, scaled_loopback
from rig.observed import BESIDE, Observed
from rig.quantity import Scalar
from rig.signal.common_frequency import Frequency, pooled_frequency
from rig.signal.sine_fit import SineFit, fit_stack
from rig.signal.waveform import WaveformStack

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
HARMONICS = 5
LIVE_CODES = 8  # peak to peak: less is the converter's own resolution
ABSENT_SHARE = 0.01  # of the median excitation: below it a capture has none
EXC_V, EXC_I, SINE, COSINE = range(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesPhasors:
    """A series as phasors. exc_v (V at the coil), exc_i (A), sine, cosine (V at the connector): (n,) complex, peak.

    fit: before any correction; u_noise_v: (4,) standard uncertainty of one fundamental, V at the connector;
    conditions: of each capture; at_s (n,): bench time of each capture; loopback: the channels' gains taken out.
    live (m,): which captures of the series these are; those without excitation are left out. frequency_hz of a series
    that came as phasors is the one that was said, 0 where nobody did.
    """

    series: str
    frequency: Frequency
    fit: SineFit
    exc_v: Complexes
    exc_i: Complexes
    sine: Complexes
    cosine: Complexes
    u_noise_v: Floats
    conditions: tuple[Mapping[str, Scalar], ...]
    at_s: Floats
    loopback: Loopback
    live: NDArray[np.bool_]

    @property
    def without_excitation(self) -> NDArray[np.int64]:
        """Captures of the series that were left out since their excitation is absent."""
        return np.flatnonzero(~self.live)

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
    return bool(np.all(_moving(stack, channel)))


def _moving(stack: WaveformStack, channel: int) -> NDArray[np.bool_]:
    codes = stack.codes[:, channel, :]
    return np.asarray(codes.max(axis=1).astype(np.int64) - codes.min(axis=1) > LIVE_CODES, dtype=bool)


def series_phasors(obs: Observed, series: str, in_force: Loopback) -> SeriesPhasors | None:
    """The phasors of a series; None when it is absent, empty, or its excitation channel is dead.

    in_force: the loopback that corrects this run, at its own frequency. Captures whose excitation is absent beside that
    of the others are left out.
    """
    if series in obs.tables:
        return _of_table(obs, series, in_force)
    if not obs.has(series):
        return None
    stack = obs.captures.stack(series)
    if len(stack) == 0 or stack.codes.shape[1] < 4 or not np.any(moving := _moving(stack, EXC_V)):
        return None
    near = set_frequency_hz(obs, series) or None
    frequency = pooled_frequency(stack.codes[moving, EXC_V, :], stack.sample_rate_hz, near_hz=near)
    fitted = fit_stack(stack, frequency.frequency_hz, HARMONICS)
    loopback = on_ranges(scaled_loopback(in_force, frequency.frequency_hz), stack, obs.bench.sampler.range_gain_u)
    size = np.abs(fitted.fundamental[:, EXC_V])
    live = moving & (size > ABSENT_SHARE * float(np.median(size[moving])))
    if not np.all(live):
        fitted, frequency = fitted.only(live), _only(frequency, live[moving])
    corrected = fitted.fundamental / loopback.gain[None, :]
    sampler = obs.bench.sampler
    found = SeriesPhasors(
        series=series,
        frequency=frequency,
        fit=fitted,
        exc_v=corrected[:, EXC_V] / sampler.exc_divider,
        exc_i=corrected[:, EXC_I] / sampler.shunt_ohm,
        sine=corrected[:, SINE],
        cosine=corrected[:, COSINE],
        u_noise_v=np.sqrt(np.mean(fitted.u_amplitude**2, axis=0)),
        loopback=loopback,
        live=live,
        **_of_readings(obs, series, live),
    )
    return _with_cosine_beside(obs, found, in_force)


def _only(frequency: Frequency, records: NDArray[np.bool_]) -> Frequency:
    return replace(
        frequency, per_record_hz=frequency.per_record_hz[records], u_record_hz=frequency.u_record_hz[records]
    )


def _of_readings(obs: Observed, series: str, live: NDArray[np.bool_]) -> dict[str, Any]:
    """conditions and at_s of the captures that count."""
    readings = obs.capture_readings(series)
    if len(readings) != live.size:
        count = int(np.count_nonzero(live))
        return {"conditions": ({},) * count, "at_s": np.arange(count, dtype=np.float64)}
    counting = [readings[i] for i in np.flatnonzero(live)]
    times = np.array([r.bench_time_s for r in counting], dtype=np.float64)
    return {"conditions": tuple(r.conditions for r in counting), "at_s": times}


def _with_cosine_beside(obs: Observed, found: SeriesPhasors, in_force: Loopback) -> SeriesPhasors | None:
    """Two captures of a recorder with two channels as one: the cosine by the excitation that was recorded with it."""
    if not obs.has(found.series + BESIDE):
        return found
    other = series_phasors(obs, found.series + BESIDE, in_force)
    if other is None or not np.array_equal(other.live, found.live):
        return None
    fundamental, u = found.fit.fundamental.copy(), found.u_noise_v.copy()
    cosine = other.cosine / other.exc_v * found.exc_v
    fundamental[:, COSINE], u[COSINE] = cosine * found.loopback.gain[COSINE], other.u_noise_v[COSINE]
    harmonics = found.fit.harmonics.copy()
    orders = 1j * np.array(found.fit.orders)
    turn = np.angle(found.exc_v) - np.angle(other.exc_v)
    shared = min(harmonics.shape[2], other.fit.harmonics.shape[2])
    turned = np.exp(turn[:, None] * orders[None, :shared])
    harmonics[:, COSINE, :shared] = other.fit.harmonics[:, COSINE, :shared] * turned
    return replace(
        found, cosine=cosine, u_noise_v=u, fit=replace(found.fit, fundamental=fundamental, harmonics=harmonics)
    )


def _of_table(obs: Observed, series: str, in_force: Loopback) -> SeriesPhasors | None:
    """A series that was recorded as phasors: nothing to fit, no harmonics, no noise but that of the last digit."""
    table = obs.tables[series]
    size = np.abs(table.exc_v)
    live = size > ABSENT_SHARE * float(np.median(size[size > 0]) if np.any(size > 0) else 1.0)
    if not np.any(live):
        return None
    n = int(np.count_nonzero(live))
    hz = obs.part.excitation.frequency_hz
    loopback = scaled_loopback(in_force, hz) if hz > 0 else in_force
    exc_i = np.zeros(n, dtype=np.complex128) if table.exc_i is None else table.exc_i[live]
    sides = (table.exc_v[live], exc_i, table.sine[live], table.cosine[live])
    u_digit = np.full((n, 4), obs.digit_v / math.sqrt(3.0))
    fitted = SineFit(
        frequency_hz=hz,
        sample_rate_hz=math.inf,
        samples=1,
        fundamental=np.stack(sides, axis=1),
        harmonics=np.zeros((n, 4, 0), dtype=np.complex128),
        orders=(),
        dc=np.zeros((n, 4)),
        residual_rms=np.zeros((n, 4)),
        u_amplitude=u_digit,
    )
    gain = loopback.gain
    return SeriesPhasors(
        series=series,
        frequency=Frequency(frequency_hz=hz, u_hz=0.0, per_record_hz=np.full(n, hz), u_record_hz=np.full(n, np.inf)),
        fit=fitted,
        exc_v=sides[0] / gain[EXC_V],
        exc_i=exc_i / gain[EXC_I],
        sine=sides[2] / gain[SINE],
        cosine=sides[3] / gain[COSINE],
        u_noise_v=u_digit[0],
        loopback=loopback,
        live=live,
        **_of_readings(obs, series, live),
    )


def normalised_harmonics(phasors: SeriesPhasors, channel: int) -> Complexes:
    """(n, h) harmonics of a channel, turned back by the excitation's own phase so that captures can be compared."""
    turn = np.angle(phasors.exc_v)
    orders = np.array(phasors.fit.orders)
    turned: Complexes = phasors.fit.harmonics[:, channel, :] * np.exp(-1j * turn[:, None] * orders[None, :])
    return turned
