"""Soundness of the DC readings: live circuits, pin map, leads, check resistor, temperature; may the part be excited?

It must never know an AC figure. Voltages in V, resistances in ohm. A pin map that doesn't fit is told from an open coil
by the pairs that conduct unexpectedly: an open coil closes no other pair (trade.md 4.1).
"""

from __future__ import annotations

from itertools import pairwise

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import EVERYTHING, R20, is_open, middle
from rig.evaluation.temperature import AGREES_K, CoilTemperature
from rig.observed import Observed
from rig.resolver.part import COILS
from rig.result import Reason

LIVE_V = 0.05
CLOSED_OHM = 1e3  # below: a winding
LEAST_OHM = 0.5  # a coil below is a short
LEAST_LEAK_OHM = 1e4  # a leak to the core or between coils below: nothing is driven
ZERO_LIMIT_OHM = {2: 1.0, 4: 0.02}
AIR_DRIFT_K = 1.0
COPPER_GOOD_K = 5.0
COPPER_SPEAKS_K = 6.0

Pair = frozenset[str]


def dc_reasons(inspection: Inspection) -> list[Reason]:
    """Every reason that the DC readings give."""
    obs = inspection.observed
    reasons = live_circuit(obs)
    if reasons:
        return reasons
    reasons = pin_map(obs)
    return reasons + leads(obs) + check_resistor(obs) + temperature(inspection)


def forbids_excitation(inspection: Inspection) -> list[Reason]:
    """Reasons not to excite: a live circuit, a pin map that doesn't fit, and, once all DC steps are done, an open or
    shorted excitation coil or a very low leak (those are the part's: they end the run, and spoil nothing)."""
    obs = inspection.observed
    reasons = live_circuit(obs) + pin_map(obs)
    if reasons or not obs.select("leak_resistance"):
        return reasons
    exc = inspection.evaluated.resistance("exc")
    if is_open(inspection.evaluated, "exc"):
        return [_forbidden("The excitation coil is open: there is nothing to excite.", "four-wire reading over range")]
    if exc is not None and exc.ohm is not None and exc.ohm < LEAST_OHM:
        return [_forbidden("The excitation coil is a short.", f"{exc.ohm:.3g} ohm")]
    for reading in obs.select("leak_resistance"):
        ends = {str(reading.conditions.get("from")), str(reading.conditions.get("to"))}
        if not reading.overload and reading.value is not None and reading.number() < LEAST_LEAK_OHM and "exc" in ends:
            told = f"{reading.number():.4g} ohm from {' to '.join(sorted(ends))}"
            return [_forbidden("The excitation coil leaks too much to be driven.", told)]
    return []


def _forbidden(text: str, evidence: str) -> Reason:
    return Reason(
        code="excitation-forbidden",
        text=text,
        evidence=evidence,
        next="See the failed lines; nothing that needs the excitation was measured.",
        spoils=(),
        witness="DC resistance",
    )


def live_circuit(obs: Observed) -> list[Reason]:
    """A voltage on a pin before anything was switched on."""
    found = [
        (abs(r.number()), r)
        for quantity in ("pin_voltage_dc", "pin_voltage_ac")
        for r in obs.select(quantity)
        if r.value is not None
    ]
    over = [r for quantity in ("pin_voltage_dc", "pin_voltage_ac") for r in obs.select(quantity) if r.overload]
    worst = max(found, key=lambda pair: pair[0], default=None)
    if not over and (worst is None or worst[0] <= LIVE_V):
        return []
    reading = over[0] if over else worst[1] if worst else None
    size = "over range" if over else f"{worst[0]:.3g} V" if worst else ""
    pins = f"{reading.conditions.get('pin_a')} to {reading.conditions.get('pin_b')}" if reading else ""
    kind = "AC" if reading and reading.quantity.endswith("ac") else "DC"
    return [
        Reason(
            code="live-circuit",
            text="There is voltage on the part before the rig has switched anything on.",
            evidence=f"{size} {kind} between pins {pins}; {LIVE_V} V is the most that is let by",
            next="Unplug the part from whatever feeds it; test removed parts only.",
            spoils=EVERYTHING,
        )
    ]


# ---- pin map ------------------------------------------------------------------------------------------------


def measured_pairs(obs: Observed) -> dict[Pair, float]:
    """Lowest resistance seen between two pins, either polarity; infinite where over range."""
    pairs: dict[Pair, float] = {}
    for reading in obs.select("pair_resistance"):
        pair = frozenset((str(reading.conditions.get("pin_a")), str(reading.conditions.get("pin_b"))))
        ohm = float("inf") if reading.overload or reading.value is None else abs(reading.number())
        pairs[pair] = min(pairs.get(pair, float("inf")), ohm)
    return pairs


