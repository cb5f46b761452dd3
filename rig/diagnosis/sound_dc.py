"""Soundness of the DC readings: wiring (rig/pins), leads, check resistor, temperature.

It must never know an AC figure. Voltages in V, resistances in ohm.
"""

from __future__ import annotations

from itertools import pairwise

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import R20, middle
from rig.evaluation.temperature import AGREES_K, CoilTemperature
from rig.observed import Observed
from rig.pins.isolation import LIVE, wiring_reasons
from rig.resolver.part import COILS
from rig.result import Reason

ZERO_LIMIT_OHM = {2: 1.0, 4: 0.02}
AIR_DRIFT_K = 1.0
COPPER_GOOD_K = 5.0
COPPER_SPEAKS_K = 6.0


def dc_reasons(inspection: Inspection) -> list[Reason]:
    """Every reason that the DC readings give."""
    obs = inspection.observed
    reasons = wiring_reasons(obs)
    if any(reason.code == LIVE for reason in reasons):
        return reasons
    return reasons + leads(obs) + check_resistor(obs) + temperature(inspection)


# ---- meter and temperature ----------------------------------------------------------------------------------


def leads(obs: Observed) -> list[Reason]:
    """A lead zero that no lead has, or none where two-wire readings need one."""
    for wires, most in ZERO_LIMIT_OHM.items():
        readings = obs.select("lead_zero", wires=wires)
        bad = [r for r in readings if r.overload or r.value is None or abs(r.number()) > most]
        if bad:
            told = "over range" if bad[0].overload else f"{bad[0].number():.4g} ohm"
            return [_leads(f"{wires}-wire zero reads {told}, at most {most} ohm was expected")]
    two_wire = [r for r in obs.select("coil_resistance") if r.conditions.get("wires") == 2]
    if two_wire and not obs.select("lead_zero", wires=2):
        return [_leads("the coils were read with two wires and no lead zero was taken")]
    return []


def _leads(evidence: str) -> Reason:
    return Reason(
        code="leads-not-zeroed",
        text="The meter's leads are not what they should be.",
        evidence=evidence,
        next="Clean and seat the leads, then take the lead zero again.",
        spoils=(*R20, "r20_match"),
    )


def check_resistor(obs: Observed) -> list[Reason]:
    """The bench's own resistor does not read its value."""
    readings = [r for r in obs.select("check_resistor") if r.value is not None or r.overload]
    if not readings:
        return []
    nominal = float(readings[0].conditions.get("nominal_ohm") or obs.bench.switch.check_resistor_ohm)
    values = [r.number() for r in readings if not r.overload]
    found = middle(values) if values else float("inf")
    if abs(found / nominal - 1.0) <= 5e-3:
        return []
    return [
        Reason(
            code="calibration-stale",
            text="The check resistor does not read its value: the meter or its wiring is off.",
            evidence=f"{found:.6g} ohm where {nominal:g} ohm is fitted",
            next="Check the meter against a standard; have it calibrated.",
            spoils=(*R20, "r20_match"),
        )
    ]


def temperature(inspection: Inspection) -> list[Reason]:
    """Part and air not at one temperature, or changing; the copper is the witness for a thermistor gone off."""
    found = inspection.evaluated.temperature
    if found is None:
        return []
    if found.drift_k is not None and abs(found.drift_k) > AIR_DRIFT_K:
        return [_unsettled(f"the air moved by {found.drift_k:+.2f} K during the run")]
    if trend := _trend(inspection.observed):
        return [_unsettled(trend)]
    apart = found.thermistor_minus_air_k
    if apart is None or abs(apart) <= AGREES_K or copper_sides_with_air(inspection, found):
        return []
    told = f"thermistor {apart:+.1f} K against the air; no witness that the copper is at the air's temperature"
    return [_unsettled(told)]


def _trend(obs: Observed) -> str:
    """Repeats of a coil that run away one way, as a temperature rate; "" when they don't."""
    for name in COILS:
        readings = [r for r in obs.select("coil_resistance", coil=name, polarity="+") if r.value is not None]
        if len(readings) < 3:
            continue
        values = [r.number() for r in readings]
        steps = [b / a - 1.0 for a, b in pairwise(values)]
        same_way = all(s > 0 for s in steps) or all(s < 0 for s in steps)
        total = values[-1] / values[0] - 1.0
        if same_way and abs(total) > 2e-4:
            return f"{name} coil moved by {100 * total:+.3f} % over its repeats ({total / 0.00393:+.2f} K)"
    return ""


def copper_kelvin(inspection: Inspection) -> float | None:
    """Temperature that the coils' nominal resistances give (median over the coils), degC; None without nominals."""
    seen = []
    for name, nominal in inspection.observed.part.coils.items():
        found = inspection.evaluated.resistance(name)
        if found is not None and found.ohm is not None:
            seen.append(found.ohm / nominal.r20_ohm * 254.5 - 234.5)
    return middle(seen) if len(seen) >= 2 else None


def copper_sides_with_air(inspection: Inspection, found: CoilTemperature) -> bool:
    """Whether the coils' own resistance stands near the air's temperature and away from the thermistor's.

    One per cent of resistance is 2.5 K and a nominal value is good to two: the copper stands by the air within
    COPPER_GOOD_K of it, and of a difference below COPPER_SPEAKS_K it says nothing.
    """
    copper, apart = copper_kelvin(inspection), found.thermistor_minus_air_k
    if copper is None or apart is None or abs(apart) < COPPER_SPEAKS_K:
        return False
    from_air = copper - found.air_degc
    return abs(from_air) <= COPPER_GOOD_K and abs(from_air - apart) > 2.0 * abs(from_air)


def _unsettled(evidence: str) -> Reason:
    return Reason(
        code="temperature-unsettled",
        text="The part is not at the temperature of the air beside it.",
        evidence=evidence,
        next="Let the part soak in the room until the coil resistance stands still, then run again.",
        spoils=(*R20, "thermistor_minus_coil_degc"),
    )
