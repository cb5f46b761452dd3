"""Judged lines in the units that a shop prints: degrees Celsius or Fahrenheit, minutes of arc or degrees.

Pure. What is kept, what the JSON carries and what is decided stays in the measurand's own unit; here the same line is
only written otherwise, limit, U and budget with it, so that its verdict can't change. deg = arcmin / 60;
degF = 1.8 degC + 32; a difference of 1 K is 1.8 degF.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from rig.certificate.words.wording import find_measurand, number
from rig.quantity import Scalar
from rig.result import Judged, Result

ARCMIN_TO_DEG, KELVIN_TO_DEGF, ZERO_DEGF = 1.0 / 60.0, 1.8, 32.0


@dataclass(frozen=True, slots=True)
class Units:
    """temperature: "degC" or "degF"; angle: "arcmin" (small angles as minutes of arc) or "deg"."""

    temperature: str = "degC"
    angle: str = "arcmin"

    def change(self, unit: str) -> tuple[float, float, str]:
        """(factor, offset, new unit): written = factor x value + offset."""
        if unit == "arcmin" and self.angle == "deg":
            return ARCMIN_TO_DEG, 0.0, "deg"
        if unit in ("degC", "K") and self.temperature == "degF":
            return KELVIN_TO_DEGF, ZERO_DEGF if unit == "degC" else 0.0, "degF"
        return 1.0, 0.0, unit

    def degrees(self, degc: float, digits: int = 4) -> str:
        """A temperature in words."""
        factor, offset, unit = self.change("degC")
        return f"{number(factor * degc + offset, digits)} {'°F' if unit == 'degF' else '°C'}"


def in_units(line: Judged, units: Units) -> Judged:
    """The line in the wanted units; the same object where nothing changes."""
    own = find_measurand(line.measurand).unit
    factor, offset, unit = units.change(own)
    if unit == own:
        return line if units.temperature == "degC" else _with_coil_temperature(line, units)

    def change(value: float | None) -> float | None:
        return None if value is None else factor * value + offset

    limit = line.limit and replace(line.limit, lower=change(line.limit.lower), upper=change(line.limit.upper))
    r = line.result or Result(measurand=line.measurand, estimate=None, unit=own, u=None, k=None, dof=None)
    budget = tuple(replace(row, sensitivity=row.sensitivity * factor) for row in r.budget)
    result = replace(
        r,
        estimate=change(r.estimate),
        u=None if r.u is None else r.u * factor,
        unit=unit,
        budget=budget,
    )
    return replace(line, limit=limit, result=result)


def _with_coil_temperature(line: Judged, units: Units) -> Judged:
    """A resistance keeps its unit; the coil's temperature among its conditions is written in words."""
    degc = line.result.conditions.get("coil_degc") if line.result else None
    if line.result is None or not isinstance(degc, int | float):
        return line
    conditions: Mapping[str, Scalar] = {**line.result.conditions, "coil_degc": units.degrees(degc)}
    return replace(line, result=replace(line.result, conditions=conditions))
