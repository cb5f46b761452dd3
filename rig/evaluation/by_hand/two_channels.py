"""A turn by hand on two channels: excitation beside sine, then sine beside cosine, as ratios of four channels.

It must never know a limit. The pair has no excitation beside it: its own carrier is followed (both outputs share it,
the phase of sine squared plus cosine squared is twice its own, and over a record it only drifts with the frequency),
its size is taken from the level of the other capture, its phase and the sign of the envelope from there too. What the
level did unseen, between the two and over the turn, is an influence of its own. Series: `hand_output` (exc_v, sin),
`hand_pair` (sin, cos), one long capture each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.evaluation.results import half_width
from rig.evaluation.sampler.loopback import Loopback
from rig.evaluation.sampler.phasors import COSINE, EXC_V, SINE, set_frequency_hz
from rig.observed import Observed
from rig.signal.common_frequency import pooled_frequency
from rig.signal.moving import Windows, moving_phasors
from rig.signal.phasor import carrier_phase, signed_envelope
from rig.uncertainty.budget import BudgetLine

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
OUTPUT, PAIR = "hand_output", "hand_pair"
SMOOTH = 15  # windows over which the carrier of a pair is followed
WHOLE = 0.95  # share of the largest extreme that a whole half wave has: a part's own periods differ by less
SIGN = "sign"  # condition of a pair whose sign is open
SURE = 3.0  # standard errors of a lean beyond which its sign is believed
UNSEEN = 1e-3  # relative half-width of the excitation's level between two captures at one setting of the generator


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoChannels:
    """ratios: sine and cosine over the excitation at the coil, of all windows of the pair; slopes: their change a
    second; at_s: of each window; window_s: its length; level_v_rms: at the coil; between: relative half-width of what
    the excitation did unseen. frequency_hz: by the capture that holds the excitation. sign: empty where both
    captures lean by more than their half waves differ; else a condition: outputs and centre may have the other sign."""

    ratios: tuple[Complexes, Complexes]
    slopes: tuple[Complexes, Complexes]
    at_s: Floats
    window_s: float
    level_v_rms: float
    between: float
    frequency_hz: float
    sign: dict[str, str]


def frequency_of(obs: Observed) -> float:
    """The excitation's frequency by the capture that holds it, Hz."""
    stack = obs.captures.stack(OUTPUT)
    near = set_frequency_hz(obs, OUTPUT) or None
    return pooled_frequency(stack.codes[:, EXC_V, :], stack.sample_rate_hz, near_hz=near).frequency_hz


def two_channels(obs: Observed, loopback: Loopback, hz: float, window_s: float) -> TwoChannels:
    """Both captures as ratios. Raises UsageError where one is missing or the excitation is absent."""
    if not (obs.has(OUTPUT) and obs.has(PAIR)):
        raise UsageError("one of the two captures by hand is missing", next_action="Turn by hand again.")
    first, pair = (_windows(obs, series, hz, window_s) for series in (OUTPUT, PAIR))
    divider = obs.bench.sampler.exc_divider
    reference = first.phasor[..., EXC_V]
    size = np.abs(reference).ravel() / abs(loopback.gain[EXC_V]) / divider
    level = float(np.mean(size))
    if level <= 0.0 or float(np.min(size)) < 0.5 * level:
        raise UsageError("the excitation is absent in a part of the turn", next_action="Check the excitation.")
    gain = loopback.gain[EXC_V] / loopback.gain[SINE] * divider
    seen = (first.phasor[..., SINE] / reference * gain).ravel()
    phase = carrier_phase(seen).phase_rad
    envelope, _ = signed_envelope(seen, phase)
    leaning, u_leaning = leaning_of(envelope)
    ratios, slopes, is_sure = _pair(pair, hz, loopback, level, phase, leaning)
    ripple = 0.5 * float(np.ptp(_smooth(size))) / level
    begun = np.array([reading.bench_time_s for reading in obs.capture_readings(PAIR)], dtype=np.float64)
    at_s = (begun[:, None] + pair.centre_s[None, :]).ravel()
    return TwoChannels(
        ratios=ratios,
        slopes=slopes,
        at_s=at_s,
        window_s=pair.samples / obs.captures.stack(PAIR).sample_rate_hz,
        level_v_rms=level / np.sqrt(2.0),
        between=ripple + UNSEEN,
        sign={} if is_sure and abs(leaning) > SURE * u_leaning else {SIGN: "not told by how the outputs lean"},
        frequency_hz=hz,
    )


