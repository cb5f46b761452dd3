"""The maximum error of a turn with a band that covers noise and positioner together.

It must never know how the curve was measured. Orders whose coefficients aren't noise are kept (chi2 > 11.8, two
degrees of freedom); the band is the quantile of the largest excursion over the turn of noise and of the positioner's
share together, drawn by trials (it bounds the error of the maximum: |max est - max true| <= sup |est - true|), and the
upward bias that both give a maximum is taken off. Theory: rig/resolver/README.md, 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.resolver.orders import Orders, design, fit_orders, solver

Floats = NDArray[np.float64]
KEEP_CHI2 = 11.8
COVERAGE = 0.9545
LEAST_SHARE = 1e-12  # of a variance, added so that a covariance without full rank has a triangular root


@dataclass(frozen=True, slots=True, kw_only=True)
class MaximumError:
    """The largest |error| of the fitted model over the turn, mean removed, in the unit of the values.

    value: bias-corrected maximum; band: simultaneous half-width at `coverage`, noise and positioner together;
    model_maximum: before the correction; bias: what was taken off; raw_maximum: largest |point| (information; biased
    high); at_mech_rad: where; u_delta: standard uncertainty at that angle only (information; too small for a curve of
    several equal peaks). kept: orders in the model; residual_rms, dof: what it leaves. residual_ok: nothing but noise
    is left; residual_order, residual_amplitude: the largest order left in the residual.
    """

    value: float
    band: float
    model_maximum: float
    bias: float
    raw_maximum: float
    at_mech_rad: float
    u_delta: float
    kept: tuple[int, ...]
    points: int
    residual_rms: float
    dof: int
    residual_ok: bool
    residual_order: int
    residual_amplitude: float
    coverage: float = COVERAGE


def pruned_model(
    theta_mech_rad: Floats,
    values: Floats,
    orders: Sequence[int],
    nuisance: Sequence[int] = (),
    weights: Floats | None = None,
) -> tuple[Orders, tuple[int, ...]]:
    """(fit of the orders kept, those of them that count as the curve's).

    orders: candidates; an order stays when its chi2 > 11.8. nuisance: orders that are known not to be the curve's
    (stepper orders): fitted as well, so that they don't swell the residual, but never counted.
    """
    whole = fit_orders(theta_mech_rad, values, [*orders, *nuisance], weights)
    own = tuple(sorted({int(n) for n in orders} - {int(n) for n in nuisance}))
    kept = tuple(n for n in own if whole.chi2(n) > KEEP_CHI2)
    others = [n for n in nuisance if whole.chi2(n) > KEEP_CHI2]
    if not kept and not others:
        kept = (max(own, key=whole.chi2),)
    return fit_orders(theta_mech_rad, values, [*kept, *others], weights), kept


def maximum(
    theta_mech_rad: Floats,
    values: Floats,
    orders: Sequence[int],
    rng: np.random.Generator,
    *,
    positioner: Mapping[int, float] | None = None,
    nuisance: Sequence[int] = (),
    noise: float | None = None,
    trials: int = 4000,
    coverage: float = COVERAGE,
) -> MaximumError:
    """The maximum error with a band that covers noise and positioner together.

    theta_mech_rad, values: (n,), error curve of a whole turn. positioner: order -> amplitude (unit of the values) that
    the positioner may add at that order, its phase unknown; drawn at full amplitude, uniform phase, and passed through
    the same fit on the same grid. noise: known standard deviation of a point, for the residual test; without it the
    test only looks for a line left in the residual. trials: draws from `rng`.
    """
    theta = np.asarray(theta_mech_rad, dtype=np.float64)
    y = np.asarray(values, dtype=np.float64)
    model, kept = pruned_model(theta, y, orders, nuisance)
    inverse, _ = solver(design(theta, model.orders), None, model.orders)
    columns = [c for i, n in enumerate(model.orders) if n in kept for c in (1 + 2 * i, 2 + 2 * i)]
    grid = np.linspace(0, 2 * np.pi, 16 * max(24, *model.orders), endpoint=False)
    shape = design(grid, model.orders)[:, columns]
    curve = shape @ model.parameters()[columns]
    excursions = _excursions(model, inverse[columns], columns, theta, positioner or {}, rng, trials)
    likely = shape @ _shrunk(model.parameters()[columns], excursions)
    bias, band = _maximum_statistics(likely, shape, excursions, coverage)
    top = float(np.max(np.abs(curve)))
    at = int(np.argmax(np.abs(curve)))
    row = shape[at]
    residual = y - model.evaluate(theta)
    ok, order, amplitude = residual_test(theta, residual, model, noise)
    return MaximumError(
        value=max(0.0, top - bias),
        band=band,
        model_maximum=top,
        bias=bias,
        raw_maximum=float(np.max(np.abs(y - np.mean(y)))),
        at_mech_rad=float(grid[at]),
        u_delta=math.sqrt(max(0.0, float(row @ model.covariance[np.ix_(columns, columns)] @ row))),
        kept=kept,
        points=theta.size,
        residual_rms=model.residual_rms,
        dof=model.dof,
        residual_ok=ok,
        residual_order=order,
        residual_amplitude=amplitude,
        coverage=coverage,
    )


def _excursions(
    model: Orders,
    inverse: Floats,
    columns: Sequence[int],
    theta: Floats,
    positioner: Mapping[int, float],
    rng: np.random.Generator,
    trials: int,
) -> Floats:
    """(trials, columns) draws of estimate - truth: noise with its own estimated size, and the positioner's share."""
    root = _root(model.covariance[np.ix_(columns, columns)])
    scale = np.sqrt(model.dof / rng.chisquare(model.dof, trials)) if model.dof > 0 else np.ones(trials)
    draws: Floats = scale[:, None] * (rng.standard_normal((trials, len(columns))) @ root.T)
    for order, amplitude in sorted(positioner.items()):
        phase = 2 * np.pi * rng.random(trials)
        share = inverse @ np.column_stack([np.cos(order * theta), -np.sin(order * theta)])
        draws += amplitude * np.column_stack([np.cos(phase), np.sin(phase)]) @ share.T
    return draws


def _root(covariance: Floats) -> Floats:
    """A matrix whose product with its transpose is the covariance: the triangular one, which is unique. Axes of equal
    variance may lie anyhow, so draws along them would follow the last bits of the covariance."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if not np.any(scale):
        return np.zeros_like(covariance)
    unit = np.where(scale > 0.0, scale, 1.0)
    whole: Floats = np.linalg.cholesky(covariance / np.outer(unit, unit) + LEAST_SHARE * np.eye(unit.size))
    return unit[:, None] * whole * (scale > 0.0)[:, None]


def _shrunk(parameters: Floats, draws: Floats) -> Floats:
    """Coefficients without the power that noise and positioner are expected to have put in, order by order: the
    curve from which the bias is drawn. Drawing it from the estimate itself would count those influences twice."""
    pairs = parameters.reshape(-1, 2)
    found = np.sum(pairs**2, axis=1)
    added = np.mean(draws**2, axis=0).reshape(-1, 2).sum(axis=1)
    share = np.sqrt(np.maximum(0.0, 1 - np.divide(added, found, out=np.ones_like(found), where=found > 0)))
    shrunk: Floats = (pairs * share[:, None]).ravel()
    return shrunk


def _maximum_statistics(curve: Floats, shape: Floats, draws: Floats, coverage: float) -> tuple[float, float]:
    """(upward bias of the curve's maximum, simultaneous band), the trials taken in blocks."""
    top = float(np.max(np.abs(curve)))
    reach, moved = [], []
    for start in range(0, len(draws), 500):
        excursion = draws[start : start + 500] @ shape.T
        reach.append(np.max(np.abs(excursion), axis=1))
        moved.append(np.max(np.abs(excursion + curve), axis=1))
    bias = float(np.mean(np.concatenate(moved))) - top
    return bias, float(np.quantile(np.concatenate(reach), coverage))


def residual_test(
    theta: Floats, residual: Floats, model: Orders, noise: float | None = None
) -> tuple[bool, int, float]:
    """(only noise is left, largest order left, its amplitude). Orders 1..n/2 that are not in the model are looked at;
    a line counts when it is rarer than 1 in 1000 among as many noise lines (chi2 of 2 degrees of freedom)."""
    from scipy import special

    left = np.array([n for n in range(1, (theta.size - 1) // 2 + 1) if n not in model.orders])
    if left.size == 0 or model.dof < 3 or model.residual_rms == 0:
        return True, 0, 0.0
    lines = (2 / theta.size) * np.abs(np.exp(-1j * np.multiply.outer(left, theta)) @ residual)
    best = int(np.argmax(lines))
    amplitude = float(lines[best])
    rest = max(1e-300, float(np.sum(residual**2)) - 0.5 * theta.size * amplitude**2)
    sigma2 = rest / max(1, model.dof - 2)
    ok = 0.5 * theta.size * amplitude**2 / sigma2 < 2 * math.log(left.size / 1e-3)
    if noise is not None and noise > 0:
        chi2 = model.dof * model.residual_rms**2 / noise**2
        ok = ok and float(special.chdtrc(model.dof, chi2)) > 1e-3
    return bool(ok), int(left[best]), amplitude
