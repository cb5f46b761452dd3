"""Orders of a curve over a turn: least squares with covariance, grid folding, the maximum error with its band.

It must never know how the curve was measured. Model: y(theta) = constant + sum_n Re(c_n e^{j n theta}), theta
mechanical; amplitude |c_n|, phase arg c_n. Least squares, not a transform: gaps and uneven grids bias a projection.
Maximum: orders whose coefficients aren't noise are kept (chi2 > 11.8, two degrees of freedom); the band is the quantile
of the largest excursion over the turn of noise and of the positioner's share together, drawn by trials (it
bounds the error of the maximum: |max est - max true| <= sup |est - true|), and the upward bias that both give a
maximum is taken off. Source: design page "signal", sections 2.3, 3 and 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
KEEP_CHI2 = 11.8
COVERAGE = 0.9545


@dataclass(frozen=True, slots=True, kw_only=True)
class Orders:
    """A fit of orders. coefficients (k,) complex in the order of `orders`; covariance (2k + 1, 2k + 1) of
    (constant, Re c_1, Im c_1, Re c_2, ...); residual_rms: sqrt(sum r^2 / dof), the noise of one point."""

    orders: tuple[int, ...]
    coefficients: Complexes
    constant: float
    covariance: Floats
    residual_rms: float
    dof: int

    def evaluate(self, theta_mech_rad: Floats, with_constant: bool = True) -> Floats:
        """The fitted curve at these angles."""
        values: Floats = design(theta_mech_rad, self.orders) @ self.parameters()
        return values if with_constant else values - self.constant

    def slope(self, theta_mech_rad: Floats) -> Floats:
        """Its derivative, per mechanical radian."""
        n = np.asarray(self.orders)
        turn = np.exp(1j * np.multiply.outer(np.asarray(theta_mech_rad), n))
        rate: Floats = np.real(turn @ (1j * n * self.coefficients))
        return rate

    def variance(self, theta_mech_rad: Floats) -> Floats:
        """Variance of the fitted curve at these angles (noise only)."""
        rows = design(theta_mech_rad, self.orders)
        values: Floats = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return values

    def parameters(self) -> Floats:
        """(2k + 1,) constant, Re c_1, Im c_1, ..."""
        parts = np.column_stack([self.coefficients.real, self.coefficients.imag]).ravel()
        return np.concatenate([[self.constant], parts])

    def amplitude(self, order: int) -> float:
        """|c_n|. Raises UsageError for an order that was not fitted."""
        return float(abs(self.coefficients[self._at(order)]))

    def phase_rad(self, order: int) -> float:
        """arg c_n: the order is amplitude cos(n theta_mech + phase)."""
        return float(np.angle(self.coefficients[self._at(order)]))

    def u_amplitude(self, order: int) -> float:
        """Standard uncertainty of |c_n| from the noise: root mean square of those of its two parts."""
        i = 1 + 2 * self._at(order)
        return math.sqrt(0.5 * float(self.covariance[i, i] + self.covariance[i + 1, i + 1]))

    def chi2(self, order: int) -> float:
        """How far the pair of coefficients lies from zero in its own covariance (2 degrees of freedom)."""
        i = 1 + 2 * self._at(order)
        pair = self.parameters()[i : i + 2]
        block = self.covariance[i : i + 2, i : i + 2]
        if float(np.trace(block)) <= 0:
            return math.inf if np.any(pair != 0) else 0.0
        return float(pair @ np.linalg.solve(block, pair))

    def _at(self, order: int) -> int:
        if order not in self.orders:
            raise UsageError(f"Order {order} is not among the fitted ones {self.orders}.", next_action="Fit it too.")
        return self.orders.index(order)


def design(theta_mech_rad: Floats, orders: Sequence[int]) -> Floats:
    """(n, 2k + 1) columns 1, cos(n theta), -sin(n theta), ..."""
    angle = np.multiply.outer(np.asarray(theta_mech_rad, dtype=np.float64), np.asarray(orders, dtype=np.float64))
    rows = np.ones((angle.shape[0], 1 + 2 * angle.shape[1]))
    rows[:, 1::2] = np.cos(angle)
    rows[:, 2::2] = -np.sin(angle)
    return rows


def _solver(rows: Floats, weights: Floats | None, orders: Sequence[int]) -> tuple[Floats, Floats]:
    """(pseudo-inverse, covariance for unit noise); raises UsageError when the points don't show all orders."""
    root = np.ones(len(rows)) if weights is None else np.sqrt(weights)
    q, r = np.linalg.qr(rows * root[:, None])
    if rows.shape[0] < rows.shape[1] or np.min(np.abs(np.diag(r))) < 1e-6 * math.sqrt(len(rows)):
        raise UsageError(
            f"{rows.shape[0]} points can't tell the orders {tuple(orders)} apart.",
            next_action="Sweep more points, or a count that folds no order onto another (grid_folding).",
        )
    inverse = np.linalg.inv(r)
    return inverse @ (q.T * root), inverse @ inverse.T


