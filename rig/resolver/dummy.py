"""The dummy part as drawn in hardware/dummy_part.md: eight known electrical angles from resistor ratios alone.

It must never know a reading or the simulated box. Lines A, B choose the taps, S and C reverse an output. Ratios
unloaded, against the excitation; the truth of the box is this table, not the round numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

CHAIN_OHM = (75.0, 174.0, 107.0, 69.8, 332.0)
SECONDARY = 0.5
RATIO_PERCENT = 0.3  # half-width of one output's ratio: resistors of 0.1 %, winding and lead drops
PHASE_DEG = 0.1  # half-width
ANGLE_ELEC_ARCMIN = 2.8  # most that resistors within 0.1 % move an angle
SINE_TAP = {(0, 0): 1, (1, 0): 3, (0, 1): 4, (1, 1): 2}
COSINE_TAP = {(0, 0): 4, (1, 0): 2, (0, 1): 1, (1, 1): 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class DummySetting:
    """lines: A, B, S, C (0 or 1); sine, cosine: signed ratios; nominal_elec_deg: the round number on the box."""

    nominal_elec_deg: int
    lines: tuple[int, int, int, int]
    sine: float
    cosine: float


def _tap(number: int) -> float:
    return SECONDARY * sum(CHAIN_OHM[:number]) / sum(CHAIN_OHM)


def _setting(nominal_elec_deg: int, a: int, b: int, s: int, c: int) -> DummySetting:
    sine, cosine = _tap(SINE_TAP[a, b]), _tap(COSINE_TAP[a, b])
    return DummySetting(
        nominal_elec_deg=nominal_elec_deg,
        lines=(a, b, s, c),
        sine=-sine if s else sine,
        cosine=-cosine if c else cosine,
    )


SETTINGS = (
    _setting(10, 0, 0, 0, 0),
    _setting(55, 1, 0, 0, 0),
    _setting(100, 0, 1, 0, 1),
    _setting(145, 1, 1, 0, 1),
    _setting(190, 0, 0, 1, 1),
    _setting(235, 1, 0, 1, 1),
    _setting(280, 0, 1, 1, 0),
    _setting(325, 1, 1, 1, 0),
)
