"""Temperatures of the simulated part and the curve of its thermistor; bench time is an argument.

It must never know an instrument; it is written apart from rig/resolver/thermistor.py, so that the two check each
other. Sources: IEC 60751 for pt1000; the beta law for ntc; ptc and silicon as rounded shapes of those families
(ptc: a trip element at 120 degC; silicon: 0.79 % per kelvin with a slight bend).
"""

from __future__ import annotations

import math

from drivers.simulated.worldfile.keys import ClimateWorld
from drivers.simulated.worldfile.part import PartWorld

KELVIN = 273.15
LOWEST_DEGC, HIGHEST_DEGC = -60.0, 220.0


class PartThermal:
    """The part's temperature: it approaches the air's with a time constant; no time constant, no change."""

    def __init__(self, climate: ClimateWorld) -> None:
        self._climate = climate

    def degc(self, t_s: float) -> float:
        """Part temperature at a bench time."""
        c = self._climate
        if not c.part_settle_min:
            return c.part_degc
        return c.ambient_degc + (c.part_degc - c.ambient_degc) * math.exp(-t_s / (60 * c.part_settle_min))


def thermistor_ohm(part: PartWorld, part_degc: float) -> float | None:
    """Resistance at a part temperature, the fault's offset included; None where there is no thermistor."""
    if part.thermistor.kind == "none":
        return None
    return curve_ohm(part, part_degc + part.faults.thermistor_offset_degc)


def curve_ohm(part: PartWorld, degc: float) -> float:
    """The thermistor's own curve."""
    stated = part.thermistor
    if stated.kind == "ntc":
        return stated.r25_ohm * math.exp(stated.beta_k * (1 / (degc + KELVIN) - 1 / (25 + KELVIN)))
    if stated.kind == "pt1000":
        below = -4.183e-12 * (degc - 100) * degc**3 if degc < 0 else 0.0
        return 1000 * (1 + 3.9083e-3 * degc - 5.775e-7 * degc**2 + below)
    if stated.kind == "silicon":
        return stated.r25_ohm * (1 + 7.88e-3 * (degc - 25) + 1.94e-5 * (degc - 25) ** 2)
    return stated.r25_ohm * (1 + 0.002 * (degc - 25) + math.exp((degc - 105.0) / 4.5))


def thermistor_degc(part: PartWorld, ohm: float) -> float:
    """Temperature by the curve, by bisection between -60 and 220 degC."""
    low, high = LOWEST_DEGC, HIGHEST_DEGC
    rising = curve_ohm(part, high) > curve_ohm(part, low)
    for _ in range(60):
        middle = (low + high) / 2
        if (curve_ohm(part, middle) < ohm) == rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2
