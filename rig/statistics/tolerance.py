"""Limits learned from a few known-good parts: tolerance and prediction intervals of a normal sample, and outliers.

It must never know which line it works on, nor drop a value. Two-sided factors are exact: the coverage of mean +- k s is
integrated over the mean's distribution by 96 Gauss-Legendre nodes and the chi-square of s (Odeh and Owen's integral);
one-sided ones from the noncentral t; the prediction interval from t (ISO 16269-6:2014). Outliers: Grubbs, two-sided.
confidence, coverage: 0 to 1, exclusive; n at least 2 (3 for Grubbs). Errors: ValueError naming the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

NODES = 96
REACH = 8.5  # standard deviations of the mean beyond which nothing is left to integrate


def _check(n: int, coverage: float, confidence: float, least: int = 2) -> None:
    if n < least:
        raise ValueError(f"{n} values are too few for a limit; {least} at least")
    for name, value in (("coverage", coverage), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} is {value}; it lies between 0 and 1, both excluded")


@lru_cache(maxsize=4096)
def two_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """k such that mean +- k s holds `coverage` of the population with `confidence` (dimensionless)."""
    _check(n, coverage, confidence)
    from scipy.optimize import brentq
    from scipy.stats import chi2

    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    z = 0.5 * REACH * (nodes + 1.0)
    density = REACH * weights * np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    half = _half_width(z / math.sqrt(n), coverage)
    dof = n - 1

    def short(k: float) -> float:
        return float(np.sum(density * chi2.sf(dof * (half / k) ** 2, dof))) - confidence

    high = 4.0
    while short(high) < 0.0:
        high *= 2.0
    return float(brentq(short, 1e-3, high, xtol=1e-11, rtol=1e-13))


def _half_width(shift: NDArray[np.float64], coverage: float) -> NDArray[np.float64]:
    """r with Phi(shift + r) - Phi(shift - r) = coverage, by bisection to the last digits."""
    from scipy.special import ndtr, ndtri

    low = np.zeros_like(shift)
    high = shift + float(ndtri(0.5 + 0.5 * coverage)) + 1.0
    for _ in range(60):
        r = 0.5 * (low + high)
        short = ndtr(shift + r) - ndtr(shift - r) < coverage
        low, high = np.where(short, r, low), np.where(short, high, r)
    return 0.5 * (low + high)


@lru_cache(maxsize=4096)
def one_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """k such that `coverage` of the population lies below mean + k s with `confidence`."""
    _check(n, coverage, confidence)
    from scipy.special import ndtri
    from scipy.stats import nct

    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, float(ndtri(coverage)) * root)) / root


def prediction_factor(n: int, confidence: float) -> float:
    """k such that one further part of the population lies within mean +- k s with `confidence`."""
    _check(n, 0.5, confidence)
    from scipy.stats import t

    return float(t.ppf(0.5 + 0.5 * confidence, n - 1)) * math.sqrt(1.0 + 1.0 / n)


def grubbs_critical(n: int, significance: float = 0.05) -> float:
    """Two-sided critical value of the largest |x - mean| / s."""
    _check(n, 0.5, significance, least=3)
    from scipy.stats import t

    q = float(t.ppf(1.0 - significance / (2.0 * n), n - 2))
    return (n - 1) / math.sqrt(n) * math.sqrt(q * q / (n - 2 + q * q))


def outlier(values: Sequence[float], significance: float = 0.05) -> int | None:
    """Index of the value that Grubbs' test flags, None when it flags none. It is told, never dropped."""
    if len(values) < 3:
        return None
    x = np.asarray(values, dtype=np.float64)
    s = float(np.std(x, ddof=1))
    if s == 0.0:
        return None
    g = np.abs(x - x.mean()) / s
    worst = int(np.argmax(g))
    return worst if float(g[worst]) > grubbs_critical(x.size, significance) else None


def masks_itself(n: int, k: float) -> bool:
    """Whether a bad part among the n always passes limits of +- k s that it helped to make."""
    return k > (n - 1) / math.sqrt(n)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """Limits from a sample; lower or upper None: that side has none. mean, s: on the scale used ("plain", "log").

    suspect: index of the value that Grubbs flags, None; masking: a bad part among them would pass its own limits;
    predict: the interval for one further part ("is this one like the others").
    """

    n: int
    mean: float
    s: float
    k: float
    coverage: float
    confidence: float
    scale: str
    lower: float | None
    upper: float | None
    predict: tuple[float, float]
    suspect: int | None
    masking: bool


def learn(
    values: Sequence[float], *, coverage: float, confidence: float, side: str = "both", scale: str = "plain"
) -> Learned:
    """Limits of one line from known-good parts. side "both", "upper" or "lower"; scale "log" for positive figures.

    Raises ValueError for fewer than two values, values that are not finite, or a log scale of what is not positive.
    """
    x = np.asarray(values, dtype=np.float64)
    _check(int(x.size), coverage, confidence)
    if side not in ("both", "upper", "lower") or scale not in ("plain", "log"):
        raise ValueError(f"side {side!r} and scale {scale!r}: both, upper or lower on a plain or log scale")
    if not np.all(np.isfinite(x)):
        raise ValueError("a value is not finite: leave the line out for that part, and say so")
    if scale == "log":
        if float(x.min()) <= 0.0:
            raise ValueError(f"a log scale needs positive values; the least is {x.min():g}")
        x = np.log(x)
    n, mean, s = int(x.size), float(x.mean()), float(np.std(x, ddof=1))
    factor = two_sided_factor if side == "both" else one_sided_factor
    k, p = factor(n, coverage, confidence), prediction_factor(n, confidence)
    back = math.exp if scale == "log" else float
    return Learned(
        n=n,
        mean=mean,
        s=s,
        k=k,
        coverage=coverage,
        confidence=confidence,
        scale=scale,
        lower=None if side == "upper" else back(mean - k * s),
        upper=None if side == "lower" else back(mean + k * s),
        predict=(back(mean - p * s), back(mean + p * s)),
        suspect=outlier([float(v) for v in x]),
        masking=masks_itself(n, k),
    )


def good_rejected(n: int, k_by_line: Sequence[tuple[float, str]], trials: int = 4000, seed: int = 1) -> float:
    """Share of good parts that such limits reject over all lines together, lines taken as independent and normal.

    k_by_line: (factor, side) of each line learned from n parts. Averaged over libraries by simulation, the share of one
    library's line being exact; correlated lines reject fewer.
    """
    from scipy.special import ndtr

    rng = np.random.default_rng(seed)
    inside = np.ones(trials)
    for k, side in k_by_line:
        mean = rng.standard_normal(trials) / math.sqrt(n)
        s = np.sqrt(rng.chisquare(n - 1, trials) / (n - 1))
        high = ndtr(mean + k * s) if side in ("both", "upper") else 1.0
        low = ndtr(mean - k * s) if side in ("both", "lower") else 0.0
        inside *= high - low
    return float(1.0 - inside.mean())
