"""Phasors of a carrier whose amplitude changes within the record: short windows, each with a linear ramp.

It must never know what the channels mean. Model of a window, time from its centre: dc + Re((P + R t) e^{j w t}) and
harmonics 2 and 3 without ramp. Without the ramp a moving amplitude leaks into the phasor (0.010' electrical a rpm and
ms of a four-pole-pair resolver); with it what is left is the curvature, (rate * window)^2 / 24. Phases are against the
common carrier at the window's centre: only ratios between channels of one window mean something.
Source: rig/signal/README.md, 4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.signal.sine_fit import basis, centred_time, usable_orders

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
_BLOCK = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """phasor, slope (n, w, ch): peak in the samples' unit, and its change a second, at the window's centre;
    centre_s (w,): of each window from the record's first sample; u (ch,): standard uncertainty of either part of a
    phasor by the residuals; samples: of one window."""

    phasor: Complexes
    slope: Complexes
    centre_s: Floats
    u: Floats
    samples: int


def window_samples(sample_rate_hz: float, frequency_hz: float, window_s: float) -> int:
    """Samples of a window: window_s, but four carrier cycles at least, whole cycles as nearly as samples allow."""
    cycles = max(4, round(window_s * frequency_hz))
    return max(16, round(cycles * sample_rate_hz / frequency_hz))


def moving_phasors(
    samples: NDArray[np.generic],
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    window_s: float = 1e-3,
    scale: Floats | None = None,
) -> Windows:
    """Windows side by side over each record.

    samples (n, ch, m), codes or volts; scale (ch,): volts a code. Raises UsageError for a record shorter than a window
    or a frequency outside (0, rate / 2).
    """
    if samples.ndim != 3 or 0 in samples.shape or not 0 < frequency_hz < sample_rate_hz / 2:
        raise UsageError(
            f"Samples of shape {samples.shape} at {frequency_hz:g} Hz and {sample_rate_hz:g} samples/s.",
            next_action="Give (records, channels, samples) and a frequency below half the rate.",
        )
    n, channels, m = samples.shape
    size = window_samples(sample_rate_hz, frequency_hz, window_s)
    count = m // size
    if not count:
        raise UsageError(
            f"A record of {m} samples is shorter than a window of {size}.", next_action="Capture longer records."
        )
    orders = usable_orders(frequency_hz, sample_rate_hz, size, 3)
    plain = basis(frequency_hz, sample_rate_hz, size, orders)
    time = centred_time(size, sample_rate_hz)
    span = size / sample_rate_hz
    design = np.column_stack([plain, plain[:, 1:3] * (time / span)[:, None]])
    inverse = np.linalg.pinv(design)
    factors = np.ones(channels) if scale is None else np.asarray(scale, dtype=np.float64)
    found = np.empty((n, channels, count, design.shape[1]))
    energy = np.zeros(channels)
    for start in range(0, n, _BLOCK):
        block = samples[start : start + _BLOCK, :, : count * size].astype(np.float64)
        block = (block * factors[None, :, None]).reshape(len(block), channels, count, size)
        part = block @ inverse.T
        energy += np.sum((block - part @ design.T) ** 2, axis=(0, 2, 3))
        found[start : start + _BLOCK] = part
    turn = found[..., 1] + 1j * found[..., 2]
    ramp = (found[..., -2] + 1j * found[..., -1]) / span
    variance = energy / (n * count * max(1, size - design.shape[1]))
    spread = float(np.sqrt(0.5 * np.sum(inverse[1:3] ** 2)))
    return Windows(
        phasor=np.ascontiguousarray(turn.transpose(0, 2, 1)),
        slope=np.ascontiguousarray(ramp.transpose(0, 2, 1)),
        centre_s=(np.arange(count) * size + (size - 1) / 2) / sample_rate_hz,
        u=np.sqrt(variance) * spread,
        samples=size,
    )


def ratio_slope(windows: Windows, channel: int, reference: int) -> Complexes:
    """(n, w) change a second of the ratio of two channels, at the window's centre."""
    top, bottom = windows.phasor[..., channel], windows.phasor[..., reference]
    slope: Complexes = (windows.slope[..., channel] - top / bottom * windows.slope[..., reference]) / bottom
    return slope


def window_for(speed_elec_rad_s: float) -> float:
    """Seconds of a window in which an angle of that speed moves by 0.05 rad at most; 1 ms where it is slow."""
    return 1e-3 if speed_elec_rad_s <= 50.0 else 0.05 / speed_elec_rad_s


def kept_amplitude(speed_rad_s: Floats, window_s: float) -> Floats:
    """(n,) share of a sine's amplitude that a window shows whose sine turns meanwhile: sin(x) / x, x = speed times
    window / 2. Of the curvature only; a constant beside the sine loses nothing. Source: rig/signal/README.md, 4."""
    share: Floats = np.sinc(np.asarray(speed_rad_s) * window_s / (2.0 * np.pi))
    return share
