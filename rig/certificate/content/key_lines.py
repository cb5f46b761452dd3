"""The five lines that are seen first, and the geometry of their bars: limit zone, guard band, estimate, U, to scale.

All places along a bar are fractions of its length, 0 left to 1 right. Pure; it draws nothing and judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.certificate.words.wording import display, short_name, unit_suffix
from rig.quantity import Limit
from rig.result import Judged
from rig.review.units.margins import share_used
from rig.uncertainty.conformity import Verdict

SUBJECTS = (  # one line a subject, in the order of a mechanic's questions
    ("error_max_elec_arcmin", "error_max_mech_arcmin"),
    ("tr_sin", "tr_cos", "tr_imbalance"),
    ("r20_exc", "r20_sin", "r20_cos", "r20_match"),
    ("null_total_sin_v", "null_total_cos_v", "null_fund_sin_v", "null_fund_cos_v"),
    ("leak_exc_core", "leak_sin_core", "leak_cos_core", "leak_exc_sin", "leak_exc_cos", "leak_sin_cos"),
    ("orthogonality_elec_deg",),
    ("thermistor_minus_coil_degc",),
    ("pole_pairs",),
)
URGENCY = (
    Verdict.FAIL,
    Verdict.CONDITIONAL_FAIL,
    Verdict.NOT_CAPABLE,
    Verdict.CONDITIONAL_PASS,
    Verdict.NOT_TESTED,
    Verdict.PASS,
    Verdict.NO_LIMIT,
)
COUNT = 5


@dataclass(frozen=True, slots=True)
class Bar:
    """zone: between the limits; accept: what is left of it behind the guard band; estimate and U's ends.

    beyond: "right" or "left" when the estimate lies off the scale (or is "greater than"), else "". Ends that lie
    outside are clipped to 0 and 1. lower, upper: labels at the limits, "" where there is none.
    """

    zone: tuple[float, float]
    accept: tuple[float, float] | None
    estimate: float
    u_from: float
    u_to: float
    beyond: str
    lower: str
    upper: str


@dataclass(frozen=True, slots=True)
class KeyLine:
    """One key line as printed; bar None where there is no limit or no estimate."""

    measurand: str
    name: str
    estimate: str
    U: str
    unit: str
    limits: str
    verdict: str
    mark: str
    bar: Bar | None


def key_lines(judged: Sequence[Judged], guard: float) -> tuple[KeyLine, ...]:
    """The most urgent line of each subject; where that gives fewer than five, the next most urgent of all."""
    by_id = {line.measurand: line for line in judged}
    ranked = [sorted((by_id[i] for i in ids if i in by_id), key=_urgent) for ids in SUBJECTS]
    firsts = [lines[0] for lines in ranked if lines]
    kept = sorted(firsts, key=lambda line: min(_place(line), URGENCY.index(Verdict.PASS)))[:COUNT]
    others = sorted((line for line in judged if line not in kept and line.limit is not None), key=_urgent)
    kept += others[: COUNT - len(kept)]
    order = [line for lines in ranked for line in lines]
    kept.sort(key=lambda line: order.index(line) if line in order else len(order))
    return tuple(_key_line(line, guard) for line in kept)


def bar_of(line: Judged, guard: float) -> Bar | None:
    """The bar of a line, or None where there is no limit, no sound estimate, or the limit is a single value."""
    result, limit = line.result, line.limit
    if limit is None or result is None or result.estimate is None or limit.lower == limit.upper:
        return None
    if line.verdict is Verdict.NOT_TESTED:
        return None
    y, U = result.estimate, result.U or 0.0
    low, high = _span(limit, y, U)

    def at(value: float) -> float:
        return min(1.0, max(0.0, (value - low) / (high - low)))

    w = guard * U
    zone = (0.0 if limit.lower is None else at(limit.lower), 1.0 if limit.upper is None else at(limit.upper))
    inner = (
        0.0 if limit.lower is None else at(limit.lower + w),
        1.0 if limit.upper is None else at(limit.upper - w),
    )
    off = "right" if y > high or result.qualifier == ">" else "left" if y < low or result.qualifier == "<" else ""
    lower, upper = _labels(line, limit)
    spread = (at(y), at(y)) if result.qualifier else (at(y - U), at(y + U))
    return Bar(zone, inner if inner[0] < inner[1] else None, at(y), *spread, off, lower, upper)


def _span(limit: Limit, y: float, U: float) -> tuple[float, float]:
    if limit.lower is not None and limit.upper is not None:
        width = limit.upper - limit.lower
        low, high = limit.lower - 0.3 * width, limit.upper + 0.3 * width
        far = 1.2 * width
        return max(min(low, y - U - 0.05 * width), low - far), min(max(high, y + U + 0.05 * width), high + far)
    if limit.upper is not None:
        floor = min(0.0, y - U)
        return floor, floor + min(max(1.4 * (limit.upper - floor), 1.1 * (y + U - floor)), 4.0 * (limit.upper - floor))
    lower = limit.lower or 0.0
    return 0.0, max(min(1.15 * (y + U), 6.0 * lower), 2.0 * lower)


def _labels(line: Judged, limit: Limit) -> tuple[str, str]:
    def alone(lower: float | None, upper: float | None) -> str:
        part = Limit(measurand=limit.measurand, lower=lower, upper=upper, origin=limit.origin)
        shown = display(Judged(measurand=line.measurand, result=line.result, limit=part, verdict=line.verdict))
        text = shown.limits.lstrip("≤≥ ")
        return text + unit_suffix(shown.unit) if text[-1:].isdigit() else text

    lower = "" if limit.lower is None else alone(limit.lower, None)
    return lower, "" if limit.upper is None else alone(None, limit.upper)


def _key_line(line: Judged, guard: float) -> KeyLine:
    shown = display(line, guard)
    bar = bar_of(line, guard)
    return KeyLine(
        line.measurand,
        short_name(line.measurand, alone=True),
        shown.estimate,
        shown.U,
        shown.unit,
        shown.limits,
        shown.verdict,
        shown.mark,
        bar,
    )


def _place(line: Judged) -> int:
    return URGENCY.index(line.verdict)


def _urgent(line: Judged) -> tuple[int, float]:
    return _place(line), -share_used(line)
