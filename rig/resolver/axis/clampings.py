"""Clampings of one part at several angles: which offsets to choose, what they can tell apart, what they turn out to be.

It must never know how a curve was measured. Angles are mechanical, counter-clockwise positive, against the first
clamping. Equal divisions are blind at the multiples of their number; irregular sets see every order. Two clampings
120 deg electrical apart are blind at every third order of the pole pairs, which sensors do have: 138 deg electrical
leaves no strong order unseen (measured, tests/bench/separation.py). Theory: rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
TWO_ELEC_DEG = 138.0
CHOSEN_MECH_DEG: dict[int, tuple[float, ...]] = {3: (0.0, 209.0, 342.0), 5: (0.0, 16.2, 171.0, 235.8, 279.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamping:
    """One sweep of one clamping. theta_mech_rad (n,): positions of the axis; deviation_mech_rad (n,): the sensor's
    reading as a mechanical angle less the position, without jumps; nominal_offset_mech_rad: as the operator set it."""

    theta_mech_rad: Floats
    deviation_mech_rad: Floats
    nominal_offset_mech_rad: float = 0.0


def choose_offsets_mech_rad(clampings: int, pole_pairs: int) -> Floats:
    """Offsets to clamp at: 138 deg electrical for two, irregular sets for three and five."""
    chosen_mech_deg = {2: (0.0, TWO_ELEC_DEG / pole_pairs), **CHOSEN_MECH_DEG}
    if clampings not in chosen_mech_deg:
        raise UsageError(f"{clampings} clampings: no good set of offsets is known.", next_action="Ask for 2, 3 or 5.")
    offsets: Floats = np.radians(np.array(chosen_mech_deg[clampings]))
    return offsets


def variance_factors(offsets_mech_rad: Floats, orders: Iterable[int]) -> dict[int, float]:
    """order -> 1 / (1 - rho^2), infinite where the offsets show nothing; times 1/N it is the variance of the order
    against that of one sweep."""
    factors = {}
    for n in orders:
        rho2 = float(abs(np.mean(np.exp(1j * n * np.asarray(offsets_mech_rad)))) ** 2)
        factors[n] = 1.0 / (1.0 - rho2) if rho2 < 1.0 - 1e-9 else math.inf
    return factors


def read_offset(mean_mech_rad: float, nominal_mech_rad: float, pole_pairs: int) -> float:
    """The offset that the sensor reads (known up to whole electrical cycles), brought next to the nominal one.

    Raises UsageError when it lies more than a quarter of a cycle from the nominal: the cycle is then a guess.
    """
    cycle = 2.0 * math.pi / pole_pairs
    away = math.remainder(mean_mech_rad - nominal_mech_rad, cycle)
    if abs(away) > cycle / 4.0:
        raise UsageError(
            f"The sensor reads an offset {math.degrees(away):.1f} deg (mechanical) away from the one asked for; "
            f"whole electrical cycles are {math.degrees(cycle):.1f} deg, so it can't be told which one it is.",
            next_action="Clamp the part within a few degrees of the offset asked for and repeat the sweep.",
        )
    return nominal_mech_rad + away
