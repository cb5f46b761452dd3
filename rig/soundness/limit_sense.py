"""Limits whose words don't fit the measurement: an angle not said, another frequency, level, temperature or revision.

It must never make a verdict worse or better by itself: a limit that can't be compared leaves its line not tested, with
the reason `limit-angle-unclear` or `limit-condition-differs`, which spoil nothing. An angle not said is judged both
ways and stands where both agree. Mechanical = electrical / pole pairs. Conditions: README.md, 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.lines import value
from rig.measurands import measurand
from rig.quantity import Limit
from rig.resolver.part import Part
from rig.result import Judged, Reason, Result
from rig.uncertainty.conformity import Verdict, verdict_of
from rig.uncertainty.rounding import round_result

FREQUENCY_SHARE = 0.01  # a limit holds this near the frequency it was stated for
LEVEL_SHARE = 0.05
TEMPERATURE_K = 3.0
COPPER_K = 0.5
BOTH = "the limit does not say which angle: electrical and mechanical give the same verdict"
DIRECT = ("r20_", "leak_", "thermistor")  # direct current: no excitation to differ


def settle_limits(evaluated: Evaluated, judged: Sequence[Judged]) -> tuple[tuple[Judged, ...], tuple[Reason, ...]]:
    """The lines with those limits settled, and the reasons for what could not be compared."""
    results = [line.result for line in judged if line.result is not None]
    settled = [_settle(evaluated, line, results) for line in judged]
    reasons = [reason for _, found in settled for reason in found]
    return tuple(line for line, _ in settled), tuple(reasons)


def _settle(evaluated: Evaluated, line: Judged, results: Sequence[Result]) -> tuple[Judged, list[Reason]]:
    limit, result = line.limit, line.result
    if limit is None or result is None or line.verdict is Verdict.NOT_TESTED:
        return line, []
    carried, differs = _carry(evaluated, limit, results)
    if differs:
        return _not_compared(line, _differs(limit, differs))
    readings = {name: _read_as(carried, name, evaluated.observed.part.pole_pairs) for name in _senses(limit)}
    verdicts = {name: _verdict(evaluated.observed.part, result, meant) for name, meant in readings.items()}
    if len(set(verdicts.values())) > 1:
        return _not_compared(line, _unclear(limit, result, readings, verdicts))
    verdict = next(iter(verdicts.values()))
    if limit.angle == "unclear":
        return replace(line, limit=carried, verdict=verdict, note=_joined(line.note, BOTH)), []
    meant = readings[limit.angle]
    return (line if meant == limit else replace(line, limit=meant, verdict=verdict)), []


def _joined(note: str, more: str) -> str:
    return f"{note}; {more}" if note else more


def _not_compared(line: Judged, reason: Reason) -> tuple[Judged, list[Reason]]:
    note = f"{reason.code}: {reason.evidence}"
    return replace(line, verdict=Verdict.NOT_TESTED, note=note), [reason]


def _verdict(part: Part, result: Result, limit: Limit) -> Verdict:
    nonnegative = measurand(result.measurand).nonnegative
    r = part.decision.multiplier
    return verdict_of(result.estimate, result.U, limit.lower, limit.upper, r, result.qualifier, nonnegative)


# ---- which angle --------------------------------------------------------------------------------------------


def _senses(limit: Limit) -> tuple[str, ...]:
    return ("electrical", "mechanical") if limit.angle == "unclear" else (limit.angle,)


def _read_as(limit: Limit, sense: str, pole_pairs: int) -> Limit:
    """The limit, said of the `sense` angle, in the measurand's own angle."""
    if sense in ("", "electrical" if "_elec_" in limit.measurand else "mechanical"):
        return limit
    factor = float(pole_pairs) if sense == "mechanical" else 1.0 / pole_pairs
    return _scale(limit, factor, f"stated of the {sense} angle")


def _scale(limit: Limit, factor: float, why: str) -> Limit:
    lower, upper = (None if end is None else end * factor for end in (limit.lower, limit.upper))
    return replace(limit, lower=lower, upper=upper, note=_joined(limit.note, why))


