"""Did the coupling or the index move since the axis' correction was made? The motor's first cyclic order tells.

It must never judge a part. The motor's error of order 50 (a quarter of its full steps) turns on by fifty times the
angle by which motor and index moved against each other: good indexing is within 1.7' (mechanical), a slip of a degree
turns it by 50 degrees. It is compared within one mode only: the axis' resonance turns it with the speed.
Source: the cyclic error's order is fixed by the motor's teeth; figures: rig/resolver/README.md, 4.
"""

from __future__ import annotations

import cmath
import math

from rig.errors import UsageError
from rig.evaluation.angle.correction import ARCMIN, ON_THE_FLY, STEPPED, Correction
from rig.evaluation.angle.curve import angle_curve
from rig.evaluation.turn.orders import candidate_orders, largest_gap, stated_teeth
from rig.evaluation.turn.ratios import Turn
from rig.observed import Observed
from rig.resolver.turn.angle import PolePairs
from rig.resolver.turn.grids import fold_order
from rig.resolver.turn.orders import fit_orders

SEEN_MECH_ARCMIN = 0.5  # amplitude from which its phase is a witness
MOVED_MECH_ARCMIN = 4.0  # of the index, beyond which something slipped


def mode_of(found: Turn) -> str:
    """How a turn was swept."""
    return ON_THE_FLY if found.latency_s is not None else STEPPED


def motor_wave(obs: Observed, found: Turn, pairs: PolePairs) -> complex:
    """Coefficient of the motor's first cyclic order in a turn by its commands, mechanical rad; 0 where its positions
    show it folded or not at all."""
    axis, curve = obs.bench.axis, angle_curve(obs, found, pairs)
    if axis is None or curve is None or found.coarse or found.reference != "steps":
        return 0j
    theta, points = curve.theta_mech_rad, curve.theta_mech_rad.size
    shown = {fold_order(n, points): n for n in reversed(axis.cyclic_orders)}
    order = axis.cyclic_orders[0]
    if shown.get(order) != order or 2 * order >= points:
        return 0j
    cyclic = sorted(n for n in shown if 0 < n < points / 2)
    orders = candidate_orders(points, pairs.value, stated_teeth(obs, points), tuple(cyclic), largest_gap(theta))
    try:
        fit = fit_orders(theta, pairs.direction * curve.mean, [*orders, *cyclic])
    except UsageError:
        return 0j
    return complex(fit.coefficients[fit.orders.index(order)]) * ARCMIN / pairs.value


def moved_mech_arcmin(now: complex, then: complex, order: int) -> float | None:
    """By how much motor and index moved against each other, within half a cycle of the order; None where either wave is
    too small to tell. now, then: mechanical rad."""
    if min(abs(now), abs(then)) < SEEN_MECH_ARCMIN * ARCMIN:
        return None
    return cmath.phase(now * then.conjugate()) / order / ARCMIN


def coupling_moved(correction: Correction, obs: Observed, found: Turn, pairs: PolePairs) -> str:
    """Why the correction is left aside when order 50 has turned; "" while it stands, or can't be seen."""
    axis = obs.bench.axis
    if axis is None or not correction.motor or pairs.ambiguous or correction.mode != mode_of(found):
        return ""
    order = axis.cyclic_orders[0]
    moved = moved_mech_arcmin(motor_wave(obs, found, pairs), correction.motor, order)
    if moved is None or abs(moved) <= MOVED_MECH_ARCMIN:
        return ""
    return (
        f"order {order} stands {math.degrees(order * moved * ARCMIN):+.0f} deg from where it stood, {moved:+.1f}' "
        f"(mechanical) of motor against index (at most {MOVED_MECH_ARCMIN:.0f}'): coupling or index moved"
    )
