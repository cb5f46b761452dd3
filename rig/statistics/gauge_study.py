"""How much of what is seen is the measurement: components of variance of units, clampings and repeats, with intervals.

It must never know a measurand. Values are (units, clampings, repeats), balanced, at least two of each, in any one unit.
    nested     the clampings of one unit have nothing in common with those of another (the rule on this bench)
    crossed    the same persons, holders or days meet every unit
    average-range    the older method by mean ranges; it gives other figures of the same data and is always named
Intervals: of repeats exact (chi-square); of the others and of sums modified large-sample (Graybill and Wang 1980; Ting
and others 1990, J. Statist. Comput. Simul. 35). A variance estimated below zero counts as zero. Components: GUM H.5;
Searle, Casella, McCulloch, Variance Components, 1992. Average-range: constants 1/d2* (Duncan 1974), of d2 and d3.
Errors: ValueError naming the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
CATEGORIES = 1.41  # square root of two, as the trade writes it
POOL_ABOVE = 0.25  # significance of the interaction above which it is pooled with the repeats
D2 = {2: 1.12838, 3: 1.69257, 4: 2.05875, 5: 2.32593, 6: 2.53441, 7: 2.70436, 8: 2.84720, 9: 2.97003, 10: 3.07751}
D3 = {2: 0.85250, 3: 0.88837, 4: 0.87981, 5: 0.86408, 6: 0.84804, 7: 0.83321, 8: 0.81983, 9: 0.80783, 10: 0.79705}


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One component. variance: as estimated, zero at least; low, high: its interval (variance); dof: effective, None
    for the average-range method, which gives no interval here."""

    name: str
    variance: float
    low: float | None = None
    high: float | None = None
    dof: float | None = None

    @property
    def s(self) -> float:
        """Standard deviation, in the unit of the values."""
        return math.sqrt(self.variance)

    @property
    def s_interval(self) -> tuple[float, float] | None:
        """The interval as standard deviations."""
        return None if self.low is None or self.high is None else (math.sqrt(self.low), math.sqrt(self.high))


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study of one line. method: as it is printed. measurement: repeats and clampings (or persons) together.

    interaction: (F, p) of a crossed study, None elsewhere; squares: source -> (sum of squares, degrees of freedom).
    """

    method: str
    shape: tuple[int, int, int]
    confidence: float
    repeats: Component
    between: Component
    units: Component
    measurement: Component
    squares: dict[str, tuple[float, int]]
    interaction: tuple[float, float] | None = None

    @property
    def total_s(self) -> float:
        """Standard deviation of everything together."""
        return math.sqrt(self.measurement.variance + self.units.variance)

    @property
    def categories(self) -> int:
        """How many classes of units the measurement can tell apart, one at least (ndc)."""
        return max(1, math.floor(CATEGORIES * self.units.s / self.measurement.s)) if self.measurement.s > 0.0 else 1

    def share_of_spread(self, component: Component) -> float:
        """s of a component over s of everything."""
        return component.s / self.total_s if self.total_s > 0.0 else 0.0

    def share_of_variance(self, component: Component) -> float:
        """Variance of a component over that of everything."""
        return component.variance / self.total_s**2 if self.total_s > 0.0 else 0.0

    def share_of_tolerance(self, width: float) -> float:
        """Six s of the measurement over what is left of a tolerance after its guard bands (same unit, above zero)."""
        if not width > 0.0:
            raise ValueError(f"a tolerance of {width} is left after the guard bands: nothing can be shared")
        return 6.0 * self.measurement.s / width


def nested_study(values: Sequence[Sequence[Sequence[float]]] | Floats, confidence: float = 0.95) -> Study:
    """Clampings nested in units: repeats, clampings within units, units."""
    x, (a, b, r) = _check(values, confidence)
    cells, rows, grand = x.mean(axis=2), x.mean(axis=(1, 2)), float(x.mean())
    squares = {
        "units": (b * r * float(np.sum((rows - grand) ** 2)), a - 1),
        "clampings": (r * float(np.sum((cells - rows[:, None]) ** 2)), a * (b - 1)),
        "repeats": (float(np.sum((x - cells[:, :, None]) ** 2)), a * b * (r - 1)),
    }
    (ms_u, dof_u), (ms_c, dof_c), (ms_r, dof_r) = (_mean_square(squares[name]) for name in squares)
    return Study(
        method="nested analysis of variance",
        shape=(a, b, r),
        confidence=confidence,
        repeats=_single("repeats", ms_r, dof_r, confidence),
        between=_difference("clampings", (ms_c, dof_c), (ms_r, dof_r), r, confidence),
        units=_difference("units", (ms_u, dof_u), (ms_c, dof_c), b * r, confidence),
        measurement=_sum("measurement", (ms_c, dof_c, 1.0 / r), (ms_r, dof_r, 1.0 - 1.0 / r), confidence),
        squares=squares,
    )


def crossed_study(
    values: Sequence[Sequence[Sequence[float]]] | Floats, confidence: float = 0.95, *, pool: bool | None = None
) -> Study:
    """Persons, holders or days that meet every unit; units in rows, they in columns.

    pool: whether the interaction counts as repeats; None: where it is not significant at 25 %.
    """
    x, (a, b, r) = _check(values, confidence)
    cells, rows, columns, grand = x.mean(axis=2), x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), float(x.mean())
    both = cells - rows[:, None] - columns[None, :] + grand
    squares = {
        "units": (b * r * float(np.sum((rows - grand) ** 2)), a - 1),
        "persons": (a * r * float(np.sum((columns - grand) ** 2)), b - 1),
        "interaction": (r * float(np.sum(both**2)), (a - 1) * (b - 1)),
        "repeats": (float(np.sum((x - cells[:, :, None]) ** 2)), a * b * (r - 1)),
    }
    (ms_u, dof_u), (ms_p, dof_p), (ms_i, dof_i), (ms_r, dof_r) = (_mean_square(squares[name]) for name in squares)
    f, p = _f_test(ms_i, dof_i, ms_r, dof_r)
    pooled = p > POOL_ABOVE if pool is None else pool
    if pooled:
        dof = dof_i + dof_r
        ms_r = ms_i = (squares["interaction"][0] + squares["repeats"][0]) / dof
        dof_r = dof_i = dof
    persons = _difference("persons", (ms_p, dof_p), (ms_i, dof_i), a * r, confidence)
    mixed = 0.0 if pooled else max(0.0, (ms_i - ms_r) / r)
    between = Component(
        name="persons",
        variance=persons.variance + mixed,
        low=persons.low,
        high=None if persons.high is None else persons.high + mixed,
        dof=persons.dof,
    )
    repeats = _single("repeats", ms_r, dof_r, confidence)
    whole = _sum(
        "measurement",
        (ms_p, dof_p, 1.0 / (a * r)),
        (ms_r, dof_r, 1.0 - 1.0 / (a * r)) if pooled else (ms_i, dof_i, (a - 1.0) / (a * r)),
        confidence,
        extra=0.0 if pooled else (1.0 - 1.0 / r) * ms_r,
    )
    measurement = Component(
        name="measurement", variance=repeats.variance + between.variance, low=whole.low, high=whole.high, dof=whole.dof
    )
    return Study(
        method=f"crossed analysis of variance, interaction {'pooled' if pooled else 'apart'}",
        shape=(a, b, r),
        confidence=confidence,
        repeats=repeats,
        between=between,
        units=_difference("units", (ms_u, dof_u), (ms_i, dof_i), b * r, confidence),
        measurement=measurement,
        squares=squares,
        interaction=(f, p),
    )


def average_range(values: Sequence[Sequence[Sequence[float]]] | Floats) -> Study:
    """The older method by mean ranges; up to ten units, persons and repeats. No intervals."""
    x, (a, b, r) = _check(values, 0.95)
    if max(a, b, r) > max(D2):
        raise ValueError(f"the average-range method has constants for up to {max(D2)} of each, not {a} x {b} x {r}")
    mean_range = float(np.mean(x.max(axis=2) - x.min(axis=2)))
    columns, rows = x.mean(axis=(0, 2)), x.mean(axis=(1, 2))
    repeats = mean_range / D2[r]
    persons = float(np.ptp(columns)) / _d2_of_one(b)
    between = max(0.0, persons**2 - repeats**2 / (a * r))
    units = float(np.ptp(rows)) / _d2_of_one(a)
    return Study(
        method="average-range method",
        shape=(a, b, r),
        confidence=0.0,
        repeats=Component(name="repeats", variance=repeats**2),
        between=Component(name="persons", variance=between),
        units=Component(name="units", variance=units**2),
        measurement=Component(name="measurement", variance=repeats**2 + between),
        squares={},
    )


# ---- below --------------------------------------------------------------------------------------------------------


def _check(
    values: Sequence[Sequence[Sequence[float]]] | Floats, confidence: float
) -> tuple[Floats, tuple[int, int, int]]:
    try:
        x = np.asarray(values, dtype=np.float64)
    except ValueError:
        raise ValueError(
            "every unit needs as many clampings, and every clamping as many repeats, as the others"
        ) from None
    if x.ndim != 3 or min(x.shape) < 2 or not np.all(np.isfinite(x)):
        raise ValueError(f"values of shape {x.shape}: two units, clampings and repeats at least, all of them finite")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence is {confidence}; it lies between 0 and 1, both excluded")
    a, b, r = x.shape
    return x, (a, b, r)


def _mean_square(row: tuple[float, int]) -> tuple[float, int]:
    return row[0] / row[1], row[1]


def _f_test(ms: float, dof: int, ms_below: float, dof_below: int) -> tuple[float, float]:
    from scipy.special import fdtrc

    if not ms_below > 0.0:
        return math.inf, 0.0
    f = ms / ms_below
    return f, float(fdtrc(dof, dof_below, f))


def _d2_of_one(n: int) -> float:
    """d2* of a single range of n."""
    return math.hypot(D2[n], D3[n])


def _single(name: str, ms: float, dof: int, confidence: float) -> Component:
    from scipy.special import chdtri

    tail = 0.5 * (1.0 - confidence)
    low, high = (dof * ms / float(chdtri(dof, t)) for t in (tail, 1.0 - tail))
    return Component(name=name, variance=ms, low=low, high=high, dof=float(dof))


def _ends(dof: int, tail: float) -> tuple[float, float]:
    """(G, H): relative reach of a mean square downwards and upwards at one tail."""
    from scipy.special import chdtri

    return 1.0 - dof / float(chdtri(dof, tail)), dof / float(chdtri(dof, 1.0 - tail)) - 1.0


def _difference(
    name: str, above: tuple[float, int], below: tuple[float, int], divisor: float, confidence: float
) -> Component:
    """(MS above - MS below) / divisor, with the interval of Ting and others."""
    from scipy.special import fdtri

    (s1, n1), (s2, n2) = above, below
    tail = 0.5 * (1.0 - confidence)
    (g1, h1), (g2, h2) = _ends(n1, tail), _ends(n2, tail)
    f_high, f_low = float(fdtri(n1, n2, 1.0 - tail)), float(fdtri(n1, n2, tail))
    g12 = ((f_high - 1.0) ** 2 - (g1 * f_high) ** 2 - h2**2) / f_high
    h12 = ((1.0 - f_low) ** 2 - (h1 * f_low) ** 2 - g2**2) / f_low
    down = (g1 * s1) ** 2 + (h2 * s2) ** 2 + g12 * s1 * s2
    up = (h1 * s1) ** 2 + (g2 * s2) ** 2 + h12 * s1 * s2
    estimate = (s1 - s2) / divisor
    low = max(0.0, estimate - math.sqrt(max(down, 0.0)) / divisor)
    high = max(0.0, estimate + math.sqrt(max(up, 0.0)) / divisor)
    spread = s1**2 / n1 + s2**2 / n2
    dof = (s1 - s2) ** 2 / spread if spread > 0.0 else 0.0
    return Component(name=name, variance=max(0.0, estimate), low=low, high=high, dof=dof)


def _sum(
    name: str, one: tuple[float, int, float], other: tuple[float, int, float], confidence: float, extra: float = 0.0
) -> Component:
    """c1 MS1 + c2 MS2 (+ extra, taken as known), with the interval of Graybill and Wang."""
    tail = 0.5 * (1.0 - confidence)
    parts = [(c * s, n) for s, n, c in (one, other)]
    reach = [_ends(n, tail) for _, n in parts]
    estimate = sum(v for v, _ in parts) + extra
    low = estimate - math.sqrt(sum((g * v) ** 2 for (v, _), (g, _) in zip(parts, reach, strict=True)))
    high = estimate + math.sqrt(sum((h * v) ** 2 for (v, _), (_, h) in zip(parts, reach, strict=True)))
    spread = sum(v**2 / n for v, n in parts)
    dof = estimate**2 / spread if spread > 0.0 else 0.0
    return Component(name=name, variance=estimate, low=max(0.0, low), high=high, dof=dof)
