"""What the axis or the encoder is uncertain about: half-widths by order a turn, in mechanical arcminutes.

It must never know the part. The bench file states half-widths: once and twice a turn, and the cyclic error of the
motor's steps (orders of full_steps / 4, / 2 and 1); with an encoder its own eccentricity (once) and residual.
A correction of the axis in force (rig/evaluation/angle/correction.py) narrows the orders that it knows.
Theory: rig/resolver/README.md, 4, rig/evaluation/README.md.
"""

from __future__ import annotations

from rig.evaluation.turn.rotation import Rotation
from rig.observed import Absent, Observed

OTHER_SHARE = 0.05  # of the stated cyclic error, at orders about which the bench file states nothing


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
    stated = {1: axis.once_arcmin, 2: axis.twice_arcmin} | dict.fromkeys(cyclic_orders(obs), axis.cyclic_arcmin)
    width = stated.get(order, OTHER_SHARE * axis.cyclic_arcmin / 3.0)
    correction = rotation.correction
    return width if correction is None else correction.half_width_mech_arcmin(order, width)
