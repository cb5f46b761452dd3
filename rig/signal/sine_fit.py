"""Waveforms to phasors: one linear least-squares fit a record, at a frequency that is known.

It must never know what a channel means to a resolver.
Model of a record: x(t) = dc + sum_h Re(P_h e^{j h w t}), t counted from the CENTRE of the record, so that phases don't
carry the frequency's error (rig/signal/common_frequency.py finds it).
Source: IEEE 1057 sine fits; bounds: Rife & Boorstyn 1974.
The products are float64: in float32 a null or a hysteresis followed the order of the sums, and so the number of
threads, by a thousandth of its uncertainty. Measured (two cores, 720 x 4 x 2500 int16, blocks of 32 records): 16 ms
against 11 ms. The residual is formed explicitly: the difference |x|^2 - |Q'x|^2 loses the noise's digits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.signal.waveform import Floats, WaveformStack

Complexes = NDArray[np.complex128]
_BLOCK_ROWS = 32  # a block of codes as float64 stays in the cache
_FAST_ROWS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class SineFit:
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

    def only(self, records: NDArray[np.bool_]) -> SineFit:
        """The fit of some of the records; records (n,)."""
        return replace(
            self,
            fundamental=self.fundamental[records],
            harmonics=self.harmonics[records],
            dc=self.dc[records],
            residual_rms=self.residual_rms[records],
            u_amplitude=self.u_amplitude[records],
        )

    def rescale(self, scale: Floats, offset: Floats | None = None) -> SineFit:
        """The same fit in other units: x -> scale * x + offset, (ch,) each; codes to volts."""
        size = np.abs(scale)
        return SineFit(
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


def usable_orders(frequency_hz: float, sample_rate_hz: float, samples: int, harmonics: int) -> tuple[int, ...]:
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


def check_record(samples: int, sample_rate_hz: float, frequency_hz: float) -> None:
    """UsageError for a frequency outside (0, rate / 2), under four samples or under three quarters of a cycle."""
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


def fit(samples: NDArray[np.generic], sample_rate_hz: float, frequency_hz: float, harmonics: int = 5) -> SineFit:
    """Least-squares phasors of all records at one known frequency.

    samples: (n, ch, m), volts or integer codes. harmonics: highest order tried. Valid from one cycle up, for any
    fraction of cycles. Raises UsageError as `check_record`.
    """
    if samples.ndim != 3 or 0 in samples.shape:
        raise UsageError(
            f"Samples of shape {samples.shape}: (records, channels, samples) was expected.",
            next_action="Stack the captures first.",
        )
    n, channels, m = samples.shape
    check_record(m, sample_rate_hz, frequency_hz)
    orders = usable_orders(frequency_hz, sample_rate_hz, m, harmonics)
    design = basis(frequency_hz, sample_rate_hz, m, orders)
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    rows = np.ascontiguousarray(samples).reshape(n * channels, m)
    coefficients, energy = _project(rows, design, q @ inverse.T)
    rest = max(1, m - design.shape[1])
    residual = np.sqrt(energy / rest).reshape(n, channels)
    spread = np.sum(inverse**2, axis=1)
    phasors = (coefficients[:, 1::2] + 1j * coefficients[:, 2::2]).reshape(n, channels, len(orders))
    return SineFit(
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


def _project(rows: NDArray[np.generic], design: Floats, pinv: Floats) -> tuple[Floats, Floats]:
    """Coefficients (rows, k) and residual energy (rows,), in blocks that stay in the cache."""
    count = rows.shape[0]
    coefficients = np.empty((count, design.shape[1]))
    energy = np.empty(count)
    transposed = np.ascontiguousarray(design.T)
    room = np.empty((min(_BLOCK_ROWS, count), rows.shape[1]))
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
    check_record(m, sample_rate_hz, frequency_hz)
    orders = usable_orders(frequency_hz, sample_rate_hz, m, harmonics)
    q, r = np.linalg.qr(basis(frequency_hz, sample_rate_hz, m, orders))
    columns = np.ascontiguousarray((q @ np.linalg.inv(r).T)[:, 1:3])
    rows = np.ascontiguousarray(samples).reshape(n * channels, m)
    parts = np.empty((n * channels, 2))
    room = np.empty((min(_FAST_ROWS, len(rows)), m))
    for start in range(0, len(rows), _FAST_ROWS):
        some = rows[start : start + _FAST_ROWS]
        block = room[: len(some)]
        np.copyto(block, some)
        np.dot(block, columns, out=parts[start : start + _FAST_ROWS])
    found: NDArray[np.complex128] = (parts[:, 0] + 1j * parts[:, 1]).reshape(n, channels)
    return found


def fit_stack(stack: WaveformStack, frequency_hz: float, harmonics: int = 5) -> SineFit:
    """`fit` of a stack of captures, in volts at the sampler's connectors; the product runs on the raw codes."""
    found = fit(stack.codes, stack.sample_rate_hz, frequency_hz, harmonics)
    return found.rescale(stack.scale_v, stack.offset_v)
