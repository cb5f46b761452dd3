"""What a separation says of the axis: the orders that stand, up to which re-seating, and the check with a second part.

It must never know a bench file or a record. Angles are mechanical rad over the axis, from its index. An order belongs
to the positioner when the clampings separate it and it is larger than noise and re-seating could make it.
Theory: rig/resolver/README.md, 4; significance as for the orders of a curve (chi2 > 11.8).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.errors import UsageError
from rig.resolver.axis.separation import OBSERVABLE, Separation, few_dof_factor
from rig.resolver.turn.orders import KEEP_CHI2, Orders


def positioner_orders(found: Separation, index_repeat_mech_rad: float = 0.0) -> Orders:
    """The positioner's orders that stand: separated, and beyond what noise and re-seating put there (chi2 > 11.8).

    index_repeat_mech_rad: standard deviation of the index; it turns order n by n times as much at each new indexing.
    """
    kept = [
        i
        for i, n in enumerate(found.positioner.orders)
        if found.separated.get(n, 1.0) >= OBSERVABLE and found.positioner.chi2(n) > _needed_chi2(found, n)
    ]
    coefficients = found.positioner.coefficients[kept]
    turned = [
        abs(c) * found.positioner.orders[i] * index_repeat_mech_rad for i, c in zip(kept, coefficients, strict=True)
    ]
    rows = [0, *(1 + 2 * i + part for i in kept for part in (0, 1))]
    return Orders(
        orders=tuple(found.positioner.orders[i] for i in kept),
        coefficients=coefficients,
        constant=0.0,
        covariance=found.positioner.covariance[np.ix_(rows, rows)] + np.diag([0.0, *np.repeat(np.square(turned), 2)]),
        residual_rms=found.positioner.residual_rms,
        dof=found.dof,
    )


def _needed_chi2(found: Separation, order: int) -> float:
    """11.8, or more where the uncertainty rests on few re-seatings: the same probability of an F distribution."""
    if found.reseat_mech_rad is None or math.isinf(found.reseat_dof) or order not in found.reseat_mech_rad:
        return KEEP_CHI2
    wider = few_dof_factor(found.reseat_dof)
    share = (
        (wider * found.reseat_mech_rad[order]) ** 2 * found.factors[order] / found.positioner.u_amplitude(order) ** 2
    )
    dof = found.reseat_dof / max(share, 1e-6) ** 2
    return dof * math.expm1(KEEP_CHI2 / dof) / (1.0 + share * (wider**2 - 1.0))


def reseat_limit_mech_rad(found: Separation) -> float:
    """Up to which re-seating scatter (rms of an order's two parts, clamping to clamping) the result holds.

    Beyond it the strongest order that sensor and positioner share could be made by the seat alone and would no longer
    count as the positioner's. Zero when no shared order is separated.
    """
    shared = [n for n in found.positioner.orders if math.isfinite(found.factors.get(n, math.inf))]
    limits = [found.positioner.amplitude(n) / math.sqrt(KEEP_CHI2 * found.factors[n]) for n in shared]
    return max(limits, default=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Two separations' positioners compared: order -> (difference's amplitude, its standard uncertainty), mechanical
    rad; chi2 over all with dof; disagreeing: orders whose difference is rarer than 1 in 1000."""

    differences: dict[int, tuple[float, float]]
    chi2: float
    dof: int
    disagreeing: tuple[int, ...]

    @property
    def agree(self) -> bool:
        """No order differs beyond what its uncertainty explains."""
        return not self.disagreeing


def compare_positioners(first: Separation, second: Separation, index_repeat_mech_rad: float = 0.0) -> Agreement:
    """The check with a second part: an axis is the same axis under parts of other pole pairs.

    Orders that both separate are compared; what a part's seat or its own curve put into the positioner does not come
    back with another part. Raises UsageError when no order is common to both.
    """
    a, b = first.positioner, second.positioner
    common = [
        n
        for n in a.orders
        if n in b.orders and min(first.separated.get(n, 1), second.separated.get(n, 1)) >= OBSERVABLE
    ]
    if not common:
        raise UsageError("The two separations share no order.", next_action="Clamp the second part at other offsets.")
    differences, total = {}, 0.0
    disagreeing = []
    threshold = 2.0 * math.log(1000.0 * len(common))
    for n in common:
        apart = abs(a.coefficients[a.orders.index(n)] - b.coefficients[b.orders.index(n)])
        turned = math.sqrt(0.5) * a.amplitude(n) * n * index_repeat_mech_rad
        u = math.hypot(a.u_amplitude(n), b.u_amplitude(n), turned, turned)
        ratio = (apart / u) ** 2 if u > 0 else math.inf
        differences[n] = (float(apart), u)
        total += ratio
        if ratio > threshold:
            disagreeing.append(n)
    return Agreement(differences=differences, chi2=total, dof=2 * len(common), disagreeing=tuple(disagreeing))
