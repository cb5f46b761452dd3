"""How a line of many parts lies between its limits: Cp and Cpk, never without their number and interval.

It must never know a line. Only for 30 values or more from a process whose chart is in control; whether it is,
the caller says. Source: NIST/SEMATECH e-Handbook 6.1.6; interval of Cpk: Bissell 1990 (Applied Statistics 39); of
Cp: chi-square. Errors: ValueError naming the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

LEAST_N = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessIndex:
    """n values; cp None with one limit; cpk with its interval; dimensionless."""

    n: int
    mean: float
    s: float
    cp: float | None
    cpk: float
    cpk_interval: tuple[float, float]
    confidence: float


def process_index(
    values: Sequence[float], lower: float | None, upper: float | None, *, in_control: bool, confidence: float = 0.95
) -> ProcessIndex:
    """Cp and Cpk of at least 30 values. Raises ValueError for fewer, no limit, no spread, or a chart not in control."""
    x = np.asarray(values, dtype=np.float64)
    if x.size < LEAST_N:
        raise ValueError(f"{x.size} values: an index of a process takes {LEAST_N} at least")
    if not in_control:
        raise ValueError("the chart of this line is not in control (or there is none): an index would describe nothing")
    mean, s = float(x.mean()), float(np.std(x, ddof=1))
    return index_of(int(x.size), mean, s, lower, upper, confidence)


def index_of(
    n: int, mean: float, s: float, lower: float | None, upper: float | None, confidence: float = 0.95
) -> ProcessIndex:
    """The same from mean and s of n values."""
    from scipy.special import ndtri

    if (lower is None and upper is None) or not s > 0.0:
        raise ValueError(f"limits {lower}..{upper}, s {s}: a limit and a spread are needed")
    sides = [(mean - lower) / (3.0 * s)] if lower is not None else []
    sides += [(upper - mean) / (3.0 * s)] if upper is not None else []
    cpk, tail = min(sides), 0.5 * (1.0 - confidence)
    reach = -float(ndtri(tail)) * math.sqrt(1.0 / (9.0 * n) + cpk**2 / (2.0 * (n - 1)))
    cp = (upper - lower) / (6.0 * s) if lower is not None and upper is not None else None
    return ProcessIndex(
        n=n,
        mean=mean,
        s=s,
        cp=cp,
        cpk=cpk,
        cpk_interval=(cpk - reach, cpk + reach),
        confidence=confidence,
    )
