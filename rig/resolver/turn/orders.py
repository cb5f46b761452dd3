"""Orders of a curve over a turn: least squares with covariance, on any grid.

It must never know how the curve was measured. Model: y(theta) = constant + sum_n Re(c_n e^{j n theta}), theta
mechanical; amplitude |c_n|, phase arg c_n. Least squares, not a transform: gaps and uneven grids bias a projection.
Theory: rig/resolver/README.md, 3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
KEEP_CHI2 = 11.8  # two degrees of freedom: noise exceeds it in 3 of 1000 orders
RARE = 1e-3  # share of noise lines among which a line left over counts
Complexes = NDArray[np.complex128]


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
        """Variance of the fitted curve at these angles (noise only), never negative.

        By the covariance's own axes: over a gap its entries are larger than the variance elsewhere by more digits than
        a double has.
        """
        spread, axes = np.linalg.eigh(self.covariance)
        values: Floats = (design(theta_mech_rad, self.orders) @ axes) ** 2 @ np.maximum(spread, 0.0)
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


def solver(rows: Floats, weights: Floats | None, orders: Sequence[int]) -> tuple[Floats, Floats]:
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
    inverse, unit = solver(rows, weights, kept)
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


def residual_test(theta: Floats, residual: Floats, model: Orders) -> tuple[bool, int, float]:
    """(only noise is left, largest order left, its amplitude in the residual's unit).

    theta: (n,) mechanical rad. Orders 1..n/2 that are not in the model are looked at; a line counts when it is rarer
    than 1 in 1000 among as many noise lines (chi2 of 2 degrees of freedom).
    """
    left = np.array([n for n in range(1, (theta.size - 1) // 2 + 1) if n not in model.orders])
    if left.size == 0 or model.dof < 3 or model.residual_rms == 0:
        return True, 0, 0.0
    lines = (2 / theta.size) * np.abs(np.exp(-1j * np.multiply.outer(left, theta)) @ residual)
    best = int(np.argmax(lines))
    amplitude = float(lines[best])
    rest = max(1e-300, float(np.sum(residual**2)) - 0.5 * theta.size * amplitude**2)
    sigma2 = rest / max(1, model.dof - 2)
    ok = 0.5 * theta.size * amplitude**2 / sigma2 < 2 * math.log(left.size / RARE)
    return bool(ok), int(left[best]), amplitude
