"""What makes the angle error of a turn: each cause with its own size, by error and radius together.

It must never judge. Theory and source: rig/resolver/turn/attribution.py.
"""

from __future__ import annotations

import math

import numpy as np

from rig.errors import UsageError
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.turn.ratios import Turn
from rig.resolver.turn.attribution import Cause, attribute
from rig.resolver.turn.grids import STEPPER_ORDERS, part_orders

SHOWN_SHARE = 0.45  # of the positions: highest order that they show


def causes(found: Turn, curve: AngleCurve) -> tuple[Cause, ...]:
    """The causes, the largest first; empty when the points can't tell."""
    if found.coarse:
        return ()
    inside = found.inside
    theta = found.theta_mech_rad[inside]
    points = len(np.unique(np.round(np.mod(theta, 2.0 * math.pi), 5)))
    u, _, v, _ = (part[inside] for part in found.envelopes())
    orders = [n for n in sorted({*part_orders(curve.found.value), *STEPPER_ORDERS}) if n <= SHOWN_SHARE * points]
    try:
        return attribute(theta, u, v, curve.found.value, curve.found.direction, orders[: max(1, theta.size // 3)])
    except UsageError:
        return ()
