"""Propagation of distributions by trials, for what a straight line can't carry: nulls, moduli, phases near zero.

It knows no measurand; randomness comes in as a Generator, so that a seed written in the record repeats the figure.
Source: JCGM 101:2008 6, 7.7 (shortest and probabilistically symmetric intervals), JCGM 102:2011.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.uncertainty.propagate import COVERAGE

Floats = NDArray[np.float64]
Draw = Callable[[np.random.Generator, int], Floats]


def normal(mean: float, u: float) -> Draw:
    """Draws from a normal distribution."""
    return lambda rng, n: rng.normal(mean, u, n)


def student(mean: float, u: float, dof: float) -> Draw:
    """Draws of a mean of dof + 1 repetitions: mean + u t(dof). JCGM 101 6.4.9."""
    if math.isinf(dof):
        return normal(mean, u)
    return lambda rng, n: mean + u * rng.standard_t(dof, n)


def rectangular_draw(mean: float, half_width: float) -> Draw:
    """Draws equally likely within mean +- half_width."""
    return lambda rng, n: rng.uniform(mean - half_width, mean + half_width, n)


def triangular_draw(mean: float, half_width: float) -> Draw:
    """Draws from a symmetric triangular distribution."""
    return lambda rng, n: mean + half_width * (rng.random(n) - rng.random(n))


def arcsine_draw(mean: float, amplitude: float) -> Draw:
    """Draws of a sinusoidal influence at an unknown phase. JCGM 101 6.4.6."""
    return lambda rng, n: mean + amplitude * np.sin(2 * np.pi * rng.random(n))


def rectangular_inexact_draw(mean: float, half_width: float, inexact: float) -> Draw:
    """A rectangular distribution whose half-width is itself only known to +-inexact. JCGM 101 6.4.3."""

    def draw(rng: np.random.Generator, n: int) -> Floats:
        reach = half_width + inexact * (2 * rng.random(n) - 1)
        values: Floats = mean + reach * (2 * rng.random(n) - 1)
        return values

    return draw


def joint_normal(mean: Sequence[float], covariance: Floats) -> Draw:
    """(n, k) draws from a joint normal distribution; f gets them as one argument. JCGM 101 6.4.8."""
    return lambda rng, n: rng.multivariate_normal(np.asarray(mean), covariance, n, method="eigh")


def trials(f: Callable[..., Floats], draws: Sequence[Draw], rng: np.random.Generator, n: int = 200_000) -> Floats:
    """n values of f(draw_1, draw_2, ...), called once with whole arrays. Raises UsageError for n < 1000."""
    if n < 1000:
        raise UsageError(f"{n} trials say nothing about 95 %: 1000 at least.", next_action="Ask for more trials.")
    values: Floats = np.asarray(f(*(draw(rng, n) for draw in draws)), dtype=np.float64)
    return values


def symmetric_interval(values: Floats, p: float = COVERAGE) -> tuple[float, float]:
    """The interval that leaves (1 - p)/2 of the trials on either side. JCGM 101 7.7.2."""
    low, high = np.quantile(values, [(1 - p) / 2, (1 + p) / 2])
    return float(low), float(high)


def shortest_interval(values: Floats, p: float = COVERAGE) -> tuple[float, float]:
    """The shortest interval that holds p of the trials. JCGM 101 7.7.3, 5.3.4."""
    ordered = np.sort(np.asarray(values, dtype=np.float64).ravel())
    inside = round(p * ordered.size)
    if not 0 < inside < ordered.size:
        raise UsageError(
            f"{ordered.size} trials can't show a {100 * p:g} % interval.", next_action="Ask for more trials."
        )
    widths = ordered[inside:] - ordered[: ordered.size - inside]
    start = int(np.argmin(widths))
    return float(ordered[start]), float(ordered[start + inside])


@dataclass(frozen=True, slots=True)
class TrialSummary:
    """Mean, standard uncertainty, and the coverage interval asked for, of the trials."""

    mean: float
    u: float
    low: float
    high: float


def summary(values: Floats, p: float = COVERAGE, shortest: bool = True) -> TrialSummary:
    """The trials as a statement (JCGM 101 7.6, 7.7)."""
    low, high = shortest_interval(values, p) if shortest else symmetric_interval(values, p)
    return TrialSummary(float(np.mean(values)), float(np.std(values, ddof=1)), low, high)


def linear_agrees(y: float, u: float, k: float, low: float, high: float, digits: int = 2) -> bool:
    """Does y +- k u agree with the trials' interval within half a unit of u's last printed digit? JCGM 101 8.1."""
    if not u > 0:
        return low == high == y
    delta = 0.5 * 10.0 ** (math.floor(math.log10(u)) - digits + 1)
    return abs(y - k * u - low) <= delta and abs(y + k * u - high) <= delta
