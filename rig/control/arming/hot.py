"""HOT: whether the part is too warm to be touched, by what the run's own meter read last.

Above HOT_DEGC of any coil or of the thermistor "safe to open" is not said; the words here stand in its place. A coil's
temperature is told from the part file's nominal resistance, whose tolerance may be 25 K: it warns and measures
nothing. It never stops a run.
"""

from __future__ import annotations

from collections.abc import Mapping

from rig.errors import UsageError
from rig.resolver import winding
from rig.resolver.part import Part
from rig.resolver.thermistor import temperature_degc

HOT_DEGC = 45.0
THERMISTOR = "thermistor"
COIL_QUANTITIES = ("coil_resistance", "watch_resistance")


def sensor_degc(part: Part, quantity: str, ohm: float | None, coil: str, wires: object) -> tuple[str, float] | None:
    """(which sensor, its temperature) by a reading of ohms; None for one that tells none.

    An open circuit or a bad contact (above what copper can be at), a coil without a nominal value, a two-wire reading
    of a coil (its leads would count as warmth) and a thermistor off its curve tell none.
    """
    if ohm is None or not ohm > 0.0:
        return None
    try:
        if quantity == "thermistor_resistance":
            law = part.thermistor
            return THERMISTOR, temperature_degc(law.kind, ohm, r25_ohm=law.r25_ohm, beta_k=law.beta_k)
        nominal = part.coils.get(coil) if quantity in COIL_QUANTITIES and wires == 4 else None
    except UsageError:
        return None
    degc = winding.HIGH_DEGC + 1.0 if nominal is None else winding.degc_at(ohm, nominal.r20_ohm)
    return (f"{coil} coil", degc) if degc <= winding.HIGH_DEGC else None


def hot_words(latest: Mapping[str, float]) -> str | None:
    """'HOT: the exc coil is at 71 degC' by the latest temperature of each sensor; None where none is above."""
    warm = [(degc, sensor) for sensor, degc in latest.items() if degc > HOT_DEGC]
    if not warm:
        return None
    degc, sensor = max(warm)
    return f"HOT: the {sensor} is at {degc:.0f} degC"