def _unclear(limit: Limit, result: Result, readings: dict[str, Limit], verdicts: dict[str, Verdict]) -> Reason:
    said = "; ".join(
        f"{name}: {_ends(readings[name])} {result.unit} gives {verdict.value}" for name, verdict in verdicts.items()
    )
    shown, _ = round_result(result.estimate or 0.0, result.U or 0.0)
    name = measurand(limit.measurand).name
    return Reason(
        code="limit-angle-unclear",
        text=f"{name}: the limit does not say which angle it means, and the two readings differ",
        evidence=f"{shown} {result.unit} measured; {said}",
        next='Ask whoever set the limit which angle is meant; set angle = "electrical" or "mechanical" in the part '
        "file and judge the run again.",
        spoils=(),
    )


def _ends(limit: Limit) -> str:
    if limit.lower is None or limit.upper is None:
        return f"at least {limit.lower:g}" if limit.lower is not None else f"at most {limit.upper:g}"
    return f"{limit.lower:g} to {limit.upper:g}"


# ---- which conditions ---------------------------------------------------------------------------------------


def _carry(evaluated: Evaluated, limit: Limit, results: Sequence[Result]) -> tuple[Limit, list[str]]:
    """The limit brought to the run's conditions by its own coefficients, and what has none."""
    differs = []
    if limit.revision and limit.revision != evaluated.observed.part.revision:
        differs.append(f"revision {limit.revision}, the part is revision {evaluated.observed.part.revision}")
    for stated, actual, unit, near, coefficient, relative in _conditions(evaluated, limit, results):
        change = actual / stated - 1.0 if relative else actual - stated
        if abs(change) <= near:
            continue
        if coefficient is None:
            differs.append(f"{stated:g} {unit}, the run had {actual:.4g} {unit}")
            continue
        limit = _scale(limit, 1.0 + coefficient * change, f"brought from {stated:g} to {actual:.4g} {unit}")
    return limit, differs


def _conditions(
    evaluated: Evaluated, limit: Limit, results: Sequence[Result]
) -> list[tuple[float, float, str, float, float | None, bool]]:
    """(stated, actual, unit, how near counts as equal, coefficient, relative) of what the limit states."""
    found: list[tuple[float, float, str, float, float | None, bool]] = []
    driven = not limit.measurand.startswith(DIRECT)
    nominal = evaluated.observed.part.excitation
    if driven and limit.frequency_hz is not None:
        hz = value(results, "f_exc_hz") or nominal.frequency_hz
        found.append((limit.frequency_hz, hz, "Hz", FREQUENCY_SHARE, limit.frequency_coefficient, True))
    if driven and limit.level_v_rms is not None:
        volts = value(results, "v_exc_rms") or nominal.level_v_rms
        found.append((limit.level_v_rms, volts, "V rms", LEVEL_SHARE, limit.level_coefficient, True))
    degc = _temperature_degc(evaluated, limit.measurand)
    if limit.temperature_degc is not None and degc is not None:
        near = COPPER_K if limit.measurand.startswith("r20_") else TEMPERATURE_K
        found.append((limit.temperature_degc, degc, "degC", near, limit.coefficient_per_k, False))
    return found


def _temperature_degc(evaluated: Evaluated, id_: str) -> float | None:
    """Where the line's figure holds: resistances are brought to 20 degC, the rest is as the coil was."""
    if id_.startswith("r20_"):
        return 20.0
    found = evaluated.temperature
    return None if found is None else found.degc


def _differs(limit: Limit, differs: Sequence[str]) -> Reason:
    return Reason(
        code="limit-condition-differs",
        text=f"{measurand(limit.measurand).name}: the limit was stated for other conditions and is not compared",
        evidence="stated for " + "; ".join(differs),
        next="Measure at the limit's conditions, or put a coefficient with its source into the part file, and judge "
        "the run again.",
        spoils=(),
    )