def expected_pairs(obs: Observed) -> dict[str, Pair]:
    """Coil -> its two pins by the part file, as far as they are named."""
    pins = obs.part.pins
    return {c: frozenset((pins[f"{c}_hi"], pins[f"{c}_lo"])) for c in COILS if f"{c}_hi" in pins and f"{c}_lo" in pins}


def pin_map(obs: Observed) -> list[Reason]:
    """Coils that stand on other pins than the part file says."""
    pairs = measured_pairs(obs)
    wanted = {c: pair for c, pair in expected_pairs(obs).items() if pair in pairs}
    if not wanted:
        return []
    missing = [c for c, pair in wanted.items() if pairs[pair] >= CLOSED_OHM]
    odd = [
        p
        for p, ohm in pairs.items()
        if ohm < CLOSED_OHM and p not in wanted.values() and not _thermistor_pair(obs, p) and "core" not in p
    ]
    if not missing:
        return _values_swapped(obs, pairs, wanted)
    if sensor := _thermistor_crossed(obs, pairs):
        odd = [*odd, sensor]
    if not odd and len(missing) < 2:
        return []
    return _mismatch(pairs, wanted, missing, odd)


def _thermistor_pair(obs: Observed, pair: Pair) -> bool:
    pins = obs.part.pins
    return pair == frozenset((pins.get("thermistor_hi", ""), pins.get("thermistor_lo", "")))


def _thermistor_crossed(obs: Observed, pairs: dict[Pair, float]) -> Pair | None:
    """The thermistor's pins when they conduct like a coil, and a thermistor of this kind never does."""
    if obs.part.thermistor.kind not in ("ntc", "pt1000", "silicon"):
        return None
    pair = frozenset((obs.part.pins.get("thermistor_hi", ""), obs.part.pins.get("thermistor_lo", "")))
    ohm = pairs.get(pair, float("inf"))
    nominal = [n.r20_ohm for n in obs.part.coils.values()]
    return pair if nominal and 0.5 * min(nominal) < ohm < 2.0 * max(nominal) else None


def _mismatch(pairs: dict[Pair, float], wanted: dict[str, Pair], missing: list[str], odd: list[Pair]) -> list[Reason]:
    told = ", ".join(f"{'-'.join(sorted(p))} {pairs[p]:.3g} ohm" for p in sorted(odd, key=sorted))
    lost = ", ".join(f"{c} on {'-'.join(sorted(wanted[c]))}" for c in missing)
    evidence = f"open where a coil should be: {lost}; conducting where none should be: {told or 'not looked at'}"
    reasons = [
        Reason(
            code="pin-map-mismatch",
            text="The coils are not on the pins that the part file says.",
            evidence=evidence,
            next="Check adapter and part number, or find the pin map from the resistance table and save it as a draft.",
            spoils=EVERYTHING,
        )
    ]
    if len(missing) == len(wanted):
        reasons.append(
            Reason(
                code="wrong-adapter",
                text="No coil is where it should be: this looks like another part's adapter.",
                evidence=evidence,
                next="Fit the adapter that belongs to this part number.",
                spoils=EVERYTHING,
            )
        )
    return reasons


def _values_swapped(obs: Observed, pairs: dict[Pair, float], wanted: dict[str, Pair]) -> list[Reason]:
    """All pairs conduct, but a coil's value stands on another's pins."""
    nominal = {c: n.r20_ohm for c, n in obs.part.coils.items() if c in wanted}
    if len(nominal) < 3:
        return []
    tolerance = {c: obs.part.coils[c].tolerance for c in nominal}
    ohm = {c: pairs[wanted[c]] - obs.holder.lead_ohm for c in nominal}
    off = [c for c in nominal if abs(ohm[c] / nominal[c] - 1.0) > tolerance[c]]
    if len(off) < 2:
        return []
    for a in off:
        for b in off:
            crossed = abs(ohm[a] / nominal[b] - 1.0) <= tolerance[b] and abs(ohm[b] / nominal[a] - 1.0) <= tolerance[a]
            if a < b and crossed:
                return [
                    Reason(
                        code="pin-map-mismatch",
                        text=f"The {a} and the {b} coil stand on each other's pins.",
                        evidence=f"{a} pins {ohm[a]:.3g} ohm (nominal {nominal[a]:.3g}), "
                        f"{b} pins {ohm[b]:.3g} ohm (nominal {nominal[b]:.3g})",
                        next="Check adapter, part number and pin map.",
                        spoils=EVERYTHING,
                    )
                ]
    return []


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
