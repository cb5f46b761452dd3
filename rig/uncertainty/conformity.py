"""Verdicts: the only place where one is made; decision rules, guard bands and the risks behind them.

It knows no measurand and no file; the rule is fixed before the first reading and comes in as an argument.
Zones of an upper limit T with guard band w = r U, boundaries belonging to the better side:
    pass  y <= T - w < conditional pass  y <= T < conditional fail  y <= T + w < fail
and mirrored for a lower limit; with both, the worse side counts. Decisions use unrounded figures.
*Not capable* stands only in place of pass or conditional pass, when no value at all could pass: 2 w >= width of the
tolerance, or w >= T for a one-sided upper limit of a quantity that can't be negative.
Source: ILAC-G8:09/2019 4.2, JCGM 106:2012 7, 8.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from rig.errors import UsageError


class Verdict(Enum):
    """The verdict of one line; the first four are ILAC-G8:09/2019 (non-binary), the rest say why there is none."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NO_LIMIT = "no limit"
    NOT_TESTED = "not tested"
    NOT_CAPABLE = "not capable"


_WORSE = (Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.NOT_CAPABLE, Verdict.CONDITIONAL_FAIL, Verdict.FAIL)


def _zone(y: float, limit: float, w: float, *, upper: bool) -> Verdict:
    """The zone of one side; comparisons are exact in floating point, each bound computed in one operation."""
    if upper:
        inner, at, outer = y <= limit - w, y <= limit, y <= limit + w
    else:
        inner, at, outer = y >= limit + w, y >= limit, y >= limit - w
    if inner:
        return Verdict.PASS
    if at:
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if outer else Verdict.FAIL


def _beyond(zone: Verdict, towards_limit: bool) -> Verdict:
    """What is known when the value lies beyond the bound: a bound that is inside says nothing of a value that
    moves towards the limit; one that is outside says nothing of a value that moves back in."""
    inside = zone in (Verdict.PASS, Verdict.CONDITIONAL_PASS)
    if towards_limit:
        return Verdict.NOT_CAPABLE if inside else zone
    return zone if inside else Verdict.NOT_CAPABLE


def _checked(estimate: float, U: float | None, lower: float | None, upper: float | None, r: float) -> None:
    known = [x for x in (estimate, U, lower, upper, r) if x is not None]
    if any(math.isnan(x) for x in known) or r < 0 or (U is not None and U < 0):
        raise UsageError(
            f"A verdict on estimate {estimate!r}, U {U!r}, limits {lower!r}..{upper!r}, guard band {r!r} U was asked "
            "for: numbers, and U and r of zero or more, were expected.",
            next_action="Mark a reading that failed as not tested instead of passing NaN on.",
        )
    if lower is not None and upper is not None and lower > upper:
        raise UsageError(f"The lower limit {lower!r} lies above the upper limit {upper!r}.", next_action="Swap them.")


def judge(
    estimate: float | None,
    U: float | None,
    lower: float | None,
    upper: float | None,
    guard_multiplier: float,
    qualifier: str = "",
    nonnegative: bool = False,
) -> Verdict:
    """The verdict of one line; all figures in the measurand's unit, unrounded.

    U: expanded uncertainty at the coverage in use; None is only enough beside a qualifier (a range's end), else not
    capable. guard_multiplier: w / U, 0 for simple acceptance. qualifier ">" or "<": the value lies beyond the
    estimate; where that leaves the side open the line is not capable. A lower limit of zero or less on a nonnegative
    quantity means nothing. Raises UsageError for NaN, negative U, crossed limits or an unknown qualifier.
    """
    if qualifier not in ("", ">", "<"):
        raise UsageError(f"Unknown qualifier {qualifier!r}.", next_action="Use '>' or '<' or none.")
    if estimate is None:
        return Verdict.NOT_TESTED
    _checked(estimate, U, lower, upper, guard_multiplier)
    if nonnegative and lower is not None and lower <= 0:
        lower = None
    if lower is None and upper is None:
        return Verdict.NO_LIMIT
    if U is None and not qualifier:
        return Verdict.NOT_CAPABLE
    w = guard_multiplier * (U or 0.0) if guard_multiplier > 0 else 0.0
    zones = []
    if lower is not None:
        zone = _zone(estimate, lower, w, upper=False)
        zones.append(_beyond(zone, qualifier == "<") if qualifier else zone)
    if upper is not None:
        zone = _zone(estimate, upper, w, upper=True)
        zones.append(_beyond(zone, qualifier == ">") if qualifier else zone)
    worst = max(zones, key=_WORSE.index)
    inside = worst in (Verdict.PASS, Verdict.CONDITIONAL_PASS)
    return Verdict.NOT_CAPABLE if inside and not acceptance_zone(w, lower, upper, nonnegative) else worst


