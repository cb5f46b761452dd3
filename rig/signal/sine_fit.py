"""Waveforms to phasors: one frequency for a whole sweep, then one linear least-squares fit a record.

It must never know what a channel means to a resolver.
Model of a record: x(t) = dc + sum_h Re(P_h e^{j h w t}), t counted from the CENTRE of the record, so that phases don't
carry the frequency's error. The frequency is common to all records of a sweep, each with phasors of its own: variable
projection with Gauss-Newton, started from an interpolated FFT peak (it converges within about 0.4 bin only).
Source: IEEE 1057 sine fits; bounds: Rife & Boorstyn 1974; design page "signal", sections 1.1 to 1.5.
Measured (two cores, 720 x 4 x 2500 int16): float32 product in blocks of 64 records, residual formed explicitly. The
energy difference |x|^2 - |Q'x|^2 would need float64 to see one code in 30 000.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.signal.waveform import Floats, WaveformStack

Complexes = NDArray[np.complex128]
_BLOCK_ROWS = 64  # a block of int16 codes as float32 stays in the cache
_FAST_ROWS = 64
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Phasors of n records of ch channels: peak values in the unit of the samples, phases at the record's centre.

    fundamental (n, ch); harmonics (n, ch, h) of the orders named in `orders` (2, 3, ...; those at or above Nyquist are
    left out); dc (n, ch); residual_rms (n, ch), sqrt(sum r^2 / (m - parameters)); u_amplitude (n, ch), the standard
    uncertainty of the real and of the imaginary part (sigma sqrt(2/m) for whole cycles). samples: m.
    """

    frequency_hz: float
    sample_rate_hz: float
    samples: int
    fundamental: Complexes
    harmonics: Complexes
    orders: tuple[int, ...]
    dc: Floats
    residual_rms: Floats
    u_amplitude: Floats

    def noise(self) -> Floats:
        """(ch,) noise rms of each channel, pooled over the records."""
        return np.asarray(np.sqrt(np.mean(self.residual_rms**2, axis=0)), dtype=np.float64)

    def thd(self) -> Floats:
        """(n, ch) root-sum-square of the fitted harmonics over the fundamental; inf where there is no fundamental."""
        rss = np.sqrt(np.sum(np.abs(self.harmonics) ** 2, axis=2))
        base = np.abs(self.fundamental)
        return np.asarray(np.divide(rss, base, out=np.full_like(rss, np.inf), where=base > 0), dtype=np.float64)

    def scaled(self, scale: Floats, offset: Floats | None = None) -> Fit:
        """The same fit in other units: x -> scale * x + offset, (ch,) each; codes to volts."""
        size = np.abs(scale)
        return Fit(
            frequency_hz=self.frequency_hz,
            sample_rate_hz=self.sample_rate_hz,
            samples=self.samples,
            fundamental=self.fundamental * scale,
            harmonics=self.harmonics * scale[None, :, None],
            orders=self.orders,
            dc=self.dc * scale + (0.0 if offset is None else offset),
            residual_rms=self.residual_rms * size,
            u_amplitude=self.u_amplitude * size,
        )


def centred_time(samples: int, sample_rate_hz: float) -> Floats:
    """(m,) seconds of each sample from the centre of its record."""
    time: Floats = (np.arange(samples, dtype=np.float64) - (samples - 1) / 2) / sample_rate_hz
    return time


