"""Ratios and nulls: the loading of the outputs taken back, and the null voltage where an envelope crosses zero.

It must never know how the phasors were measured. Phases lead +, angles mechanical rad.
Loading: V_open = V_loaded (1 + Z_source / Z_load), Z_load = R parallel C of the input and its lead.
Null: envelope u and quadrature q are fitted with harmonics of the turn; at each zero of the fitted u the fitted q is
read, and its own noise variance is taken off the square (a modulus of noise never averages to zero). The nearest grid
point instead would still hold percents of the maximum in phase. Theory: rig/resolver/README.md, 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.turn.orders import Orders, fit_orders

Floats = NDArray[np.float64]


class Crossing(NamedTuple):
    """One null. theta_mech_rad in [0, 2 pi); null: |quadrature| there, noise bias removed, in the unit of the
    envelopes; u_null: its standard uncertainty from the fit; rising: the envelope crosses upwards."""

    theta_mech_rad: float
    null: float
    u_null: float
    rising: bool


def roots(fit: Orders) -> list[float]:
    """Zeros of a fitted envelope over a turn, mechanical rad: sign changes on a fine grid, then bisection. Raises
    UsageError when it never crosses zero."""
    count = 64 * (1 + max(fit.orders))
    grid = np.linspace(0, 2 * np.pi, count + 1)
    values = fit.evaluate(grid)
    starts = np.flatnonzero((values[:-1] < 0) != (values[1:] < 0))
    low, high = grid[starts], grid[starts + 1]
    below = values[starts] < 0
    for _ in range(50):
        middle = 0.5 * (low + high)
        same = (fit.evaluate(middle) < 0) == below
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    if not starts.size:
        raise UsageError(
            "The envelope never crosses zero over the turn: there is no null to read.",
            next_action="Check that the axis turns and that the channel is connected.",
        )
    return [float(x) for x in 0.5 * (low + high)]


def crossings(
    theta_mech_rad: Floats, u: Floats, quadrature: Floats, orders: Sequence[int], rest: Sequence[int] = ()
) -> list[Crossing]:
    """The nulls of one output over a turn, in order of angle.

    theta_mech_rad, u, quadrature: (n,), as `signed_envelope` gives them. orders: fitted to the envelope (the pole pairs
    and their harmonics); rest: more orders for the quadrature only (tooth orders). Raises UsageError when the envelope
    never crosses zero.
    """
    envelope = fit_orders(theta_mech_rad, u, orders)
    across = fit_orders(theta_mech_rad, quadrature, sorted({*orders, *rest}))
    zeros = roots(envelope)
    at = np.array(zeros)
    value, variance = across.evaluate(at), across.variance(at)
    slope = envelope.slope(at)
    found = []
    for theta, q, var, rate in zip(zeros, value, variance, slope, strict=True):
        null = math.sqrt(max(0.0, float(q) ** 2 - float(var)))
        found.append(Crossing(theta, null, math.sqrt(float(var)), bool(rate > 0)))
    return found
