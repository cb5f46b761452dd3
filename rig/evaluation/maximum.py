"""Largest, span and rms of an error curve, with what the positioner and the noise leave uncertain.

It must never know how the curve was measured beyond the reference's stated half-widths. A measured maximum is
biased upward by whatever was added to it; the correction and the band come from rig/resolver/orders.py (signal.md 4).
Values in electrical arcmin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.observed import Observed
from rig.evaluation.positioner import cyclic_orders, order_half_width_mech_arcmin
from rig.evaluation.turn import Turn
from rig.resolver.orders import Orders, fit_orders, folded, maximum

Floats = NDArray[np.float64]
SEED = 20_251  # of the trials behind the band: the same run always gives the same figures
TRIALS = 800


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """maximum, span, rms; (positioner, noise) standard uncertainty of each; model: all orders; model_curve (n,)."""

    maximum: float
    span: float
    rms: float
    u_maximum: tuple[float, float]
    u_span: tuple[float, float]
    u_rms: tuple[float, float]
    raw_maximum: float
    kept: tuple[int, ...]
    residual_rms: float
    model: Orders
    model_curve: Floats
    note: str


def nuisance_orders(obs: Observed, reference: str, points: int) -> tuple[int, ...]:
    """Where the motor's cyclic orders show on a grid of this many points; none with an encoder as the reference."""
    if reference == "encoder":
        return ()
    shown = {folded(n, points) for n in cyclic_orders(obs)}
    return tuple(sorted(n for n in shown if 0 < n < points / 2))


def candidate_orders(points: int, pole_pairs: int, teeth: int | None, nuisance: tuple[int, ...]) -> tuple[int, ...]:
    """Orders of the part's own curve: all that this many points carry, up to four times the teeth."""
    top = min(int(0.42 * points) - len(nuisance), max(4 * (teeth or 4 * pole_pairs) + pole_pairs, 16 * pole_pairs))
    return tuple(n for n in range(1, max(top, 2) + 1) if n not in nuisance)


def figures(obs: Observed, found: Turn, theta_mech_rad: Floats, error: Floats, pole_pairs: int) -> Figures:
    """The figures of a curve of one turn (n points, electrical arcmin, mean taken off)."""
    points = theta_mech_rad.size
    nuisance = nuisance_orders(obs, found.reference, points)
    orders = candidate_orders(points, pole_pairs, obs.part.teeth, nuisance)
    widths = {n: pole_pairs * order_half_width_mech_arcmin(obs, found.reference, n) for n in (1, 2)}
    rng = np.random.default_rng(SEED)
    alone = maximum(theta_mech_rad, error, orders, rng, nuisance=nuisance, trials=TRIALS)
    whole = maximum(theta_mech_rad, error, orders, rng, nuisance=nuisance, positioner=widths, trials=TRIALS)
    model = fit_orders(theta_mech_rad, error, [*orders, *nuisance])
    own = [i for i, n in enumerate(model.orders) if n in orders]
    fine = np.linspace(0.0, 2.0 * math.pi, 2880, endpoint=False)
    curve = _part_of(model, own, fine)
    noise_u = alone.band / 2.0
    axis_u = math.sqrt(max(whole.band**2 - alone.band**2, 0.0)) / 2.0
    return Figures(
        maximum=whole.value,
        span=float(np.ptp(curve)),
        rms=float(np.sqrt(np.mean(curve**2))),
        u_maximum=(axis_u, noise_u),
        u_span=(1.7 * axis_u, 1.7 * noise_u),
        u_rms=(0.7 * axis_u, 0.7 * noise_u),
        raw_maximum=alone.raw_maximum,
        kept=alone.kept,
        residual_rms=model.residual_rms,
        model=model,
        model_curve=_part_of(model, own, theta_mech_rad),
        note="bench file, once and twice a turn",
    )


def _part_of(model: Orders, own: list[int], theta_mech_rad: Floats) -> Floats:
    orders = np.array(model.orders)[own]
    values: Floats = (np.exp(1j * np.outer(theta_mech_rad, orders)) @ model.coefficients[own]).real
    return values
