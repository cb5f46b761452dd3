"""What the current of one output does to the other while the excitation is held: a source impedance between them.

It must never know a run. An output loaded by an admittance Y falls by Z' Y V of its own and by Z_m Y V of the other
output, where Z_m = Z_sc - r_s r_c Z_exc: the coils' own coupling, less what goes through the excitation coil. Both go
with r_s r_c round the turn, so that Z_m = K r_s r_c. K in ohm follows from the stator:

- No tooth carries turns of both outputs (4 p is a multiple of the teeth): they meet in the yoke's potential alone, as
  both meet the excitation there, and Z_sc = r_s r_c Z_exc^2 / Z_gap; Z_gap is the excitation coil's impedance less
  copper and leakage.
- Else the permeance's second harmonic couples them as it makes an output's own impedance turn: what the own impedance
  gains with r^2, Z_sc gains with r_s r_c (the sums over the teeth of sin^2, cos^2 and sin cos are the same wave).

Checked against the field model of tests/foreign and the circuit of drivers/simulated in tests/foreign. Source: the
turns and permeances of rig/resolver/README.md, 6.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

LEAKAGE = 0.125  # share of the excitation's inductance that does not cross the gap, and its half-width
BY_TEETH, BY_SLOPE, UNSEEN_SLOPE = 0.15, 0.1, 0.3  # half-widths of K over Z_exc
BETWEEN, EITHER = -0.45, 0.65  # K over Z_exc where the teeth are unknown: between both kinds of stator
LEAST_GAP = 0.5  # of the excitation's impedance, below which copper and not the gap rules it
FOURTH_ORDER = 0.25  # share of K r^2 Y that stands in order 4 p of the angle error (rad), and in the ratios
ACROSS = 0.385  # largest of sin cos^2: share of K r^2 Y that the largest quadrature may take


class Between(NamedTuple):
    """K and its half-width, ohm: the source impedance between the outputs is K r_s r_c."""

    ohm: complex
    half_width_ohm: float


def between_outputs(
    pole_pairs: int, teeth: int | None, z_exc_ohm: complex, r_exc_ohm: float, slopes_ohm: Sequence[complex]
) -> Between:
    """K of a stator.

    z_exc_ohm, r_exc_ohm: impedance and copper of the excitation coil; slopes_ohm: what the impedance of each output
    gains with the square of its ratio, ohm for a ratio of one; empty where it was not seen. teeth: None where the part
    file says none.
    """
    size, gap = abs(z_exc_ohm), (1.0 - LEAKAGE) * (z_exc_ohm - r_exc_ohm)
    if teeth is None or pole_pairs < 1 or abs(gap) < LEAST_GAP * size:
        return Between(BETWEEN * z_exc_ohm, EITHER * size)
    if 4 * pole_pairs % teeth == 0:
        return Between(z_exc_ohm * (z_exc_ohm / gap - 1.0), BY_TEETH * size)
    if not slopes_ohm:
        return Between(-z_exc_ohm, UNSEEN_SLOPE * size)
    return Between(sum(slopes_ohm) / len(slopes_ohm) - z_exc_ohm, BY_SLOPE * size)
