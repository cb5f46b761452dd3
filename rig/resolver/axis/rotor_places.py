"""The axis' orders from a rotor turned on the spindle to even places, the stator clamped: once a turn included.

It must never know a bench file or a record. Angles are mechanical rad; a place is how far the rotor is turned ahead on
the spindle. With the rotor at alpha_k the deviation is P(theta) + sum over (n, s) of A_ns e^{j (n theta + s alpha_k)}:
the sensor's own curve is s = n, what run-out makes of it s = n +- 1, n +- 2 ..., and on N even places every s that is
no multiple of N cancels from P, known or not. Blind are the multiples of N, and orders p - 1 and p + 1 of a p-fold
rotor, whose seat anew at each place makes them. The uncertainty is the set's own scatter: of one complex order, known
on nu = 2 (N - 2) degrees of freedom, the radius that holds the truth at 95.45 % is R(nu) times the standard uncertainty
of each of its two parts (square root of 2 F of 2 and nu degrees of freedom). Theory: rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.axis.separation import COVERED, OBSERVABLE, Separation

Floats = NDArray[np.float64]
APART_IN_TIME: dict[int, tuple[int, ...]] = {3: (0, 2, 1), 4: (0, 2, 1, 3), 5: (0, 2, 1, 4, 3)}
HIGHEST = 8  # order a turn up to which the mechanics carry over between a sweep in steps and one on the fly
LEAST_POLE_PAIRS = 4
UNEVEN_MECH_RAD = math.radians(5.0)
MISSED = 2.0 * (1.0 - COVERED)


def rotor_places_mech_deg(places: int, rounds: int = 1) -> tuple[float, ...]:
    """Where to turn the rotor on the spindle, in the order that keeps a steady drift apart from the places, and the
    first place again at the end. Raises UsageError for a number of places without such an order."""
    if places not in APART_IN_TIME or rounds < 1:
        raise UsageError(
            f"{places} places in {rounds} rounds: no set of even places is known.",
            next_action="Ask for 3, 4 or 5 places and a round at least.",
        )
    once = [360.0 * place / places for place in APART_IN_TIME[places]]
    return (*once * rounds, once[0])


def radius_factor(dof: float) -> float:
    """R(nu): 95.45 % radius of a complex error over the standard uncertainty of each part; 2.486 at least."""
    if math.isinf(dof):
        return math.sqrt(-2.0 * math.log(MISSED))
    return math.sqrt(dof * math.expm1(-2.0 / dof * math.log(MISSED)))


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisOrder:
    """One order of the axis. coefficient: mechanical rad, the axis stands at theta + Re(c e^{j n theta});
    radius_mech_rad: holds the truth at 95.45 %, round the coefficient."""

    order: int
    coefficient: complex
    radius_mech_rad: float

    @property
    def u_mech_rad(self) -> float:
        """Standard uncertainty of each part of a normal distribution with this radius."""
        return self.radius_mech_rad / radius_factor(math.inf)

    @property
    def stands_out(self) -> bool:
        """Whether no order at all would be a surprise."""
        return abs(self.coefficient) > self.radius_mech_rad


def applicable(order: int, pole_pairs: int, places: int) -> bool:
    """Whether this master at this number of even places can show the axis' order at all."""
    return 1 <= order <= HIGHEST and order not in (pole_pairs - 1, pole_pairs + 1) and order % places != 0


def axis_orders(
    found: Separation, pole_pairs: int, places: int, index_repeat_mech_rad: float = 0.0
) -> tuple[AxisOrder, ...]:
    """The axis' orders that a set of places shows, each with its radius by the set's own scatter.

    index_repeat_mech_rad: standard deviation of the index, which turns order n by n times as much at each new indexing.
    Raises UsageError for a set of two places or less: it shows no scatter.
    """
    if found.reseat_mech_rad is None or math.isinf(found.reseat_dof):
        raise UsageError("Two places show no scatter.", next_action="Turn the rotor to three even places at least.")
    factor = radius_factor(found.reseat_dof)
    rows = []
    for i, order in enumerate(found.positioner.orders):
        if not applicable(order, pole_pairs, places) or found.separated.get(order, 0.0) < OBSERVABLE:
            continue
        value = complex(found.positioner.coefficients[i])
        seat = factor * found.reseat_mech_rad[order] * math.sqrt(found.factors[order])
        turned = radius_factor(math.inf) * math.sqrt(0.5) * abs(value) * order * index_repeat_mech_rad
        rows.append(AxisOrder(order=order, coefficient=value, radius_mech_rad=math.hypot(seat, turned)))
    return tuple(rows)


def uneven_mech_rad(offsets_mech_rad: Sequence[float] | Floats, places: int) -> float:
    """The largest distance of a place from even ones, the set turned to fit best."""
    cycle = 2.0 * math.pi / places
    turned = np.exp(2j * math.pi * np.asarray(offsets_mech_rad) / cycle)
    apart = np.angle(turned * np.conj(np.mean(turned))) * cycle / (2.0 * math.pi)
    filled = {round(float(x) / cycle) % places for x in np.asarray(offsets_mech_rad) - offsets_mech_rad[0]}
    return float(np.max(np.abs(apart))) if len(filled) == places else math.pi


def normalised_differences(first: Mapping[int, AxisOrder], second: Mapping[int, AxisOrder]) -> dict[int, float]:
    """order -> E_n, the distance of both over the root of the sum of their squared radii; orders that both have."""
    both = sorted(first.keys() & second.keys())
    return {
        n: abs(first[n].coefficient - second[n].coefficient)
        / max(math.hypot(first[n].radius_mech_rad, second[n].radius_mech_rad), 1e-15)
        for n in both
    }


def join_orders(sets: Sequence[Mapping[int, AxisOrder]]) -> dict[int, AxisOrder]:
    """Sets of one axis as one: each order by the weights of its squared radii, orders of one set alone as they are."""
    found = {}
    for order in sorted({n for one in sets for n in one}):
        rows = [one[order] for one in sets if order in one]
        weights = np.array([1.0 / max(row.radius_mech_rad, 1e-12) ** 2 for row in rows])
        value = complex(np.sum(weights * np.array([row.coefficient for row in rows])) / weights.sum())
        found[order] = AxisOrder(order=order, coefficient=value, radius_mech_rad=float(weights.sum()) ** -0.5)
    return found
