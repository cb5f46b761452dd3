"""Which orders of a turn its positions can tell apart.

It must never know what was measured at the positions. Orders are a mechanical turn's. Source:
rig/resolver/turn/grids.py.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.observed import Absent, Observed

Floats = NDArray[np.float64]


def stated_teeth(obs: Observed, points: int) -> int | None:
    """The teeth of the part file, None where it says nothing; of a part without a label, as many as points can show."""
    return obs.part.teeth or (points if obs.lacks(Absent.PART) else None)


def candidate_orders(
    points: int, pole_pairs: int, teeth: int | None, nuisance: tuple[int, ...], gap_mech_rad: float = 0.0
) -> tuple[int, ...]:
    """Orders of the part's own curve: all that this many points carry, up to four times the teeth.

    gap_mech_rad: largest distance of neighbouring points; an order that goes through half a wave unseen is left out.
    """
    top = min(int(0.42 * points) - len(nuisance), max(4 * (teeth or 4 * pole_pairs) + pole_pairs, 16 * pole_pairs))
    if gap_mech_rad > 0.0:
        top = min(top, int(math.pi / gap_mech_rad))
    return tuple(n for n in range(1, max(top, 2) + 1) if n not in nuisance)


def largest_gap(theta_mech_rad: Floats) -> float:
    """Mechanical rad between neighbours, over the turn's end as well."""
    theta = np.sort(np.mod(theta_mech_rad, 2.0 * math.pi))
    return float(np.max(np.diff(np.append(theta, theta[0] + 2.0 * math.pi))))
