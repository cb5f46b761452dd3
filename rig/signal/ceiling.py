"""Does a channel stop at a ceiling below the converter's own rails? Plateaus, and what the lower part of a swing says.

It must never know a rail code: rig/signal/quality.py counts those. A peak that is cut stands as a plateau of one
extreme value, and a fundamental fitted to the lower part of the swing only reaches well above it. Both are needed of
one record, since a coarsely rounded peak has a plateau too and a winding's third harmonic bends a swing. The same holds
of an envelope over the turn, where many positions then show one and the same largest amplitude.
Source: IEEE 1057 (sine fit of the unclipped part); figures in tests/signal/test_ceiling.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.signal.sine_fit import basis

Floats = NDArray[np.float64]
LOWER_PART = 0.8  # of the peak: samples below it are taken as unclipped
TELLING = 0.1  # least singular value, per root of the samples, of a fit that tells
PLATEAU_PAIRS = 3  # neighbours at one extreme
PLATEAU_FLATTENED = 0.002
FLATTENED = 0.01  # without a plateau
ENVELOPE_OVER = 0.01  # reach of the lower part above the peak from which a position belongs to the ceiling
ENVELOPE_FLAT = 0.003  # spread of the ceiling's positions, of the peak
ENVELOPE_SHARE = 0.08  # of the positions
ENVELOPE_LEAST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """level: the value at which the channel stops, in the samples' unit; at_level: samples (or positions) there;
    reach: how far the lower part of the swing reaches above it, relative."""

    level: float
    at_level: int
    reach: float


def flattening(values: Floats, rate_hz: float, frequency_hz: float) -> float:
    """How far the fundamental, fitted to samples below LOWER_PART of the swing, reaches above the recorded peak.

    Relative; both are compared at the samples, since between them a peak may stand higher. 0 where those samples stand
    at too few phases of the cycle to tell (four or five to a cycle, locked to it).
    """
    centred = values - 0.5 * (values.max() + values.min())
    return _reach(centred, basis(frequency_hz, rate_hz, values.size, (1,)))[0]


def _reach(centred: Floats, rows: Floats) -> tuple[float, Floats]:
    """(relative reach above the peak, the fitted values)."""
    peak = float(np.max(np.abs(centred)))
    low = np.abs(centred) < LOWER_PART * peak
    nothing = np.zeros_like(centred)
    if peak <= 0 or np.count_nonzero(low) < max(8, rows.shape[1] + 2):
        return 0.0, nothing
    found, _, _, singular = np.linalg.lstsq(rows[low], centred[low], rcond=None)
    if singular[-1] < TELLING * math.sqrt(np.count_nonzero(low)):
        return 0.0, nothing
    model: Floats = rows @ found
    noise = float(np.std(centred[low] - model[low]))
    return float(np.max(np.abs(model)) - peak - 3 * noise) / peak, model


def plateau(values: Floats) -> tuple[int, float]:
    """(neighbours that share the record's highest or lowest value, that value), of the end that has more of them."""
    best = (0, 0.0)
    for extreme in (float(values.max()), float(values.min())):
        at = values == extreme
        pairs = int(np.count_nonzero(at[1:] & at[:-1]))
        if pairs > best[0]:
            best = (pairs, extreme)
    return best


def record_ceiling(values: Floats, rate_hz: float, frequency_hz: float, source_reach: float = 0.0) -> Ceiling | None:
    """The ceiling of one record (m,) of a channel at its strongest; None where there is none.

    source_reach: `flattening` of the excitation in the same record: a distorted source flattens every channel.
    """
    reach = flattening(values, rate_hz, frequency_hz)
    pairs, level = plateau(values)
    if pairs >= PLATEAU_PAIRS and reach > PLATEAU_FLATTENED:
        return Ceiling(level=level, at_level=int(np.count_nonzero(values == level)), reach=reach)
    peak = float(values[int(np.argmax(np.abs(values)))])
    if reach - max(0.0, source_reach) > FLATTENED:
        return Ceiling(level=peak, at_level=1, reach=reach)
    return None


def envelope_ceiling(theta_rad: Floats, envelope: Floats, cycles: int) -> Ceiling | None:
    """The ceiling of a signed envelope over a turn; None where there is none.

    theta_rad, envelope (n,): position of the turn and amplitude; cycles: of the envelope a turn. Many positions at one
    largest value, above which the rest of the swing would reach.
    """
    angle = cycles * theta_rad
    rows = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    reach, model = _reach(envelope, rows)
    peak = float(np.max(np.abs(envelope)))
    above = np.abs(model) > (1.0 + ENVELOPE_OVER) * peak
    if reach < ENVELOPE_OVER or np.count_nonzero(above) < max(ENVELOPE_LEAST, ENVELOPE_SHARE * envelope.size):
        return None
    sizes = np.abs(envelope[above])
    if float(np.quantile(sizes, 0.95) - np.quantile(sizes, 0.05)) > ENVELOPE_FLAT * peak:
        return None
    return Ceiling(level=float(np.median(sizes)), at_level=int(np.count_nonzero(above)), reach=reach)