def acceptance_zone(w: float, lower: float | None, upper: float | None, nonnegative: bool = False) -> bool:
    """Is there any value that could pass behind a guard band w? Without a guard band: always."""
    if w == 0:
        return True
    if lower is not None and upper is not None:
        return 2 * w < upper - lower
    return not (nonnegative and upper is not None and w >= upper)


# ---- probabilities and risks --------------------------------------------------------------------------------


def _cdf(z: float, dof: float) -> float:
    from scipy import special

    return float(special.ndtr(z)) if math.isinf(dof) else float(special.stdtr(dof, z))


def conformance_probability(
    estimate: float,
    u: float,
    lower: float | None,
    upper: float | None,
    dof: float = math.inf,
    nonnegative: bool = False,
) -> float:
    """Probability that the true value lies within the limits, given estimate and u. JCGM 106 7.4.

    dof: scaled t distribution when finite. nonnegative: the distribution is cut off at zero and renormalised.
    """
    if not u >= 0 or math.isnan(estimate):
        raise UsageError(f"u = {u!r} at {estimate!r}: no probability follows.", next_action="Give u >= 0.")
    floor = 0.0 if nonnegative else -math.inf
    low = max(floor, -math.inf if lower is None else lower)
    high = math.inf if upper is None else upper
    if u == 0:
        return 1.0 if low <= estimate <= high else 0.0

    def below(x: float) -> float:
        return _cdf((x - estimate) / u, dof)

    whole = 1.0 - below(floor)
    return min(1.0, max(0.0, (below(high) - below(low)) / whole)) if whole > 0 else 0.0


def specific_risk(
    estimate: float,
    u: float,
    lower: float | None,
    upper: float | None,
    *,
    accepted: bool = True,
    dof: float = math.inf,
    nonnegative: bool = False,
) -> float:
    """Probability that this decision is wrong: accepted though outside, or rejected though inside. JCGM 106 9.3."""
    inside = conformance_probability(estimate, u, lower, upper, dof, nonnegative)
    return 1.0 - inside if accepted else inside


def worst_specific_risk(guard_multiplier: float, k: float, dof: float = math.inf) -> float:
    """Risk of a wrong pass exactly at the acceptance limit T - r U of one limit, for the k in use: P(t > r k).

    0.5 for simple acceptance; 2.28 % for w = U at k = 2.
    """
    return _cdf(-guard_multiplier * k, dof)


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Of all items: share wrongly accepted (outside, passed) and wrongly rejected (inside, not passed)."""

    false_accept: float
    false_reject: float


def global_risk(
    mean: float, process_sd: float, u: float, lower: float, upper: float, guard_band: float = 0.0
) -> GlobalRisk:
    """Risks averaged over a normally distributed lot (mean, process_sd) measured with u. JCGM 106 9.5.

    Acceptance: lower + guard_band <= measured <= upper - guard_band. process_sd and u above zero.
    """
    if not (process_sd > 0 and u > 0 and upper > lower):
        raise UsageError("A lot's risk needs process_sd > 0, u > 0 and lower < upper.", next_action="Check them.")
    from scipy import special

    def integral(a: float, b: float) -> tuple[float, float]:
        """(share of items between a and b, share of those that are accepted too)."""
        nodes, weights = np.polynomial.legendre.leggauss(64)
        edges = np.unique(np.clip(np.concatenate([np.linspace(a, b, 41), _knots()]), a, b))
        half = 0.5 * np.diff(edges)
        x = (edges[:-1] + half)[:, None] + half[:, None] * nodes
        density = np.exp(-0.5 * ((x - mean) / process_sd) ** 2) / (process_sd * math.sqrt(2 * math.pi))
        accept = special.ndtr((upper - guard_band - x) / u) - special.ndtr((lower + guard_band - x) / u)
        w = half[:, None] * weights
        return float(np.sum(density * w)), float(np.sum(density * np.maximum(accept, 0.0) * w))

    def _knots() -> list[float]:
        return [t + s * u for t in (lower, upper) for s in (-6.0, -3.0, 0.0, 3.0, 6.0)]

    reach = 12 * process_sd
    low, high = min(lower, mean - reach), max(upper, mean + reach)
    inside, inside_accepted = integral(lower, upper)
    outside_accepted = sum(integral(a, b)[1] for a, b in ((low, lower), (upper, high)) if b > a)
    return GlobalRisk(outside_accepted, inside - inside_accepted)
