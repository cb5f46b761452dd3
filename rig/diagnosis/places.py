"""Do the positions of a turn show what is looked for: enough places of the electrical turn, order 2 p?

It must never give a reason: the row grid-blind does (rig/diagnosis/sound_points.py).
"""

from __future__ import annotations

import math

import numpy as np

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.rule import Evidence
from rig.evaluation.turn import Turn
from rig.resolver.angle import electrical_angle
from rig.resolver.commanded import electrical_places
from rig.resolver.ellipse import LEAST_PLACES


def positions(found: Turn) -> int:
    """How many positions of a mechanical turn were measured."""
    theta = np.mod(found.theta_mech_rad[found.inside] + 1e-7, 2.0 * math.pi)
    return len(np.unique(np.round(theta, 5)))


def hidden_places(inspection: Inspection) -> list[Evidence]:
    """Too few places of the electrical turn, or too few positions for twice the pole pairs."""
    found, curve = inspection.evaluated.turn, inspection.evaluated.angle_curve
    if found is None or curve is None or found.coarse:
        return []
    u, _, v, _ = (side[found.inside] for side in found.envelopes())
    places, points, p = electrical_places(electrical_angle(u, v)), positions(found), curve.found.value
    if places < LEAST_PLACES:
        case = "places"
        figures = f"{points} positions a turn show {places} places of the electrical turn; {LEAST_PLACES} at least"
    elif points < 4 * p + 1:
        case, figures = "", f"{points} positions a turn don't show order {2 * p} (twice the pole pairs)"
    else:
        return []
    text, next_ = "The positions hide what is looked for.", "Sweep more positions: 12 a cycle of order 4 p, or a few "
    return [Evidence(figures=figures, case=case, text=text, next=next_ + "uneven ones.")]