def kept_orders(frequency_hz: float, sample_rate_hz: float, samples: int, harmonics: int) -> tuple[int, ...]:
    """Orders 1..harmonics whose line stays a bin below Nyquist and for which the record has samples enough."""
    top = sample_rate_hz / 2 - sample_rate_hz / samples
    room = max(1, (samples - 2) // 2)
    return tuple(h for h in range(1, harmonics + 1) if h == 1 or (h * frequency_hz < top and h <= room))


def basis(frequency_hz: float, sample_rate_hz: float, samples: int, orders: tuple[int, ...]) -> Floats:
    """(m, 1 + 2 len(orders)) columns 1, cos(h w t), -sin(h w t), ...: so that P = a + j b reads off directly."""
    found = np.empty((samples, 1 + 2 * len(orders)))
    found[:, 0] = 1.0
    first = np.exp(-2j * np.pi * frequency_hz * centred_time(samples, sample_rate_hz))
    power, reached = first, 1
    for i, h in enumerate(orders):
        while reached < h:
            power, reached = power * first, reached + 1
        found[:, 1 + 2 * i], found[:, 2 + 2 * i] = power.real, power.imag
    return found


def _check(samples: int, sample_rate_hz: float, frequency_hz: float) -> None:
    if not (sample_rate_hz > 0 and 0 < frequency_hz < sample_rate_hz / 2):
        raise UsageError(
            f"A frequency of {frequency_hz:g} Hz can't be fitted at {sample_rate_hz:g} samples/s: "
            "it must lie between zero and half the rate.",
            next_action="Check the sample rate and the set frequency.",
        )
    if samples < 4 or samples * frequency_hz / sample_rate_hz < 0.75:
        raise UsageError(
            f"A record of {samples} samples holds {samples * frequency_hz / sample_rate_hz:.2f} cycles; a fit needs "
            "one cycle and four samples at least.",
            next_action="Capture longer records.",
        )


def fit(samples: NDArray[np.generic], sample_rate_hz: float, frequency_hz: float, harmonics: int = 5) -> Fit:
    """Least-squares phasors of all records at one known frequency.

    samples: (n, ch, m), volts or integer codes. harmonics: highest order tried. Valid from one cycle up, for any
    fraction of cycles. Raises UsageError for a frequency outside (0, rate/2) or a record under one cycle.
    """
    if samples.ndim != 3 or 0 in samples.shape:
        raise UsageError(
            f"Samples of shape {samples.shape}: (records, channels, samples) was expected.",
            next_action="Stack the captures first.",
        )
    n, channels, m = samples.shape
    _check(m, sample_rate_hz, frequency_hz)
    orders = kept_orders(frequency_hz, sample_rate_hz, m, harmonics)
    design = basis(frequency_hz, sample_rate_hz, m, orders)
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    rows = np.ascontiguousarray(samples).reshape(n * channels, m)
    precision = np.float32 if np.issubdtype(samples.dtype, np.integer) else np.float64
    coefficients, energy = _project(rows, design.astype(precision), (q @ inverse.T).astype(precision), precision)
    rest = max(1, m - design.shape[1])
    residual = np.sqrt(energy / rest).reshape(n, channels)
    spread = np.sum(inverse**2, axis=1)
    phasors = (coefficients[:, 1::2] + 1j * coefficients[:, 2::2]).reshape(n, channels, len(orders))
    return Fit(
        frequency_hz=frequency_hz,
        sample_rate_hz=sample_rate_hz,
        samples=m,
        fundamental=phasors[:, :, 0],
        harmonics=phasors[:, :, 1:],
        orders=orders[1:],
        dc=coefficients[:, 0].reshape(n, channels),
        residual_rms=residual,
        u_amplitude=residual * float(np.sqrt((spread[1] + spread[2]) / 2)),
    )


def _project(
    rows: NDArray[np.generic], design: NDArray[np.floating], pinv: NDArray[np.floating], precision: type
) -> tuple[Floats, Floats]:
    """Coefficients (rows, k) and residual energy (rows,), in blocks that stay in the cache."""
    count = rows.shape[0]
    coefficients = np.empty((count, design.shape[1]))
    energy = np.empty(count)
    transposed = np.ascontiguousarray(design.T)
    room: NDArray[np.floating] = np.empty((min(_BLOCK_ROWS, count), rows.shape[1]), precision)
    for start in range(0, count, _BLOCK_ROWS):
        some = rows[start : start + _BLOCK_ROWS]
        block = room[: len(some)]
        np.copyto(block, some)
        part = block @ pinv
        block -= part @ transposed
        coefficients[start : start + _BLOCK_ROWS] = part
        energy[start : start + _BLOCK_ROWS] = np.einsum("ij,ij->i", block, block)
    return coefficients, energy


def phasors(
    samples: NDArray[np.generic], sample_rate_hz: float, frequency_hz: float, harmonics: int = 5
) -> NDArray[np.complex128]:
    """The fundamentals (n, ch) of `fit` alone, without residuals: one product of codes and two columns.

    The columns come from the same joint fit with DC and harmonics, so the values are those of `fit`.
    """
    n, channels, m = samples.shape
    _check(m, sample_rate_hz, frequency_hz)
    orders = kept_orders(frequency_hz, sample_rate_hz, m, harmonics)
    q, r = np.linalg.qr(basis(frequency_hz, sample_rate_hz, m, orders))
    precision = np.float32 if np.issubdtype(samples.dtype, np.integer) else np.float64
    columns = np.ascontiguousarray((q @ np.linalg.inv(r).T)[:, 1:3].astype(precision))
    rows = np.ascontiguousarray(samples).reshape(n * channels, m)
    parts = np.empty((n * channels, 2), precision)
    room: NDArray[np.floating] = np.empty((min(_FAST_ROWS, len(rows)), m), precision)
    for start in range(0, len(rows), _FAST_ROWS):
        some = rows[start : start + _FAST_ROWS]
        block = room[: len(some)]
        np.copyto(block, some)
        np.dot(block, columns, out=parts[start : start + _FAST_ROWS])
    found: NDArray[np.complex128] = (parts[:, 0] + 1j * parts[:, 1]).astype(np.complex128).reshape(n, channels)
    return found


def fit_stack(stack: WaveformStack, frequency_hz: float, harmonics: int = 5) -> Fit:
    """`fit` of a stack of captures, in volts at the sampler's connectors; the product runs on the raw codes."""
    found = fit(stack.codes, stack.sample_rate_hz, frequency_hz, harmonics)
    return found.scaled(stack.scale_v, stack.offset_v)


# ---- the common frequency -----------------------------------------------------------------------------------


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
    _check(m, sample_rate_hz, hz)
    hz = _converged(pick, sample_rate_hz, hz, harmonics, tries=20)
    step, steps, information, variance = _gauss_newton(rows, sample_rate_hz, hz, harmonics)
    if len(pick) < len(rows):  # what all say is so near to what a few say that one step reaches it
        if abs(step) < NEAR * hz:
            hz, steps = hz + step, steps - step
        else:
            hz = _converged(rows, sample_rate_hz, hz, harmonics, tries=1)
            _, steps, information, variance = _gauss_newton(rows, sample_rate_hz, hz, harmonics)
    u_record = np.sqrt(np.divide(variance, information, out=np.full_like(variance, np.inf), where=information > 0))
    total = float(np.sum(information))
    u = float(np.sqrt(np.mean(variance) / total)) if total > 0 else float("inf")
    return Frequency(frequency_hz=hz, u_hz=u, per_record_hz=hz + steps, u_record_hz=u_record)


def _converged(rows: Floats, sample_rate_hz: float, hz: float, harmonics: int, tries: int) -> float:
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
    orders = kept_orders(hz, sample_rate_hz, m, harmonics)
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
    information: Floats = np.einsum("ni,ij,nj->n", coordinates, slope.T @ slope, coordinates)
    total = float(np.sum(information))
    steps = np.divide(numerator, information, out=np.zeros_like(numerator), where=information > 0)
    left = np.einsum("ij,ij->i", rows, rows) - np.sum(coordinates**2, axis=1)
    variance: Floats = np.maximum(left, 0.0) / max(1, rows.shape[1] - q.shape[1] - 1)
    return (float(np.sum(numerator)) / total if total > 0 else 0.0), steps, information, variance
