"""The one frequency of a whole sweep, each record with phasors of its own.

It must never know what a channel means to a resolver.
Model of a record: as in rig/signal/sine_fit.py. The frequency is common to all records: variable projection with
Gauss-Newton, started from an interpolated FFT peak (it converges within about 0.4 bin only), on a grid of a tenth of a
bin for records of a few cycles.
Source: IEEE 1057 sine fits; bounds: Rife & Boorstyn 1974; rig/signal/README.md, 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.signal.sine_fit import basis, centred_time, check_record, usable_orders
from rig.signal.waveform import Floats

_START_RECORDS = 64
NEAR = 1e-7  # relative step within which all records are taken as seen from the start frequency


@dataclass(frozen=True, slots=True, kw_only=True)
class Frequency:
    """The frequency common to a sweep (Hz), its standard uncertainty for white noise, and each record's own.

    per_record_hz, u_record_hz: (n,), to find a source that wandered or jumped; never used for the phasors.
    The uncertainty is that against the sampler's clock: a clock error is a separate influence.
    """

    frequency_hz: float
    u_hz: float
    per_record_hz: Floats
    u_record_hz: Floats


def pooled_frequency(
    samples: NDArray[np.generic], sample_rate_hz: float, near_hz: float | None = None, harmonics: int = 5
) -> Frequency:
    """The one frequency that fits all records of a channel best.

    samples: (n, m) of a channel that is never small (the excitation), volts or codes. near_hz: look only within a
    factor of 1.5 of it; without it the strongest line of all is taken. Raises UsageError where there is no line.
    """
    if samples.ndim != 2 or 0 in samples.shape:
        raise UsageError(
            f"Samples of shape {samples.shape}: (records, samples) was expected.",
            next_action="Pass one channel of the sweep.",
        )
    rows = samples.astype(np.float64)
    pick = rows[np.unique(np.linspace(0, len(rows) - 1, min(len(rows), _START_RECORDS)).astype(int))]
    pick -= pick.mean(axis=1, keepdims=True)  # of all rows the fit's own constant takes it off
    if not np.any(pick) and not np.any(np.ptp(rows, axis=1)):
        raise UsageError(
            "No frequency can be found: the channel is constant in every record.",
            next_action="Check the excitation and the sampler's first channel.",
        )
    m = rows.shape[1]
    hz = _peak_hz(pick, sample_rate_hz, near_hz)
    if hz * m / sample_rate_hz < 4:
        hz = _scan_hz(pick, sample_rate_hz, near_hz)
    check_record(m, sample_rate_hz, hz)
    hz = _converge(pick, sample_rate_hz, hz, harmonics, tries=20)
    step, steps, information, variance = _gauss_newton(rows, sample_rate_hz, hz, harmonics)
    if len(pick) < len(rows):  # what all say is so near to what a few say that one step reaches it
        if abs(step) < NEAR * hz:
            hz, steps = hz + step, steps - step
        else:
            hz = _converge(rows, sample_rate_hz, hz, harmonics, tries=1)
            _, steps, information, variance = _gauss_newton(rows, sample_rate_hz, hz, harmonics)
    u_record = np.sqrt(np.divide(variance, information, out=np.full_like(variance, np.inf), where=information > 0))
    total = float(np.sum(information))
    u = float(np.sqrt(np.mean(variance) / total)) if total > 0 else float("inf")
    return Frequency(frequency_hz=hz, u_hz=u, per_record_hz=hz + steps, u_record_hz=u_record)


def _converge(rows: Floats, sample_rate_hz: float, hz: float, harmonics: int, tries: int) -> float:
    """Gauss-Newton from hz; ends when a step is under 1e-8 of it, since the next one would be under its square."""
    m = rows.shape[1]
    step_limit = 0.3 * sample_rate_hz / m
    for _ in range(tries):
        step = _gauss_newton(rows, sample_rate_hz, hz, harmonics)[0]
        move = float(np.clip(step, -step_limit, step_limit))
        hz = float(np.clip(hz + move, 0.5 * sample_rate_hz / m, 0.5 * sample_rate_hz * (1 - 1 / m)))
        if abs(move) < 1e-8 * hz:
            break
    return hz


def _peak_hz(rows: Floats, sample_rate_hz: float, near_hz: float | None) -> float:
    """Strongest line of the mean Hann spectrum, interpolated by a parabola through the logarithms."""
    m = rows.shape[1]
    window = np.hanning(m + 1)[:-1]
    power = np.mean(np.abs(np.fft.rfft(rows * window, axis=1)) ** 2, axis=0)
    bins = np.arange(len(power))
    allowed = (bins >= 1) & (bins < len(power) - 1)
    if near_hz is not None:
        at = bins * sample_rate_hz / m
        allowed &= (at > near_hz / 1.5 - sample_rate_hz / m) & (at < near_hz * 1.5 + sample_rate_hz / m)
    if not np.any(allowed) or float(np.max(power[allowed])) <= 0:
        raise UsageError(
            "No line was found in the frequency range searched"
            + (f" around {near_hz:g} Hz." if near_hz is not None else "."),
            next_action="Check the excitation, the sample rate and the record's length.",
        )
    k = int(bins[allowed][np.argmax(power[allowed])])
    left, mid, right = np.log(np.maximum(power[k - 1 : k + 2], 1e-300))
    bend = left - 2 * mid + right
    shift = 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
    return float((k + shift) * sample_rate_hz / m)


def _scan_hz(rows: Floats, sample_rate_hz: float, near_hz: float | None) -> float:
    """Start for records of a few cycles, where the lines overlap: smallest residual on a grid of a tenth of a bin."""
    m = rows.shape[1]
    bin_hz = sample_rate_hz / m
    low, high = (0.75 * bin_hz, 6 * bin_hz) if near_hz is None else (max(near_hz / 1.5, 0.75 * bin_hz), near_hz * 1.5)
    grid = np.arange(low, max(high, low + bin_hz), 0.1 * bin_hz)
    grid = grid[grid < 0.5 * sample_rate_hz - bin_hz / 2]
    energies = []
    for hz in grid:
        q, _ = np.linalg.qr(basis(float(hz), sample_rate_hz, m, (1,)))
        energies.append(float(np.sum((rows @ q) ** 2)))
    return float(grid[int(np.argmax(energies))])


def _tangent(sample_rate_hz: float, hz: float, m: int, harmonics: int) -> tuple[Floats, Floats]:
    """Orthonormal basis of the model and the part of d(model)/d(hz), a coefficient each, that it doesn't hold."""
    orders = usable_orders(hz, sample_rate_hz, m, harmonics)
    design = basis(hz, sample_rate_hz, m, orders)
    time = centred_time(m, sample_rate_hz)
    slope = np.zeros((m, design.shape[1]))
    for i, h in enumerate(orders):
        rate = 2 * np.pi * h * time
        slope[:, 1 + 2 * i] = rate * design[:, 2 + 2 * i]
        slope[:, 2 + 2 * i] = -rate * design[:, 1 + 2 * i]
    q, r = np.linalg.qr(design)
    slope -= q @ (q.T @ slope)
    return q, slope @ np.linalg.inv(r)


def _gauss_newton(
    rows: Floats, sample_rate_hz: float, hz: float, harmonics: int
) -> tuple[float, Floats, Floats, Floats]:
    """Common step (Hz); each record's own step, information (per Hz^2) and residual variance."""
    q, slope = _tangent(sample_rate_hz, hz, rows.shape[1], harmonics)
    both = rows @ np.hstack([q, slope])
    coordinates, pull = both[:, : q.shape[1]], both[:, q.shape[1] :]
    numerator = np.sum(coordinates * pull, axis=1)
    information: Floats = np.einsum("ij,ij->i", coordinates @ (slope.T @ slope), coordinates)
    total = float(np.sum(information))
    steps = np.divide(numerator, information, out=np.zeros_like(numerator), where=information > 0)
    left = np.einsum("ij,ij->i", rows, rows) - np.sum(coordinates**2, axis=1)
    variance: Floats = np.maximum(left, 0.0) / max(1, rows.shape[1] - q.shape[1] - 1)
    return (float(np.sum(numerator)) / total if total > 0 else 0.0), steps, information, variance
