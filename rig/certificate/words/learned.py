"""How a learned limit is written for people: limits to five digits, mean and spread rounded by the limits' width.

Terminal and page take their figures from here. Nothing is decided here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rig.certificate.words.wording import find_measurand, limit_text, minus, number, scale_of, short_name, unit_suffix
from rig.quantity import Limit
from rig.statistics.tolerance import Learned
from rig.uncertainty.rounding import round_result


@dataclass(frozen=True, slots=True)
class LearnedTexts:
    """A line's texts. spread: standard deviation between units, after "×" the factor of a log scale."""

    name: str
    limits: str
    mean: str
    spread: str


def learned_texts(limit: Limit, line: Learned) -> LearnedTexts:
    """The texts of a line that was learned; limits with their unit."""
    m = find_measurand(limit.measurand)
    scale = scale_of(m, max(abs(end) for end in (limit.lower, limit.upper) if end is not None))
    unit, factor = unit_suffix(scale.unit), scale.factor
    mean = math.exp(line.mean) if line.scale == "log" else line.mean
    spread = f"× {number(math.exp(line.s), 3)}" if line.scale == "log" else f"{number(line.s * factor, 2)}{unit}"
    return LearnedTexts(
        name=short_name(limit.measurand, alone=True),
        limits=limits_text(limit) + unit,
        mean=f"{minus(round_result(mean * factor, _half_width(limit, mean) * factor)[0])}{unit}",
        spread=spread,
    )


def limits_text(limit: Limit) -> str:
    """The limits to five digits, without their unit."""
    lower, upper = (None if end is None else float(f"{end:.5g}") for end in (limit.lower, limit.upper))
    m = find_measurand(limit.measurand)
    scale = scale_of(m, max(abs(end) for end in (limit.lower, limit.upper) if end is not None))
    return limit_text(replace(limit, lower=lower, upper=upper), m, scale)


def _half_width(limit: Limit, mean: float) -> float:
    """Distance from the mean to its nearer limit: digits far below it say nothing."""
    ends = [abs(end - mean) for end in (limit.lower, limit.upper) if end is not None and end != mean]
    return min(ends, default=abs(mean) or 1.0)
