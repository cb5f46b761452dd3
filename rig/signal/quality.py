"""Is a series of captures fit for use? Clipping, level, noise, distortion, interference, gaps, disturbed records.

It must never know what a channel means: it states figures, whoever knows the channels draws conclusions from them.
Clipping: a sample on a rail code counts; neighbours on a rail are a pair (a clipped peak; one lone sample may be a
peak that just fits). Interference: lines of the mean Hann spectrum of what the fit leaves, off the carrier and its
harmonics, that stand out of the floor by more than chance (chi2 of the averaged bins, 1 in 10^4 for all bins together).
Drop-out: a run of equal codes away from the rails, too long for a carrier that moves. Jumps: of records whose level
leaves the channel's own median (meant for channels that keep theirs) or whose residual leaves the median residual.
Source: IEEE 1057 terms; detector figures: rig/signal/README.md, 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.signal.sine_fit import SineFit
from rig.signal.waveform import Floats, WaveformStack

_SPECTRUM_RECORDS = 64
_GUARD_BINS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What is known before looking. steady: names of channels that keep their level from record to record (the
    excitation); signal: names of channels that should carry the carrier in at least some record; None = all."""

    steady: tuple[str, ...] = ()
    signal: tuple[str, ...] | None = None
    jump_relative: float = 0.005
    residual_factor: float = 4.0


@dataclass(frozen=True, slots=True)
class SpectralLine:
    """A line that is not the carrier's: frequency (Hz), peak amplitude (V), and over the channel's largest carrier."""

    hz: float
    amplitude_v: float
    relative: float


@dataclass(frozen=True, slots=True)
class SampleDropOut:
    """A run of equal codes: record, first sample, length in samples."""

    record: int
    start: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelQuality:
    """Figures of one channel over all its records.

    rail_samples: samples on a rail code; rail_records: records with two of them. silent: no carrier above six times
    its own uncertainty in any record. constant: every code of every record is the same; constant_records: records of
    one code. amplitude_v, noise_v: largest carrier peak, pooled residual rms (V). thd: harmonics over carrier in the
    strongest record. dc_v: mean DC. jump_records: level leaves the median (steady channels only); disturbed_records:
    residual several times the median residual.
    """

    name: str
    rail_samples: int
    rail_records: tuple[int, ...]
    silent: bool
    constant: bool
    constant_records: tuple[int, ...]
    amplitude_v: float
    noise_v: float
    thd: float
    dc_v: float
    lines: tuple[SpectralLine, ...]
    drop_outs: tuple[SampleDropOut, ...]
    jump_records: tuple[int, ...]
    disturbed_records: tuple[int, ...]

    @property
    def is_clipped(self) -> bool:
        """Two samples or more of some record lie on a rail."""
        return bool(self.rail_records)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """All channels of a series, in the stack's order. missing: channels that should carry the carrier and don't."""

    channels: tuple[ChannelQuality, ...]
    missing: tuple[str, ...]

    def __getitem__(self, name: str) -> ChannelQuality:
        for channel in self.channels:
            if channel.name == name:
                return channel
        raise UsageError(f"No channel {name!r} in this series.", next_action="Use the stack's channel names.")


def inspect(stack: WaveformStack, fit: SineFit, expected: Expected | None = None) -> Quality:
    """Figures of every channel of a series. fit: of this stack, in volts (`fit_stack`).

    Raises UsageError when fit and stack don't belong together.
    """
    if fit.fundamental.shape != stack.codes.shape[:2] or fit.samples != stack.codes.shape[2]:
        raise UsageError(
            f"A fit of {fit.fundamental.shape} records x channels doesn't belong to codes {stack.codes.shape}.",
            next_action="Fit this stack.",
        )
    wish = expected or Expected()
    known = _carrier_columns(fit)
    channels = tuple(_channel(stack, fit, wish, c, known) for c in range(len(stack.channels)))
    wanted = stack.channels if wish.signal is None else wish.signal
    return Quality(channels=channels, missing=tuple(ch.name for ch in channels if ch.silent and ch.name in wanted))


