"""Coil resistances at 20 degC and how well the sine and the cosine coil match.

It must never know how a reading was made. r20: mean of both polarities, four-wire (two-wire where the meter has no
more), lead zero taken off, copper constant 234.5 (rig/resolver/winding.py, IEC 60228). The match is a ratio of two
coils on one stator read by one meter: temperature and meter gain are common and cancel. An open coil is ">" the end of
the range.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rig.evaluation.coils.temperature import CoilTemperature
from rig.evaluation.results import by_scatter, half_width, half_width_of, make_result, make_untested, standard, times
from rig.observed import Observed
from rig.quantity import Reading, Scalar
from rig.resolver.part import COILS
from rig.resolver.winding import COPPER_CONSTANT_DEGC, r_at
from rig.result import Result
from rig.uncertainty.budget import BudgetLine
from rig.uncertainty.coverage import type_a

EMF_OHM = 5e-3  # half-width: 5 uV at 1 mA, of one polarity
CONTACT_OHM = 0.05  # half-width: what two clips differ from one time to the next
LINEARITY = 0.2  # share of the reading term that two readings of one range do not have in common


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilResistance:
    """One coil as measured: ohm at its own temperature, leads taken off, None over range. lines: influences in ohm.

    range_ohm: end of the range in use; repeats: readings of the polarity that has fewer;
    intermittent: some, not all, were over range.
    """

    coil: str
    ohm: float | None
    lines: tuple[BudgetLine, ...] = ()
    range_ohm: float | None = None
    repeats: int = 0
    wires: int = 4
    intermittent: bool = False


def coil_resistance(obs: Observed, coil: str) -> CoilResistance | None:
    """The four-wire resistance of a coil at its own temperature; None when it was not read."""
    readings = obs.select("coil_resistance", coil=coil)
    if not readings:
        return None
    range_ohm = _range(readings)
    inside = [r for r in readings if not r.overload and r.value is not None]
    if not inside:
        return CoilResistance(coil=coil, ohm=None, range_ohm=range_ohm)
    plus = [r.number() for r in inside if r.conditions.get("polarity", "+") == "+"]
    minus = [r.number() for r in inside if r.conditions.get("polarity") == "-"]
    sides = [side for side in (plus, minus) if side]
    raw = sum(sum(side) / len(side) for side in sides) / len(sides)
    half = abs(sum(plus) / len(plus) - sum(minus) / len(minus)) / 2.0 if plus and minus else 0.0
    wires = _wires(inside)
    zeros = obs.numbers("lead_zero", wires=wires)
    zero = sum(zeros) / len(zeros) if zeros else 0.0
    lines = _lines(obs, raw, range_ohm, sides, half, bool(minus), zeros)
    if not all(r.conditions.get("offset_compensation") for r in inside) and zeros:
        lines.append(half_width("thermal EMF in the lead zero, one polarity", EMF_OHM, "ohm"))
    if wires == 2:
        zero += obs.holder.lead_ohm
        lines.append(standard("two-wire: adapter's leads", obs.holder.lead_u_ohm, "ohm", note="holder file"))
        lines.append(half_width("two-wire: contacts", CONTACT_OHM, "ohm"))
    return CoilResistance(
        coil=coil,
        ohm=raw - zero,
        lines=tuple(lines),
        range_ohm=range_ohm,
        repeats=min(len(side) for side in sides),
        wires=wires,
        intermittent=len(inside) < len(readings),
    )


def _wires(readings: list[Reading]) -> int:
    """4 where every reading had its own sense leads, else 2."""
    return 4 if all(reading.conditions.get("wires", 4) == 4 for reading in readings) else 2


def _range(readings: list[Reading]) -> float | None:
    ranges = [r.conditions.get("range_ohm") for r in readings]
    numbers = [float(r) for r in ranges if isinstance(r, int | float)]
    return max(numbers) if numbers else None


def _lines(
    obs: Observed,
    raw: float,
    range_ohm: float | None,
    sides: list[list[float]],
    half: float,
    reversed_too: bool,
    zeros: list[float],
) -> list[BudgetLine]:
    lines = _meter(obs, raw, range_ohm, bool(zeros))
    pooled = [value - sum(side) / len(side) for side in sides for value in side]
    dof = len(pooled) - len(sides)
    if dof > 0:
        scatter = (sum(p * p for p in pooled) / dof) ** 0.5
        lines.append(by_scatter("repeatability", scatter / len(pooled) ** 0.5, "ohm", float(dof)))
    if reversed_too:
        lines.append(half_width("thermal EMF left after both polarities", 0.1 * half, "ohm"))
    else:
        lines.append(half_width("thermal EMF, one polarity only", EMF_OHM, "ohm"))
    if zeros:
        u_zero = type_a(zeros)[1] if len(zeros) > 1 else 0.0
        lines.append(standard("four-wire lead zero", max(u_zero, 1e-4), "ohm"))
    else:
        lines.append(half_width("leads not zeroed", 5e-3, "ohm"))
    return lines


def _meter(obs: Observed, raw: float, range_ohm: float | None, zeroed: bool) -> list[BudgetLine]:
    """The meter's specification: of a zero in the same range only what the two readings do not have in common."""
    spec = obs.bench.multimeter.spec_of("resistance", range_ohm)
    if spec is None:
        return [half_width("multimeter, not specified", 1e-3 * raw, "ohm", note="the bench file states nothing")]
    if not zeroed:
        return [half_width_of(spec, raw, range_ohm, "ohm", "multimeter specification")]
    full = spec.percent_range / 100.0 * float((spec.range if range_ohm is None else range_ohm) or 0.0)
    apart = LINEARITY * math.sqrt(2.0) * full
    return [
        half_width_of(spec, raw, 0.0, "ohm", "multimeter, of the reading"),
        half_width("multimeter, of the range, not common with the lead zero", apart, "ohm", note="bench file"),
    ]


