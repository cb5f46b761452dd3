"""From inputs to a result: degrees of freedom, coverage factor, linear propagation, sweeps with a shared part.

It knows no measurand and no file. Coverage is 95.45 % everywhere (k = 2.00 at infinite degrees of freedom).
Degrees of freedom: Welch-Satterthwaite for independent inputs; inputs that are correlated are joined into one
component first (Willink's generalisation): exact for quantities observed together in the same n sets, which share their
n - 1; when a joined group's members have different degrees of freedom the smallest finite one is taken (cautious).
Source: JCGM 100:2008 5.1, 5.2, G.4.1; R. Willink, Metrologia 44 (2007) 340; GTC agrees (test oracle).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]
COVERAGE = 0.9545


def coverage_factor(dof: float, p: float = COVERAGE) -> float:
    """k for a two-sided interval of probability p: quantile of the t distribution, the normal one at infinite dof.

    Valid for dof > 0 (not whole ones too), 0 < p < 1; raises UsageError otherwise.
    """
    if not (dof > 0 and 0 < p < 1):
        raise UsageError(
            f"No coverage factor for {dof!r} degrees of freedom at p = {p!r}: above zero, and 0 < p < 1, are needed.",
            next_action="Repeat the reading or give the input's degrees of freedom.",
        )
    from scipy import special

    tail = 0.5 * (1 + p)
    return float(special.ndtri(tail)) if math.isinf(dof) else float(special.stdtrit(dof, tail))


def effective_dof(
    contributions: Sequence[float] | Floats, dofs: Sequence[float] | Floats, correlation: Floats | None = None
) -> float:
    """Effective degrees of freedom of a sum of contributions c_i u_i (signed, all in the output's unit).

    correlation: (n, n) of the inputs, or None for independent ones. Infinite when no finite part counts.
    """
    parts = np.asarray(contributions, dtype=np.float64)
    nu = np.asarray(dofs, dtype=np.float64)
    if parts.shape != nu.shape or parts.ndim != 1 or not np.all(nu > 0):
        raise UsageError(
            "Every contribution needs its degrees of freedom, above zero.",
            next_action="Give one dof a contribution (infinite when its u is taken as known).",
        )
    matrix = np.eye(parts.size) if correlation is None else _correlation(correlation, parts.size)
    total = float(parts @ matrix @ parts)
    small = 1e-30 * float(parts @ parts)
    if total <= small:
        return math.inf
    weight = 0.0
    for group in _groups(matrix):
        share = float(parts[group] @ matrix[np.ix_(group, group)] @ parts[group])
        finite = nu[group][np.isfinite(nu[group]) & (parts[group] != 0)]
        if finite.size and share > small:
            weight += (share / total) ** 2 / float(np.min(finite))
    return math.inf if weight == 0 else 1 / weight


def _correlation(matrix: Floats, n: int) -> Floats:
    array = np.asarray(matrix, dtype=np.float64)
    good = array.shape == (n, n) and np.allclose(array, array.T) and np.allclose(np.diag(array), 1.0)
    if not good or np.any(np.abs(array) > 1 + 1e-12):
        raise UsageError(
            f"The correlation must be a symmetric {n} x {n} matrix of numbers within +-1 with ones on its diagonal.",
            next_action="Correct the matrix.",
        )
    return array


def _groups(matrix: Floats) -> list[list[int]]:
    """Indices joined by correlation, directly or through others."""
    left = set(range(matrix.shape[0]))
    groups = []
    while left:
        group, front = set(), {min(left)}
        while front:
            group |= front
            front = {int(j) for i in front for j in np.flatnonzero(matrix[i])} - group
        groups.append(sorted(group))
        left -= group
    return groups


@dataclass(frozen=True, slots=True)
class Propagated:
    """value (m,), covariance (m, m) and jacobian (m, k) of m outputs of k inputs."""

    value: Floats
    covariance: Floats
    jacobian: Floats

    @property
    def u(self) -> Floats:
        """(m,) standard uncertainties."""
        u: Floats = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return u

    def correlation(self) -> Floats:
        """(m, m) correlation; zero beside an output without uncertainty."""
        scale = np.outer(self.u, self.u)
        r: Floats = np.divide(self.covariance, scale, out=np.zeros_like(scale), where=scale > 0)
        return r


def _steps(x: Floats, u: Floats) -> Floats:
    steps: Floats = np.maximum(1e-3 * u, 6e-6 * np.abs(x))
    return np.where(steps > 0, steps, 1e-6)


def linear(
    f: Callable[[Floats], Floats | float], x: Floats | Sequence[float], covariance: Floats, period: float | None = None
) -> Propagated:
    """First-order propagation through f with a numeric (central) Jacobian. GUM 5.2.2, in matrix form J V J'.

    f: (k,) -> scalar or (m,). covariance: (k, k). period: of an output that wraps (2 pi for an angle in rad), so that
    a difference across the wrap stays small.
    """
    at = np.asarray(x, dtype=np.float64)
    matrix = np.asarray(covariance, dtype=np.float64)
    if matrix.shape != (at.size, at.size):
        raise UsageError(
            f"A covariance of shape {matrix.shape} doesn't fit {at.size} inputs.", next_action="Pass (k, k)."
        )
    value = np.atleast_1d(np.asarray(f(at), dtype=np.float64))
    jacobian = np.zeros((value.size, at.size))
    steps = _steps(at, np.sqrt(np.maximum(np.diag(matrix), 0.0)))
    for i in np.flatnonzero(np.any(matrix != 0, axis=1)):
        up, down = at.copy(), at.copy()
        up[i] += steps[i]
        down[i] -= steps[i]
        change = np.atleast_1d(np.asarray(f(up), dtype=np.float64)) - np.atleast_1d(np.asarray(f(down)))
        if period is not None:
            change = change - period * np.round(change / period)
        jacobian[:, i] = change / (up[i] - down[i])
    return Propagated(value, jacobian @ matrix @ jacobian.T, jacobian)


@dataclass(frozen=True, slots=True)
class Sweep:
    """n results that share some influences. variance (n,): of each point's own part; shared (n, n): of what is
    common to all (it doesn't average away). The whole covariance is their sum."""

    value: Floats
    variance: Floats
    shared: Floats

    @property
    def u(self) -> Floats:
        """(n,) standard uncertainty of each point, both parts."""
        u: Floats = np.sqrt(self.variance + np.diag(self.shared))
        return u

    def covariance(self) -> Floats:
        """(n, n) covariance of the points."""
        whole: Floats = self.shared + np.diag(self.variance)
        return whole

    def weighted(self, weights: Floats) -> tuple[float, float]:
        """(value, u) of a linear function of the points."""
        w = np.asarray(weights, dtype=np.float64)
        return float(w @ self.value), math.sqrt(max(0.0, float(w**2 @ self.variance + w @ self.shared @ w)))

    def mean(self) -> tuple[float, float]:
        """(mean, u): the shared part stays whole however many points there are."""
        return self.weighted(np.full(self.value.size, 1 / self.value.size))


def sweep(
    f: Callable[[Floats, Floats], Floats],
    points: Floats,
    point_covariance: Floats,
    shared: Floats,
    shared_covariance: Floats,
    period: float | None = None,
) -> Sweep:
    """Linear propagation through f(points (n, k), shared (s,)) -> (n,), one vectorised call an input.

    point_covariance: (k, k), or (n, k, k) when it differs; shared_covariance: (s, s).
    """
    at, common = np.asarray(points, dtype=np.float64), np.asarray(shared, dtype=np.float64)
    own = np.broadcast_to(np.asarray(point_covariance, dtype=np.float64), (len(at), at.shape[1], at.shape[1]))
    both = np.asarray(shared_covariance, dtype=np.float64)

    def slope(up: Floats, down: Floats, width: Floats | float) -> Floats:
        change = np.asarray(up) - np.asarray(down)
        if period is not None:
            change = change - period * np.round(change / period)
        rate: Floats = change / width
        return rate

    rates = np.zeros_like(at)
    for i in range(at.shape[1]):
        step = np.zeros_like(at)
        step[:, i] = _steps(at[:, i], np.sqrt(own[:, i, i]))
        rates[:, i] = slope(f(at + step, common), f(at - step, common), 2 * step[:, i])
    common_rates = np.zeros((len(at), common.size))
    widths = _steps(common, np.sqrt(np.diag(both)))
    for i in range(common.size):
        step = np.zeros_like(common)
        step[i] = widths[i]
        common_rates[:, i] = slope(f(at, common + step), f(at, common - step), 2 * widths[i])
    variance = np.einsum("ni,nij,nj->n", rates, own, rates)
    return Sweep(np.asarray(f(at, common), dtype=np.float64), variance, common_rates @ both @ common_rates.T)