def _channel(
    stack: WaveformStack, fit: SineFit, wish: Expected, c: int, known: tuple[Floats, NDArray[np.bool_]]
) -> ChannelQuality:
    codes: NDArray[Any] = stack.codes[:, c, :]
    low, high = codes.min(axis=1), codes.max(axis=1)
    touched = np.flatnonzero((low <= stack.rail_low) | (high >= stack.rail_high))
    rails = (codes[touched] <= stack.rail_low) | (codes[touched] >= stack.rail_high)
    counts = np.sum(rails, axis=1)
    amplitude = np.abs(fit.fundamental[:, c])
    strongest = int(np.argmax(amplitude))
    noise = float(fit.noise()[c])
    peak = float(amplitude[strongest])
    flat = np.flatnonzero(low == high)
    name = stack.channels[c]
    return ChannelQuality(
        name=name,
        rail_samples=int(np.sum(counts)),
        rail_records=tuple(int(i) for i in touched[counts >= 2]),
        silent=bool(np.all(amplitude <= 6 * np.maximum(fit.u_amplitude[:, c], _floor_v(stack, c, fit.samples)))),
        constant=bool(low.min() == high.max()),
        constant_records=tuple(int(i) for i in flat),
        amplitude_v=peak,
        noise_v=noise,
        thd=float(fit.thd()[strongest, c]),
        dc_v=float(np.mean(fit.dc[:, c])),
        lines=_lines(stack, fit, c, peak, known),
        drop_outs=_drop_outs(codes, stack, fit, c),
        jump_records=_jumps(amplitude, fit.u_amplitude[:, c], wish.jump_relative) if name in wish.steady else (),
        disturbed_records=_disturbed_records(
            fit.residual_rms[:, c], wish.residual_factor, float(abs(stack.scale_v[c]))
        ),
    )


def _floor_v(stack: WaveformStack, c: int, samples: int) -> float:
    """Uncertainty that rounding to codes alone gives an amplitude."""
    return float(abs(stack.scale_v[c])) / math.sqrt(12) * math.sqrt(2 / samples)


def _jumps(amplitude: Floats, u_amplitude: Floats, relative: float) -> tuple[int, ...]:
    middle = float(np.median(amplitude))
    allowed = np.maximum(relative * middle, 8 * u_amplitude)
    return tuple(int(i) for i in np.flatnonzero(np.abs(amplitude - middle) > allowed))


def _disturbed_records(residual: Floats, factor: float, code_v: float) -> tuple[int, ...]:
    middle = max(float(np.median(residual)), code_v / math.sqrt(12))
    return tuple(int(i) for i in np.flatnonzero(residual > factor * middle))


def _drop_outs(codes: NDArray[Any], stack: WaveformStack, fit: SineFit, c: int) -> tuple[SampleDropOut, ...]:
    """Runs of equal codes over an eighth of a cycle (five samples at least) where the carrier is above 50 codes."""
    size = np.abs(fit.fundamental[:, c]) / max(abs(float(stack.scale_v[c])), 1e-300)
    least = max(5, math.ceil(fit.sample_rate_hz / fit.frequency_hz / 8))
    if codes.shape[1] <= least:
        return ()
    found = []
    for i in np.flatnonzero((size > 50) & _has_run(codes, least)):
        edges = np.flatnonzero(np.diff(codes[i]) != 0)
        starts = np.concatenate([[0], edges + 1])
        lengths = np.diff(np.concatenate([starts, [codes.shape[1]]]))
        longest = int(np.argmax(lengths))
        on_rail = not stack.rail_low < int(codes[i, starts[longest]]) < stack.rail_high
        if lengths[longest] > least and not on_rail:
            found.append(SampleDropOut(int(i), int(starts[longest]), int(lengths[longest])))
    return tuple(found)


def _has_run(codes: NDArray[Any], least: int) -> NDArray[np.bool_]:
    """(rows,) is there a run of more than `least` equal codes? By doubling: pairs, then runs of 2, 4, ..."""
    run: NDArray[np.bool_] = codes[:, 1:] == codes[:, :-1]
    width = 1
    while width < least:
        shift = min(width, least - width)
        run = run[:, :-shift] & run[:, shift:]
        width += shift
    return np.asarray(run.any(axis=1))