def coil_results(
    obs: Observed, found: Mapping[str, CoilResistance | None], temperature: CoilTemperature | None
) -> list[Result]:
    """r20_exc, r20_sin, r20_cos and r20_match. found: coil -> its resistance, None where it was not read."""
    results = [_r20(coil, found[coil], temperature) for coil in COILS]
    sine, cosine = found["sin"], found["cos"]
    if sine and cosine and sine.ohm and cosine.ohm:
        results.append(_match(obs, sine, cosine))
    else:
        results.append(make_untested("r20_match", "one of the two coils has no resistance in range"))
    return results


def _r20(coil: str, found: CoilResistance | None, temperature: CoilTemperature | None) -> Result:
    id_ = f"r20_{coil}"
    if found is None:
        return make_untested(id_, "not read in this run")
    if found.ohm is None:
        end = found.range_ohm or 100e6
        return make_result(id_, end, [], {"range_ohm": end}, qualifier=">", note="over range: open")
    if temperature is None:
        return make_untested(id_, "no temperature was read, so nothing can be referred to 20 degC")
    r20 = float(r_at(found.ohm, temperature.degc))
    to_20 = r20 / found.ohm
    slope = r20 / (COPPER_CONSTANT_DEGC + temperature.degc)
    lines = [times(line, to_20) for line in found.lines] + [times(line, slope) for line in temperature.lines]
    conditions: dict[str, Scalar] = {
        "as_measured_ohm": found.ohm,
        "coil_degc": temperature.degc,
        "reference_degc": 20.0,
        "copper_constant": COPPER_CONSTANT_DEGC,
        "wires": found.wires,
        "repeats": found.repeats,
    }
    return make_result(id_, r20, lines, conditions)


def _match(obs: Observed, sine: CoilResistance, cosine: CoilResistance) -> Result:
    rs, rc = float(sine.ohm or 0.0), float(cosine.ohm or 0.0)
    lines: list[BudgetLine] = []
    for name, coil, slope in (("sine", sine, 1.0 / rc), ("cosine", cosine, rs / rc**2)):
        lines += [times(line, slope, f"{name}: {line.influence}") for line in coil.lines if line.kind == "A"]
        lines += [
            times(line, slope, f"{name}: {line.influence}")
            for line in coil.lines
            if line.influence.startswith(("thermal EMF", "two-wire: contacts"))
        ]
    spec = obs.bench.multimeter.spec_of("resistance", sine.range_ohm)
    reading, full = (spec.percent_reading, spec.percent_range) if spec else (0.1, 0.0)
    offset = full / 100.0 * (sine.range_ohm or rs)
    apart = LINEARITY * math.sqrt(2.0) * (reading / 100.0 * rs + offset) / rc
    lines.append(half_width("meter, not in common", apart, "ratio", note="bench file"))
    lines.append(half_width("meter offset in common", offset * abs(1.0 / rc - rs / rc**2), "ratio"))
    note = "temperature and meter gain are common to both coils and cancel"
    return make_result("r20_match", rs / rc - 1.0, lines, {"wires": min(sine.wires, cosine.wires)}, note=note)
