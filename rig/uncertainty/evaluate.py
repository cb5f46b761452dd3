"""Standard uncertainties of single inputs: by repetition (type A) or from what else is known (type B).

It knows no measurand and no file. Source: JCGM 100:2008 (GUM) 4.2, 4.3.3, 4.3.7, 4.3.9.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError


def _not_negative(name: str, value: float) -> float:
    if not value >= 0:
        raise UsageError(f"{name} is {value!r}: zero or more was expected.", next_action=f"Correct the {name}.")
    return float(value)


def type_a(values: Sequence[float] | NDArray[np.float64]) -> tuple[float, float, float]:
    """(mean, standard uncertainty of the mean, degrees of freedom) of n >= 2 independent repetitions. GUM 4.2.

    >>> type_a([1.0, 2.0, 3.0])
    (2.0, 0.5773502691896258, 2.0)
    """
    array = np.asarray(values, dtype=np.float64)
    if array.size < 2 or not np.all(np.isfinite(array)):
        raise UsageError(
            f"A type A evaluation needs two finite values at least; {array.size} were given.",
            next_action="Repeat the reading.",
        )
    return float(np.mean(array)), float(np.std(array, ddof=1) / math.sqrt(array.size)), float(array.size - 1)


def rectangular(half_width: float) -> float:
    """u of a value equally likely anywhere within +-half_width: half_width / sqrt(3). GUM 4.3.7."""
    return _not_negative("half-width", half_width) / math.sqrt(3)


def triangular(half_width: float) -> float:
    """u of a triangular distribution of this half-width: half_width / sqrt(6). GUM 4.3.9."""
    return _not_negative("half-width", half_width) / math.sqrt(6)


def arcsine(amplitude: float) -> float:
    """u of a sinusoidal influence caught at an unknown phase: amplitude / sqrt(2)."""
    return _not_negative("amplitude", amplitude) / math.sqrt(2)


def resolution(step: float) -> float:
    """u of rounding to a last digit of size `step`: step / sqrt(12). GUM F.2.2.1."""
    return _not_negative("resolution", step) / math.sqrt(12)


def spec_u(
    reading: float, range_: float, percent_reading: float, percent_range: float, k: float = math.sqrt(3)
) -> float:
    """u of an instrument within its specification: (percent_reading |reading| + percent_range range) / 100 / k.

    k: sqrt(3) for a specification taken as a rectangular half-width, or the coverage factor that the maker states.
    """
    if not k > 0:
        raise UsageError(f"A coverage factor of {k!r} was given: it must be above zero.", next_action="Correct k.")
    part = _not_negative("percent of reading", percent_reading) * abs(reading)
    return (part + _not_negative("percent of range", percent_range) * abs(range_)) / 100.0 / k


def relative_u_of_variance(dof: float) -> float:
    """How well a standard deviation itself is known: about 1 / sqrt(2 dof). GUM E.4.3."""
    return 1 / math.sqrt(2 * dof) if dof > 0 else math.inf


def dof_from_reliability(relative_u: float) -> float:
    """Degrees of freedom of a type B u that is itself only known to a relative_u: 1 / (2 relative_u^2). GUM G.4.2."""
    return math.inf if _not_negative("relative uncertainty", relative_u) == 0 else 0.5 / relative_u**2


@dataclass(frozen=True, slots=True)
class StraightLine:
    """y = intercept + slope (x - x0): covariance (2, 2) of (intercept, slope), s the scatter of a point, dof n - 2."""

    x0: float
    intercept: float
    slope: float
    covariance: NDArray[np.float64]
    s: float
    dof: float

    def at(self, x: float) -> tuple[float, float]:
        """(value, standard uncertainty) of the line at x."""
        row = np.array([1.0, x - self.x0])
        return self.intercept + self.slope * (x - self.x0), math.sqrt(float(row @ self.covariance @ row))


def straight_line(x: NDArray[np.float64], y: NDArray[np.float64], x0: float = 0.0) -> StraightLine:
    """Least-squares line through n >= 3 points of equal weight. GUM H.3."""
    xs, ys = np.asarray(x, dtype=np.float64) - x0, np.asarray(y, dtype=np.float64)
    if xs.size < 3 or xs.shape != ys.shape or float(np.ptp(xs)) == 0:
        raise UsageError(
            f"A line needs three points at different places; {xs.size} were given.", next_action="Take more readings."
        )
    rows = np.column_stack([np.ones_like(xs), xs])
    q, r = np.linalg.qr(rows)
    inverse = np.linalg.inv(r)
    solution = inverse @ (q.T @ ys)
    dof = float(xs.size - 2)
    s = math.sqrt(float(np.sum((ys - rows @ solution) ** 2)) / dof)
    return StraightLine(x0, float(solution[0]), float(solution[1]), s**2 * (inverse @ inverse.T), s, dof)


@dataclass(frozen=True, slots=True)
class Nested:
    """Repetitions within groups: mean; s_between: standard deviation of the group means; s_within: of a reading,
    pooled within the groups; F = n s_between^2 / s_within^2; u of the mean from the group means, dof groups - 1."""

    mean: float
    s_between: float
    s_within: float
    F: float
    u: float
    dof: float


def nested(
    means: Sequence[float] | NDArray[np.float64], deviations: Sequence[float] | NDArray[np.float64], n: int
) -> Nested:
    """One-way analysis of groups of n readings each, from their means and standard deviations. GUM H.5.

    The group means carry whatever varies between groups (days, re-clampings), so u comes from them alone.
    """
    groups = np.asarray(means, dtype=np.float64)
    mean, u, dof = type_a(groups)
    if groups.shape != np.shape(deviations) or n < 2:
        raise UsageError("Every group needs its mean and the deviation of n >= 2 readings.", next_action="Give both.")
    between = float(np.std(groups, ddof=1))
    within = math.sqrt(float(np.mean(np.asarray(deviations, dtype=np.float64) ** 2)))
    return Nested(mean, between, within, n * (between / within) ** 2 if within > 0 else math.inf, u, dof)
