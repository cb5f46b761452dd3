"""Do the positions of a turn show what is looked for: enough places of the electrical turn, order 2 p?

It must never give a reason: the row grid-blind does (rig/soundness/turning/points.py).
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import result_of
from rig.evaluation.inspection.thresholds import LEFT_MATTERS
from rig.evaluation.turn.ratios import Turn
from rig.resolver.turn.angle import electrical_angle
from rig.resolver.turn.commanded_positions import electrical_places
from rig.resolver.turn.ellipse import LEAST_PLACES
from rig.soundness.rule import Evidence
from rig.soundness.sampler.ceiling import turn_ceilings

HIDING = "The positions hide what is looked for."
MORE = "Sweep more positions: 12 a cycle of order 4 p, or a few uneven ones."


def positions(found: Turn) -> int:
    """How many positions of a mechanical turn were measured."""
    theta = np.mod(found.theta_mech_rad[found.inside] + 1e-7, 2.0 * math.pi)
    return len(np.unique(np.round(theta, 5)))


def orders_left(inspection: Inspection) -> list[Evidence]:
    """An order that the positions show but can't carry in the model, where it matters beside the largest error's U."""
    largest = result_of(inspection.evaluated.results, "error_max_elec_arcmin")
    if largest is None or largest.U is None:
        return []
    order, size = largest.conditions.get("order_left"), largest.conditions.get("left_elec_arcmin")
    if order is None or not isinstance(size, int | float) or size < LEFT_MATTERS * largest.U:
        return []
    if turn_ceilings(inspection):
        return []  # what is cut has every order
    figures = f"what the orders fitted leave holds order {order} a turn with {size:.2f}' electrical: more than noise"
    return [Evidence(figures=figures, text=HIDING, next=MORE)]


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
    return [Evidence(figures=figures, case=case, text=HIDING, next=MORE)]
