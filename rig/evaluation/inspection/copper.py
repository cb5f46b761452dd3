"""The copper as a thermometer: the coils' own resistances as a witness between the air and the thermistor.

It must never give a reason or a hypothesis: soundness and findings both ask it.
"""

from __future__ import annotations

from rig.evaluation.coils.temperature import CoilTemperature
from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.lines import middle
from rig.evaluation.inspection.thresholds import COPPER_APART, COPPER_GOOD_K, COPPER_SPEAKS_K
from rig.resolver.winding import degc_at


def copper_kelvin(evaluated: Evaluated) -> float | None:
    """Temperature that the coils' nominal resistances give (median over the coils), degC; None without nominals."""
    seen = []
    for name, nominal in evaluated.observed.part.coils.items():
        found = evaluated.resistance(name)
        if found is not None and found.ohm is not None:
            seen.append(degc_at(found.ohm, nominal.r20_ohm))
    return middle(seen) if seen[1:] else None


def copper_sides_with_air(evaluated: Evaluated, found: CoilTemperature) -> bool:
    """Whether the coils' own resistance stands near the air's temperature and away from the thermistor's.

    One per cent of resistance is 2.5 K and a nominal value is good to two: the copper stands by the air within
    COPPER_GOOD_K of it, and of a difference below COPPER_SPEAKS_K it says nothing.
    """
    copper, apart = copper_kelvin(evaluated), found.thermistor_minus_air_k
    if copper is None or apart is None or abs(apart) < COPPER_SPEAKS_K:
        return False
    from_air = copper - found.air_degc
    return abs(from_air) <= COPPER_GOOD_K and abs(from_air - apart) > COPPER_APART * abs(from_air)
