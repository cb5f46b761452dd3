"""Control charts of single values: individuals by their moving range, EWMA, and a two-sided CUSUM. Pure.

It must never know a standard, a run or a unit: values in the order in which they were taken, in any one unit.
Definitions: individuals at mean +- 3 MRbar / 1.128 (d2 for pairs); EWMA
z_t = L x_t + (1 - L) z_(t-1) from the target, limits target +- 3 s sqrt(L / (2 - L)), at time t times
sqrt(1 - (1 - L)^(2 t)); CUSUM S_hi = max(0, S + x - target - k), S_lo = max(0, S + target - k - x), a signal above h.
Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, 6.3.2.3, 6.3.2.4.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

from rig.errors import UsageError

D2 = 1.128  # of ranges of two
LAMBDA = 0.3
SIGMAS = 3.0
BASELINE = 20  # points that make a baseline
IN_CONTROL, ZERO_WAS_OFF, OUT_OF_CONTROL = "in control", "lead zero was off", "out of control"
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Frozen figures of a chart, in the values' unit. s: MRbar / 1.128. n: points it was made of."""

    mean: float
    mr_mean: float
    n: int

    @property
    def s(self) -> float:
        """Standard deviation of single values, from the moving range."""
        return self.mr_mean / D2

    @property
    def upper(self) -> float:
        """Upper limit of individuals."""
        return self.mean + SIGMAS * self.s

    @property
    def lower(self) -> float:
        """Lower limit of individuals."""
        return self.mean - SIGMAS * self.s


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaPoint:
    """z after a value, with its exact limits."""

    z: float
    lower: float
    upper: float

    @property
    def outside(self) -> bool:
        """Beyond its limits."""
        return not self.lower <= self.z <= self.upper


def moving_ranges(values: Sequence[float]) -> tuple[float, ...]:
    """|x_t - x_(t-1)|, (n - 1)."""
    return tuple(abs(b - a) for a, b in itertools.pairwise(values))


def baseline(values: Sequence[float]) -> Baseline:
    """The baseline of values (n >= 2). Raises UsageError for fewer, and for values that are no numbers."""
    if len(values) < 2 or not all(math.isfinite(x) for x in values):
        raise UsageError(
            f"{len(values)} values make no baseline.", next_action=f"Take {BASELINE} numbers, at least two."
        )
    ranges = moving_ranges(values)
    return Baseline(mean=math.fsum(values) / len(values), mr_mean=math.fsum(ranges) / len(ranges), n=len(values))


def outside(x: float, of: Baseline) -> bool:
    """Whether a single value lies beyond 3 s of the baseline."""
    return not of.lower <= x <= of.upper


def ewma(values: Sequence[float], target: float, s: float, lambda_: float = LAMBDA) -> tuple[EwmaPoint, ...]:
    """z of each value from the target, with the exact limits of its time. s: of single values, positive; 0 < L <= 1."""
    if not (0.0 < lambda_ <= 1.0 and s >= 0.0):
        raise UsageError(f"an EWMA with weight {lambda_:g} and s {s:g} was asked for.", next_action="Take 0 < L <= 1.")
    found, z = [], target
    for t, x in enumerate(values, start=1):
        z = lambda_ * x + (1.0 - lambda_) * z
        half = SIGMAS * s * math.sqrt(lambda_ / (2.0 - lambda_) * (1.0 - (1.0 - lambda_) ** (2 * t)))
        found.append(EwmaPoint(z=z, lower=target - half, upper=target + half))
    return tuple(found)


def cusum(values: Sequence[float], target: float, k: float, h: float) -> tuple[tuple[float, float], ...]:
    """(S_hi, S_lo) after each value, both from zero; a signal is a sum above h. k: allowance, in the values' unit."""
    if k < 0 or h <= 0:
        raise UsageError("a CUSUM needs k >= 0 and h > 0.", next_action="Give both in the unit of the values.")
    found, high, low = [], 0.0, 0.0
    for x in values:
        high, low = max(0.0, high + x - target - k), max(0.0, low + target - k - x)
        found.append((high, low))
    return tuple(found)


class Takes(NamedTuple, Generic[T]):
    """said: in control, lead zero was off, out of control. values: all takes in their order, all charted."""

    said: str
    values: tuple[T, ...]


def judge_takes(
    first: T, again: Callable[[], T], after_zero: Callable[[], T] | None, is_outside: Callable[[T], bool]
) -> Takes[T]:
    """What a standard's take says. again: takes it once more as it stands; after_zero: after a new lead zero.

    A take outside is taken twice more as it stands: with two of the three inside it was chance. Else it is taken twice
    after a new lead zero: outside both times it is out of control, which stops; else the zero was the cause, and what
    was measured with it is suspect. after_zero None: no zero can be taken, so two of three decide. is_outside: beyond
    3 s of the frozen baseline, or of the standard's own reference below it; the EWMA never stops anything.
    """
    values = [first]
    if not is_outside(first):
        return Takes(IN_CONTROL, tuple(values))
    values += [again(), again()]
    if sum(map(is_outside, values)) < 2:
        return Takes(IN_CONTROL, tuple(values))
    if after_zero is None:
        return Takes(OUT_OF_CONTROL, tuple(values))
    zeroed = [after_zero(), after_zero()]
    passes = not all(map(is_outside, zeroed))
    return Takes(ZERO_WAS_OFF if passes else OUT_OF_CONTROL, (*values, *zeroed))
