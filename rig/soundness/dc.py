"""Soundness of the DC readings: leads and temperature.

It must never know an AC figure. Resistances in ohm, temperatures in degC, differences in K.
"""

from __future__ import annotations

from itertools import pairwise

from rig.evaluation.coils.temperature import AGREES_K
from rig.evaluation.inspection.copper import copper_sides_with_air
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.thresholds import AIR_DRIFT_K, FEWEST_REPEATS, LEAD_ZERO_OHM, TREND_SHARE
from rig.observed import Observed
from rig.resolver.part import COILS
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule


def leads(inspection: Inspection) -> list[Evidence]:
    """A lead zero that no lead has, or none where two-wire readings need one."""
    obs = inspection.observed
    for wires, most in LEAD_ZERO_OHM.items():
        readings = obs.select("lead_zero", wires=wires)
        bad = [r for r in readings if r.overload or r.value is None or abs(r.number()) > most]
        if bad:
            told = "over range" if bad[0].overload else f"{bad[0].number():.4g} ohm"
            return [Evidence(figures=f"{wires}-wire zero reads {told}, at most {most} ohm was expected")]
    two_wire = [r for r in obs.select("coil_resistance") if r.conditions.get("wires") == 2]
    if two_wire and not obs.select("lead_zero", wires=2):
        return [Evidence(figures="the coils were read with two wires and no lead zero was taken")]
    return []


def temperature(inspection: Inspection) -> list[Evidence]:
    """Part and air not at one temperature, or changing; the copper is the witness for a thermistor gone off."""
    found = inspection.evaluated.temperature
    if found is None:
        return []
    if found.drift_k is not None and abs(found.drift_k) > AIR_DRIFT_K:
        return [Evidence(figures=f"the air moved by {found.drift_k:+.2f} K during the run")]
    if trend := _trend(inspection.observed):
        return [Evidence(figures=trend)]
    apart = found.thermistor_minus_air_k
    if apart is None or abs(apart) <= AGREES_K or copper_sides_with_air(inspection.evaluated, found):
        return []
    figures = f"thermistor {apart:+.1f} K against the air; no witness that the copper is at the air's temperature"
    return [Evidence(figures=figures)]


def _trend(obs: Observed) -> str:
    """Repeats of a coil that run away one way, as a temperature rate; "" when they don't."""
    for name in COILS:
        readings = [r for r in obs.select("coil_resistance", coil=name, polarity="+") if r.value is not None]
        if len(readings) < FEWEST_REPEATS:
            continue
        values = [r.number() for r in readings]
        steps = [b / a - 1.0 for a, b in pairwise(values)]
        same_way = all(s > 0 for s in steps) or all(s < 0 for s in steps)
        total = values[-1] / values[0] - 1.0
        if same_way and abs(total) > TREND_SHARE:
            return f"{name} coil moved by {100 * total:+.3f} % over its repeats ({total / 0.00393:+.2f} K)"
    return ""


RULES = (
    Rule(
        code="leads-not-zeroed",
        looks_at="the lead zero, two-wire and four-wire",
        check=leads,
        text="The meter's leads are not what they should be.",
        next="Clean and seat the leads, then take the lead zero again.",
        spoils=scopes.resistances,
        blocked_by=("live-circuit",),
    ),
    Rule(
        code="temperature-unsettled",
        looks_at="air before and after, repeats of a coil, thermistor against air with the copper as the witness",
        check=temperature,
        text="The part is not at the temperature of the air beside it.",
        next="Let the part soak in the room until the coil resistance stands still, then run again.",
        spoils=scopes.temperatures,
        caused_by=("leads-not-zeroed",),
        blocked_by=("live-circuit",),
    ),
)