def sign_lines(value: float, conditions: Mapping[str, object]) -> list[BudgetLine]:
    """The influence on a centre of a sign that is open: it may as well be the negative."""
    return [half_width("which of both signs the pair has", 2.0 * abs(value), "ratio")] if SIGN in conditions else []


def _windows(obs: Observed, series: str, hz: float, window_s: float) -> Windows:
    stack = obs.captures.stack(series)
    return moving_phasors(stack.codes, stack.sample_rate_hz, hz, window_s=window_s, scale=stack.scale_v)


def _pair(
    pair: Windows, hz: float, loopback: Loopback, level: float, phase_rad: float, leaning: float
) -> tuple[tuple[Complexes, Complexes], tuple[Complexes, Complexes], bool]:
    """Ratios and slopes of a pair, and whether its own lean is sure. phase_rad: of the sine output; leaning: of its
    envelope, whose sign is that of its centre: it tells which of the two signs the pair has."""
    turn = np.exp(-2j * np.pi * hz * pair.centre_s)[None, :]
    scales = [1.0 / (loopback.gain[channel] * level) for channel in (SINE, COSINE)]
    sides = [(pair.phasor[..., c] * turn * s).ravel() for c, s in zip((SINE, COSINE), scales, strict=True)]
    moves = [(pair.slope[..., c] * turn * s).ravel() for c, s in zip((SINE, COSINE), scales, strict=True)]
    square: Complexes = sides[0] ** 2 + sides[1] ** 2
    twice: Floats = np.unwrap(np.angle(_smooth(square.real) + 1j * _smooth(square.imag)))
    place = np.linspace(-1.0, 1.0, twice.size)
    slope, offset = (float(c) for c in np.polyfit(place, twice, 1))
    common = 0.5 * (offset + slope * place)  # a line: what departs from it is the part's
    back = np.exp(-1j * common)
    sides, moves = [side * back for side in sides], [move * back for move in moves]
    own = carrier_phase(sides[0], sign_from=0.0).phase_rad
    envelope, _ = signed_envelope(sides[0], own)
    own_leaning, u_own = leaning_of(envelope)
    sign = -1.0 if own_leaning * leaning < 0.0 else 1.0
    turned = sign * np.exp(1j * (phase_rad - own))
    sine, cosine = (side * turned for side in sides)
    dsine, dcosine = (move * turned for move in moves)
    return (sine, cosine), (dsine, dcosine), abs(own_leaning) > SURE * u_own


def leaning_of(envelope: Floats) -> tuple[float, float]:
    """Median maximum plus median minimum of a signed envelope, over its whole half waves, and its standard error.

    The highest and the lowest of thousands of windows are the noise's: their sum alone lost the sign of small centres.
    A half wave in which the hand turned back or that the capture cut ends short of the others and does not count. The
    error is infinite where one side has a single half wave: nothing tells how far its like differ.
    """
    smooth = _smooth(envelope)
    waves = np.split(smooth, np.flatnonzero(np.diff(np.signbit(smooth))) + 1)
    top, u_top = _extreme(np.array([wave.max() for wave in waves]))
    bottom, u_bottom = _extreme(np.array([-wave.min() for wave in waves]))
    return top - bottom, float(np.hypot(u_top, u_bottom))


def _extreme(of_waves: Floats) -> tuple[float, float]:
    """The median of those within WHOLE of the largest, and its standard error."""
    largest = float(of_waves.max())
    whole = of_waves[of_waves > WHOLE * largest]
    if largest <= 0.0 or whole.size < 2:
        return largest, float("inf")
    return float(np.median(whole)), 1.25 * float(np.std(whole, ddof=1)) / float(np.sqrt(whole.size))


def _smooth(values: Floats) -> Floats:
    """Mean over neighbouring windows; the ends keep what they have."""
    kernel = np.ones(SMOOTH)
    found: Floats = np.convolve(values, kernel, mode="same") / np.convolve(np.ones(values.size), kernel, mode="same")
    return found
