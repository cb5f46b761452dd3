"""What the axis or the encoder is uncertain about: half-widths by order a turn, in mechanical arcminutes.

It must never know the part. The bench file states half-widths: once and twice a turn, and the cyclic error of the
motor's steps (orders of full_steps / 4, / 2 and 1); with an encoder its own eccentricity (once) and residual.
A correction of the axis in force (rig/evaluation/angle/correction.py) narrows the orders that it knows.
Theory: rig/resolver/README.md, 4, rig/evaluation/README.md.
"""

from __future__ import annotations

import math

from rig.description.benches import AxisDevice
from rig.evaluation.turn.rotation import Rotation
from rig.observed import Absent, Observed
from rig.resolver.axis.rotor_places import HIGHEST

OTHER_SHARE = 0.05  # of the stated cyclic error, at orders about which the bench file states nothing
CARRIED_OVER = range(3, HIGHEST + 1)  # orders that a correction may know beside the stated ones
UNKNOWN_ORDER = HIGHEST + 1  # one of those about which nothing is known, whatever correction is in force


def cyclic_orders(obs: Observed) -> tuple[int, ...]:
    """Orders a turn at which the motor's own steps show; none without an axis, or where nothing is known of it."""
    axis = None if obs.lacks(Absent.POSITIONER) else obs.bench.axis
    return axis.cyclic_orders if axis else ()


def order_half_width_mech_arcmin(rotation: Rotation, reference: str, order: int) -> float:
    """Half-width of the position's error at an order a turn, mechanical arcmin. reference: "steps" or "encoder"."""
    obs = rotation.observed
    encoder, axis = obs.bench.encoder, obs.bench.axis
    if reference == "encoder" and encoder is not None:
        return encoder.once_arcmin if order == 1 else encoder.residual_arcmin
    if axis is None:
        return 30.0
    width = stated_half_width_mech_arcmin(axis, order, cyclic_orders(obs))
    correction = rotation.correction
    return width if correction is None else correction.half_width_mech_arcmin(order, width)


def stated_half_width_mech_arcmin(axis: AxisDevice, order: int, cyclic: tuple[int, ...]) -> float:
    """What the bench file states of the bare axis at an order a turn; cyclic: orders of the motor's own steps."""
    stated = {1: axis.once_arcmin, 2: axis.twice_arcmin} | dict.fromkeys(cyclic, axis.cyclic_arcmin)
    return stated.get(order, OTHER_SHARE * axis.cyclic_arcmin / 3.0)


def other_orders_mech_arcmin(rotation: Rotation, reference: str) -> float:
    """Half-width of all orders about which the bench file states nothing, together: twice that of one, for several may
    add up. Where the correction in force knows all from 3 to 8, these count by the root of the sum of their squares and
    what is above them once."""
    one = order_half_width_mech_arcmin(rotation, reference, UNKNOWN_ORDER)
    correction = rotation.correction
    if reference == "encoder" or correction is None or not all(correction.knows(n) for n in CARRIED_OVER):
        return 2.0 * one
    known = [order_half_width_mech_arcmin(rotation, reference, n) for n in CARRIED_OVER]
    return math.hypot(one, *known)
