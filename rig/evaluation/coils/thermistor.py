"""The part's own thermistor: resistance as found, temperature by its curve, difference from the coil.

It must never correct a coil with it: an indicative curve is a witness, not a reference. Two-wire readings have the
lead zero taken off (the run's own reading, else the holder's statement). Curves: rig/resolver/thermistor.py.
"""

from __future__ import annotations

from dataclasses import dataclass

from rig.errors import UsageError
from rig.evaluation.results import by_scatter, half_width, make_result, specification, standard, times
from rig.observed import Observed
from rig.quantity import Scalar
from rig.resolver import thermistor
from rig.result import Result
from rig.uncertainty.budget import BudgetLine
from rig.uncertainty.coverage import type_a

SHORT_OHM = 20.0
COLDER_WHEN_OPEN = {"ntc": True, "pt1000": False, "silicon": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermometer:
    """ohm: as found, leads taken off; degc: by the curve; slope_k_per_ohm: of the curve there; lines: in ohm."""

    ohm: float
    degc: float
    slope_k_per_ohm: float
    lines: tuple[BudgetLine, ...]


def two_wire_zero(obs: Observed) -> tuple[float, float, str]:
    """Lead resistance of a two-wire reading, its standard uncertainty (ohm), and where it comes from."""
    zeros = obs.numbers("lead_zero", wires=2)
    if zeros:
        mean, u, _ = type_a(zeros) if len(zeros) > 1 else (zeros[0], 0.0, 0.0)
        return mean, max(u, 0.01), "the run's lead zero"
    return obs.holder.lead_ohm, obs.holder.lead_u_ohm, "the holder's statement"


def measured_ohm(obs: Observed) -> tuple[float, tuple[BudgetLine, ...], dict[str, Scalar]] | None:
    """Thermistor resistance (ohm), its budget and conditions; None without a reading in range."""
    readings = [r for r in obs.select("thermistor_resistance") if not r.overload and r.value is not None]
    if not readings:
        return None
    values = [r.number() for r in readings]
    wires = int(float(readings[-1].conditions.get("wires") or 2))
    lead, u_lead, source = two_wire_zero(obs) if wires == 2 else (0.0, 0.0, "four wires")
    ohm = sum(values) / len(values) - lead
    range_ohm = readings[-1].conditions.get("range_ohm")
    full = float(range_ohm) if isinstance(range_ohm, int | float) else None
    spec = specification(obs.bench.multimeter, "resistance", ohm, full, "ohm", "multimeter specification")
    lines = [spec or half_width("multimeter, not specified", 1e-3 * ohm, "ohm")]
    if wires == 2:
        lines.append(standard("lead resistance", u_lead, "ohm", note=source))
    if len(values) > 2:
        _, u, dof = type_a(values)
        lines.append(by_scatter("repeatability", u, "ohm", dof))
    return ohm, tuple(lines), {"wires": wires, "readings": len(values)}


def read_thermistor(obs: Observed) -> Thermometer | None:
    """The thermistor as a thermometer; None when it was not read, is out of range, or has no curve."""
    nominal = obs.part.thermistor
    found = measured_ohm(obs)
    if nominal.kind == "none" or found is None or found[0] <= 0.0:
        return None
    ohm, lines, _ = found
    step = max(1e-3 * ohm, 1e-6)
    try:
        low, here, high = (
            thermistor.temperature_degc(nominal.kind, r, r25_ohm=nominal.r25_ohm, beta_k=nominal.beta_k)
            for r in (ohm - step, ohm, ohm + step)
        )
    except (UsageError, ValueError):
        return None
    return Thermometer(ohm=ohm, degc=here, slope_k_per_ohm=(high - low) / (2.0 * step), lines=lines)


def thermistor_results(obs: Observed, coil_degc: float | None, coil_lines: tuple[BudgetLine, ...]) -> list[Result]:
    """thermistor_ohm, thermistor_degc and thermistor_minus_coil_degc, as far as the readings and the curve allow."""
    if obs.part.thermistor.kind == "none" or not obs.select("thermistor_resistance"):
        return []
    found = measured_ohm(obs)
    if found is None:
        top = _range_end(obs)
        return [
            make_result("thermistor_ohm", top, [], {"range_ohm": top}, qualifier=">", note="over range: open"),
            *_bounds(obs, top, coil_degc),
        ]
    ohm, lines, conditions = found
    results = [make_result("thermistor_ohm", ohm, lines, conditions)]
    thermometer = read_thermistor(obs)
    if thermometer is None:
        return results + (_bounds(obs, max(ohm, 1e-3), coil_degc) if ohm < SHORT_OHM else [])
    in_kelvin = [times(line, thermometer.slope_k_per_ohm) for line in lines]
    in_kelvin.append(half_width("thermistor curve", 0.1, "K", note=obs.part.thermistor.source))
    low, high = obs.part.thermistor.beta_range_degc
    inside = low <= thermometer.degc <= high
    note = "" if inside else f"outside the range of its curve, {low:g} to {high:g} degC"
    results.append(make_result("thermistor_degc", thermometer.degc, in_kelvin, conditions, note=note))
    if coil_degc is not None:
        lines_k = [*in_kelvin, *coil_lines]
        results.append(
            make_result("thermistor_minus_coil_degc", thermometer.degc - coil_degc, lines_k, conditions, note=note)
        )
    return results


def _range_end(obs: Observed) -> float:
    ranges = [r.conditions.get("range_ohm") for r in obs.select("thermistor_resistance")]
    return max((float(r) for r in ranges if isinstance(r, int | float)), default=100e6)


def _bounds(obs: Observed, ohm: float, coil_degc: float | None) -> list[Result]:
    """An open or shorted thermistor as a temperature: beyond what the curve gives there, or at its very end."""
    nominal = obs.part.thermistor
    if nominal.kind not in COLDER_WHEN_OPEN:
        return []
    is_open = ohm >= SHORT_OHM
    colder = COLDER_WHEN_OPEN[nominal.kind] == is_open
    try:
        bound = thermistor.temperature_degc(nominal.kind, ohm, r25_ohm=nominal.r25_ohm, beta_k=nominal.beta_k)
    except UsageError:
        bound = -60.0 if colder else 200.0
    sign, note = "<" if colder else ">", "open" if is_open else "shorted"
    results = [make_result("thermistor_degc", bound, [], {}, qualifier=sign, note=note)]
    if coil_degc is not None:
        difference = bound - coil_degc
        results.append(make_result("thermistor_minus_coil_degc", difference, [], {}, qualifier=sign, note=note))
    return results
