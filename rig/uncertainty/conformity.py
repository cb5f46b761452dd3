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
from enum import Enum

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


def _check(estimate: float, U: float | None, lower: float | None, upper: float | None, r: float) -> None:
    known = [x for x in (estimate, U, lower, upper, r) if x is not None]
    if any(math.isnan(x) for x in known) or r < 0 or (U is not None and U < 0):
        raise UsageError(
            f"A verdict on estimate {estimate!r}, U {U!r}, limits {lower!r}..{upper!r}, guard band {r!r} U was asked "
            "for: numbers, and U and r of zero or more, were expected.",
            next_action="Mark a reading that failed as not tested instead of passing NaN on.",
        )
    if lower is not None and upper is not None and lower > upper:
        raise UsageError(f"The lower limit {lower!r} lies above the upper limit {upper!r}.", next_action="Swap them.")


def verdict_of(
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
    _check(estimate, U, lower, upper, guard_multiplier)
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


def worst_specific_risk(guard_multiplier: float, k: float, dof: float = math.inf) -> float:
    """Risk of a wrong pass exactly at the acceptance limit T - r U of one limit, for the k in use: P(t > r k).

    0.5 for simple acceptance; 2.28 % for w = U at k = 2.
    """
    return _cdf(-guard_multiplier * k, dof)