def _lines(
    stack: WaveformStack, fit: SineFit, c: int, carrier_v: float, known: tuple[Floats, NDArray[np.bool_]]
) -> tuple[SpectralLine, ...]:
    """The strongest lines (up to eight) of the residual, strongest first."""
    n, m = stack.codes.shape[0], fit.samples
    pick = np.unique(np.linspace(0, n - 1, min(n, _SPECTRUM_RECORDS)).astype(int))
    q, free = known
    rows = stack.codes[pick, c, :].astype(np.float32) * np.float32(stack.scale_v[c])
    rows -= (rows @ q) @ q.T
    window = np.hanning(m + 1)[:-1].astype(np.float32)
    power = np.mean(np.abs(np.fft.rfft(rows * window, axis=1)) ** 2, axis=0)
    if np.count_nonzero(free) < 8:
        return ()
    floor = float(np.median(power[free]))
    threshold = floor * _line_ratio(len(pick), int(np.count_nonzero(free)))
    code_v = float(abs(stack.scale_v[c]))
    left, rest = np.where(free, power, 0.0), power.copy()  # rest: what no line has taken yet, beside harmonics too
    found: list[SpectralLine] = []
    while len(found) < 8:
        k = int(np.argmax(left))
        if left[k] <= max(threshold, 1e-24):
            break
        near = slice(max(0, k - 2), k + 3)
        energy = max(0.0, float(np.sum(rest[near])) - floor * (near.stop - near.start))
        amplitude = math.sqrt(energy / (1.5 * m**2 / 16))
        weights = rest[near]
        at = float(np.sum(np.arange(len(power))[near] * weights) / np.sum(weights))
        if amplitude > 0.1 * code_v:
            found.append(
                SpectralLine(
                    at * fit.sample_rate_hz / m, amplitude, amplitude / carrier_v if carrier_v > 0 else math.inf
                )
            )
        around = slice(max(0, k - _GUARD_BINS), k + _GUARD_BINS + 1)
        left[around] = rest[around] = 0.0
    return tuple(found)


def _carrier_columns(fit: SineFit) -> tuple[Floats, NDArray[np.bool_]]:
    """What isn't interference: (orthonormal columns of DC, carrier and its harmonics, folded ones too; bins off them).

    Twelve harmonics, sixty on a long record. They are fitted out, since the skirt of a strong one reaches over many
    bins; one that folds onto another's bin has no column of its own.
    """
    m = fit.samples
    count = m // 2 + 1
    bins = np.arange(count)
    free = (bins > 2) & (bins < count - 2)
    taken = [0.0, m / 2]
    first = np.exp(2j * np.pi * fit.frequency_hz / fit.sample_rate_hz * (np.arange(m) - (m - 1) / 2))
    power = np.ones(m, dtype=np.complex128)
    kept = []
    for h in range(1, 61 if count > 600 else 13):
        power = power * first
        turns = (h * fit.frequency_hz / fit.sample_rate_hz) % 1.0
        at = min(turns, 1.0 - turns) * m
        free &= np.abs(bins - at) > (_GUARD_BINS if h == 1 else 1.5)
        if np.min(np.abs(at - np.array(taken))) > 1.5 and 2 * len(taken) < m // 4:
            taken.append(at)
            kept.append(power)
    turn = np.array(kept).reshape(len(kept), m)
    even = _orthonormal(np.vstack([np.ones((1, m)), turn.real]))  # of even and odd columns about the centre neither
    return np.hstack([even, _orthonormal(turn.imag)]).astype(np.float32), free  # sees the other


def _orthonormal(rows: Floats) -> Floats:
    """(m, k) orthonormal columns of the space of rows (k, m). Lines 1.5 bins apart are far from dependent."""
    found: Floats = (np.linalg.inv(np.linalg.cholesky(rows @ rows.T)) @ rows).T
    return found


def _line_ratio(records: int, bins: int) -> float:
    """How far over the median the largest of `bins` mean powers of noise stays with probability 1 - 10^-4."""
    from scipy import special

    top = float(special.gammainccinv(records, 1e-4 / bins))
    return top / float(special.gammaincinv(records, 0.5))
