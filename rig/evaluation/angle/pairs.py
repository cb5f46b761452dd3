"""Play and drift by places at which the rotor rested both ways, beside a turn on the fly.

On the fly the play of the axis can't be told from the delay between pulse and rotor; at rest there is no delay. It must
never know a limit. Angles electrical rad, positions as commanded; captures of one place and direction are averaged.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.turn.ratios import Turn
from rig.resolver.turn.angle import electrical_angle
from rig.resolver.turn.error_curve import Passes, combine_passes, deviation

LEAST = 4  # places


def pairs_at_rest(resting: Turn, curve: AngleCurve) -> Passes | None:
    """Both directions at the places that both reached at rest; None for fewer than four of them.

    curve: the turn's error, whose pole pairs, direction and zero the readings at rest are held against.
    """
    u, _, v, _ = resting.envelopes()
    pairs = curve.found
    away, _ = deviation(
        electrical_angle(u, v),
        resting.theta_mech_rad,
        pairs.value,
        pairs.direction,
        curve.zero_elec_rad % (2 * math.pi),
    )
    sides = []
    for side in (resting.counter_clockwise, ~resting.counter_clockwise):
        places, at = np.unique(resting.steps[side], return_inverse=True)
        count = np.bincount(at)
        means = [np.bincount(at, weights=values[side]) / count for values in (away, resting.at_s)]
        sides.append({float(place): (float(a), float(t)) for place, a, t in zip(places, *means, strict=True)})
    both = sorted(sides[0].keys() & sides[1].keys())
    if len(both) < LEAST:
        return None
    up, down = (np.array([side[place] for place in both]) for side in sides)
    return combine_passes(up[:, 0], down[:, 0], up[:, 1], down[:, 1])