def fit_orders(theta_mech_rad: Floats, values: Floats, orders: Sequence[int], weights: Floats | None = None) -> Orders:
    """Least squares of a constant and these orders (1 and up) on any grid.

    theta_mech_rad, values, weights: (n,), n >= 2 k + 1; weights relative, 1/variance. Raises UsageError when the points
    can't tell the orders apart.
    """
    kept = tuple(sorted({int(n) for n in orders}))
    theta, y = np.asarray(theta_mech_rad, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if not kept or kept[0] < 1 or theta.shape != y.shape or theta.ndim != 1:
        raise UsageError(
            f"Orders {kept} of {y.size} values at {theta.size} angles can't be fitted.",
            next_action="Give whole orders from 1 up and as many angles as values.",
        )
    rows = design(theta, kept)
    inverse, unit = _solver(rows, weights, kept)
    solution = inverse @ y
    left = y - rows @ solution
    dof = y.size - rows.shape[1]
    w = np.ones(y.size) if weights is None else np.asarray(weights) / float(np.mean(weights))
    variance = float(np.sum(w * left**2)) / max(1, dof)
    scale = 1.0 if weights is None else float(np.mean(weights))
    return Orders(
        orders=kept,
        coefficients=solution[1::2] + 1j * solution[2::2],
        constant=float(solution[0]),
        covariance=variance * scale * unit,
        residual_rms=math.sqrt(variance),
        dof=dof,
    )


# ---- grids --------------------------------------------------------------------------------------------------

STEPPER_ORDERS = (50, 100, 200)


def folded(order: int, points: int) -> int:
    """The order that a uniform grid of `points` a turn shows an order as: 0..points/2."""
    rest = order % points
    return min(rest, points - rest)


def part_orders(pole_pairs: int, teeth: int | None = None) -> tuple[int, ...]:
    """Orders at which a part's own error is expected: 1, 2 (seat), p to 8 p, teeth and its neighbours."""
    wanted = {1, 2, *(k * pole_pairs for k in range(1, 9))}
    if teeth is not None:
        wanted |= {teeth + d for d in (-pole_pairs, -2, -1, 0, 1, 2, pole_pairs)} | {2 * teeth}
    return tuple(sorted(n for n in wanted if n > 0))


def grid_folding(
    points: int, pole_pairs: int, teeth: int | None = None, stepper_orders: Sequence[int] = STEPPER_ORDERS
) -> dict[int, tuple[int, str]]:
    """Where a grid of `points` a turn shows each stepper order: order -> (folded order, fault).

    fault: "" when it stands clear; else "zero", "Nyquist", or "order n" for a part order that it hides in.
    """
    if points < 3:
        raise UsageError(f"{points} points a turn make no sweep.", next_action="Ask for more points.")
    own = {folded(n, points): n for n in reversed(part_orders(pole_pairs, teeth))}
    shown: dict[int, tuple[int, str]] = {}
    for order in stepper_orders:
        at = folded(order, points)
        fault = ""
        if at == 0:
            fault = "zero"
        elif 2 * at == points:
            fault = "Nyquist"
        elif at in own:
            fault = f"order {own[at]}"
        shown[order] = (at, fault)
    return shown


def good_sweep_points(
    steps_per_turn: int, pole_pairs: int, teeth: int | None = None, most: int = 800
) -> tuple[int, ...]:
    """Counts of points a turn that the axis can stand on exactly and that hide nothing, smallest first.

    They divide steps_per_turn (microsteps), give twelve points a cycle of order 4 p, resolve every part order, and fold
    no stepper order onto a part order, zero or Nyquist. Empty when there is none up to `most`.
    """
    highest = max(part_orders(pole_pairs, teeth))
    least = max(48 * pole_pairs, 2 * highest + 2)
    return tuple(
        n
        for n in range(least, min(most, steps_per_turn) + 1)
        if steps_per_turn % n == 0 and not any(fault for _, fault in grid_folding(n, pole_pairs, teeth).values())
    )


# ---- the maximum error --------------------------------------------------------------------------------------


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
    inverse, _ = _solver(design(theta, model.orders), None, model.orders)
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
    ok, order, amplitude = _residual_test(theta, residual, model, noise)
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
    block = model.covariance[np.ix_(columns, columns)]
    values, vectors = np.linalg.eigh(block)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    scale = np.sqrt(model.dof / rng.chisquare(model.dof, trials)) if model.dof > 0 else np.ones(trials)
    draws: Floats = scale[:, None] * (rng.standard_normal((trials, len(columns))) @ root.T)
    for order, amplitude in sorted(positioner.items()):
        phase = 2 * np.pi * rng.random(trials)
        share = inverse @ np.column_stack([np.cos(order * theta), -np.sin(order * theta)])
        draws += amplitude * np.column_stack([np.cos(phase), np.sin(phase)]) @ share.T
    return draws


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


def _residual_test(theta: Floats, residual: Floats, model: Orders, noise: float | None) -> tuple[bool, int, float]:
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
