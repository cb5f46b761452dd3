"""The ellipse that the two envelopes draw: imbalance, non-orthogonality and centre, free of the positioner's error.

It must never know the angles at which the points were taken: that is its use.
Model: u = cu + Au sin(t + b), v = cv + Av cos(t); orthogonality = b = (angle between the sine and the cosine null) - 90
deg (electrical). Start: direct conic fit (Halir & Flusser 1998); then Gauss-Newton on the distance to first order
(Sampson), whose normal matrix gives the covariance. Theory: rig/resolver/README.md, 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.turn.commanded_positions import electrical_places

Floats = NDArray[np.float64]
LEAST_PLACES = 6  # five parameters and one point to check them by
_LINE = 0.9999  # correlation of the envelopes above which they are one and the same signal


@dataclass(frozen=True, slots=True, kw_only=True)
class Ellipse:
    """imbalance: Au / Av - 1. orthogonality_rad: electrical, + when the nulls are more than 90 deg apart. centre_u,
    centre_v, amplitude_u, amplitude_v in the unit of the envelopes. covariance: (6, 6) in the order (imbalance,
    orthogonality_rad, centre_u, centre_v, amplitude_u, amplitude_v), first order. residual_rms: distance of a point."""

    imbalance: float
    orthogonality_rad: float
    centre_u: float
    centre_v: float
    amplitude_u: float
    amplitude_v: float
    covariance: Floats
    residual_rms: float

    @property
    def u(self) -> Floats:
        """(6,) standard uncertainties in the order of the covariance."""
        u: Floats = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return u


def _conic(x: Floats, y: Floats) -> Floats:
    """Coefficients (x2, xy, y2, x, y, 1) of the ellipse of least algebraic distance, on centred, scaled points."""
    quadratic = np.column_stack([x * x, x * y, y * y])
    straight = np.column_stack([x, y, np.ones_like(x)])
    s1, s2, s3 = quadratic.T @ quadratic, quadratic.T @ straight, straight.T @ straight
    back = -np.linalg.solve(s3, s2.T)
    m = s1 + s2 @ back
    m = np.array([m[2] / 2, -m[1], m[0] / 2])
    _, vectors = np.linalg.eig(m)
    vectors = np.real(vectors)
    kind = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    if not np.any(kind > 0):
        raise UsageError("The envelopes draw no ellipse.", next_action="Check that both outputs move over the turn.")
    first = vectors[:, int(np.argmax(kind))]
    return np.concatenate([first, back @ first])


def _geometry(conic: Floats) -> Floats:
    """(cu, cv, Au, Av, b) of a conic."""
    a, b, c, d, e, f = conic
    matrix = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(matrix, [-d / 2, -e / 2])
    size = float(centre @ matrix @ centre) - f
    moments = np.linalg.inv(matrix) * size
    if moments[0, 0] <= 0 or moments[1, 1] <= 0:
        raise UsageError("The envelopes draw no ellipse.", next_action="Check that both outputs move over the turn.")
    au, av = math.sqrt(moments[0, 0]), math.sqrt(moments[1, 1])
    return np.array([centre[0], centre[1], au, av, math.asin(float(np.clip(moments[0, 1] / (au * av), -1, 1)))])


def _distance(p: Floats, u: Floats, v: Floats) -> Floats:
    """Signed distance of each point from the ellipse, to first order (Sampson)."""
    cu, cv, au, av, b = p
    moments = np.array([[au * au, au * av * math.sin(b)], [au * av * math.sin(b), av * av]])
    matrix = np.linalg.inv(moments)
    points = np.column_stack([u - cu, v - cv])
    pulled = points @ matrix
    inside = np.sum(pulled * points, axis=1)
    distance: Floats = (inside - 1) / (2 * np.sqrt(np.sum(pulled**2, axis=1)))
    return distance


def _jacobian(p: Floats, u: Floats, v: Floats) -> Floats:
    columns = []
    scale = np.array([p[2], p[3], p[2], p[3], 1.0])
    for i in range(5):
        step = np.zeros(5)
        step[i] = 1e-6 * scale[i]
        columns.append((_distance(p + step, u, v) - _distance(p - step, u, v)) / (2 * step[i]))
    return np.column_stack(columns)


def fit_ellipse(u: Floats, v: Floats) -> Ellipse:
    """The ellipse through (u, v).

    u, v: (n,) signed envelopes of the sine and the cosine output in one unit, at six places of the electrical turn at
    least. Raises UsageError when the points draw no ellipse: a dead output, or too few places, however many points.
    """
    x, y = np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64)
    spread = (float(np.std(x)), float(np.std(y)))
    thin = x.shape != y.shape or min(spread) <= 1e-9 * max(spread) or abs(np.corrcoef(x, y)[0, 1]) > _LINE
    if x.size < 6 or thin:
        raise UsageError(
            f"{x.size} points with spreads {spread[0]:.3g} and {spread[1]:.3g} draw no ellipse.",
            next_action="Check that both outputs move over the turn.",
        )
    if (places := electrical_places(np.arctan2(x, y))) < LEAST_PLACES:
        raise UsageError(
            f"{x.size} points show {places} places of the electrical turn; an ellipse needs {LEAST_PLACES}.",
            next_action="Measure at positions that do not repeat each other every electrical turn.",
        )
    centre, size = (float(np.mean(x)), float(np.mean(y))), np.array([*spread, *spread, 1.0])
    xs, ys = (x - centre[0]) / spread[0], (y - centre[1]) / spread[1]
    p = _geometry(_conic(xs, ys)) * size + np.array([*centre, 0, 0, 0])
    for _ in range(4):
        jacobian = _jacobian(p, x, y)
        p = p - np.linalg.lstsq(jacobian, _distance(p, x, y), rcond=None)[0]
    left = _distance(p, x, y)
    variance = float(np.sum(left**2)) / max(1, x.size - 5)
    jacobian = _jacobian(p, x, y)
    inner = variance * np.linalg.inv(jacobian.T @ jacobian)
    cu, cv, au, av, b = (float(part) for part in p)
    rates = np.zeros((6, 5))
    rates[0, 2], rates[0, 3] = 1 / av, -au / av**2
    rates[1, 4] = rates[2, 0] = rates[3, 1] = rates[4, 2] = rates[5, 3] = 1.0
    return Ellipse(
        imbalance=au / av - 1,
        orthogonality_rad=b,
        centre_u=cu,
        centre_v=cv,
        amplitude_u=au,
        amplitude_v=av,
        covariance=rates @ inner @ rates.T,
        residual_rms=math.sqrt(variance),
    )
