"""Hypotheses from the DC figures: open and intermittent coils, contacts, leaks, moisture, thermistor.

It must never know the angle error. A contact adds resistance to one coil and leaves its inductance; a wet part
leaks everywhere at once; the copper is the witness for a thermistor (trade.md 3.3).
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.diagnosis.hypothesis import Hypothesis
from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import result_of, value
from rig.diagnosis.sound_dc import copper_kelvin, copper_sides_with_air
from rig.observed import Observed
from rig.pins.thresholds import OPEN_OHM
from rig.resolver.part import COILS
from rig.result import Result

LEAKS = ("exc_core", "sin_core", "cos_core", "exc_sin", "exc_cos", "sin_cos")
NAMES = {"exc": "excitation", "sin": "sine", "cos": "cosine"}
CONTACT_SHARE = 0.02  # of the coil's resistance, at which a contact is worth a word
SHORT_OHM, SHORT_SHARE = (
    20.0,
    0.01,
)  # a thermistor below either, of its ohms at 25 degC, is no temperature a part stands


def coil_hypotheses(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    """What the DC lines support."""
    return [
        *_open(results),
        *_intermittent(inspection, results),
        *_contact(inspection.observed, results),
        *_leaks(inspection.observed, results),
        *_thermistor(inspection, results),
    ]


def _open(results: Sequence[Result]) -> list[Hypothesis]:
    return [
        Hypothesis(
            code="open-coil",
            weight=0.97,
            text=f"the {NAMES[name]} coil is open",
            evidence=f"{NAMES[name]} coil over range in both polarities; no other pair of pins conducts instead",
            against="an adapter pin that does not touch shows the same",
            next_test="Re-mate the connector and repeat; then measure on the pins themselves, moving the lead.",
        )
        for name in COILS
        if (found := result_of(results, f"r20_{name}")) is not None and found.qualifier == ">"
    ]


def _intermittent(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    return [
        Hypothesis(
            code="intermittent-coil",
            weight=0.97 if one.witnessed and one.opens else 0.8 if one.witnessed else 0.5,
            text=f"the {NAMES[one.coil]} coil has a contact that comes and goes",
            evidence=one.told(),
            against="a lead clamped badly does the same" if one.witnessed else "its resistance is steady",
            next_test=f"anglewright run watch {one.coil} while the lead is moved, the part tapped, warmed and cooled.",
        )
        for one in inspection.loose_contacts.values()
        if one.by_sweep or result_of(results, f"r20_{one.coil}") is not None
    ]


def _expected_ohm(obs: Observed, name: str, results: Sequence[Result]) -> tuple[float, str] | None:
    """What a coil's resistance at 20 degC should be: its sibling's, else the part file's nominal."""
    nominal = {c: n.r20_ohm for c, n in obs.part.coils.items()}
    other = {"sin": "cos", "cos": "sin"}.get(name)
    if other is not None and (sibling := value(results, f"r20_{other}")) is not None:
        scale = nominal[name] / nominal[other] if name in nominal and other in nominal else 1.0
        return sibling * scale, f"the {NAMES[other]} coil"
    if name in nominal:
        return nominal[name], "the nominal value"
    return None


def _contact(obs: Observed, results: Sequence[Result]) -> list[Hypothesis]:
    found = []
    for name in COILS:
        r20, expected = value(results, f"r20_{name}"), _expected_ohm(obs, name, results)
        if r20 is None or expected is None:
            continue
        excess = r20 - expected[0]
        tolerance = obs.part.coils[name].tolerance if name == "exc" and name in obs.part.coils else CONTACT_SHARE
        if excess < tolerance * expected[0] and not _above(obs, f"r20_{name}", r20):
            continue
        inductance = _against_sibling(name, results)
        same = inductance is None or abs(inductance) < 0.03
        found.append(
            Hypothesis(
                code="contact-resistance",
                weight=0.85 if same else 0.4,
                text=f"a contact or joint in the {NAMES[name]} coil's path has resistance",
                evidence=f"{r20:.3f} ohm at 20 degC, {excess:+.3f} ohm against {expected[1]}"
                + ("" if inductance is None else f"; inductance {100 * inductance:+.1f} % against its sibling"),
                against="" if same else "its inductance differs as well",
                next_test="Re-mate, clean the pins, measure four-wire at two currents and on the coil's own joints.",
            )
        )
    return found


def _above(obs: Observed, id_: str, found: float) -> bool:
    limit = obs.part.limit(id_)
    return limit is not None and limit.upper is not None and found > limit.upper


def _against_sibling(name: str, results: Sequence[Result]) -> float | None:
    other = {"sin": "cos", "cos": "sin"}.get(name)
    own = value(results, f"l_{name}")
    sibling = value(results, f"l_{other}") if other else None
    return None if own is None or not sibling else own / sibling - 1.0


def _leaks(obs: Observed, results: Sequence[Result]) -> list[Hypothesis]:
    low: dict[str, float] = {}
    for pair in (*LEAKS, "thermistor"):
        ohm = value(results, f"leak_{pair}")
        limit = obs.part.limit(f"leak_{pair}")
        floor = limit.lower if limit is not None and limit.lower is not None else OPEN_OHM
        if ohm is not None and ohm < floor:
            low[pair] = ohm
    if not low:
        return []
    told = ", ".join(
        f"{pair.replace('_', ' to ')} {ohm:.3g} ohm" for pair, ohm in sorted(low.items(), key=lambda x: x[1])
    )
    found = []
    wet = len(low) >= 4
    if wet:
        found.append(_moisture(told))
    lowest = min(low, key=lambda pair: low[pair])
    core = lowest.endswith("core")
    apart = low[lowest] < 0.5 * sorted(low.values())[1] if len(low) > 1 else True
    between = "coil and core" if core else "the thermistor and the rest" if lowest == "thermistor" else "two coils"
    found.append(
        Hypothesis(
            code="leak-coil-core" if core else "leak-coil-coil",
            weight=0.2 if wet else 0.9 if apart else 0.6,
            text=f"insulation between {between} is damaged",
            evidence=told,
            against="several paths leak alike: moisture does that" if len(low) > 2 else "",
            next_test="Dry the part 4 to 12 h at 60 to 80 degC and repeat; then insulation test on its own station.",
        )
    )
    return found


def _moisture(told: str) -> Hypothesis:
    return Hypothesis(
        code="moisture",
        weight=0.85,
        text="the part is wet or dirty inside",
        evidence=f"all at once: {told}",
        against="",
        next_test="Dry the part 4 to 12 h at 60 to 80 degC, let it cool, then quick_screen under the same "
        "serial: the trend of the leaks is told.",
    )


def _thermistor(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    if inspection.observed.part.thermistor.kind == "none":
        return []
    found = result_of(results, "thermistor_ohm")
    if found is None or found.estimate is None:
        return []
    if found.qualifier == ">":
        told = f"above {found.estimate:.3g} ohm"
        return [_sensor("thermistor-open", 0.97, "the thermistor is open", told)]
    if found.estimate < max(SHORT_OHM, SHORT_SHARE * (inspection.observed.part.thermistor.r25_ohm or 0.0)):
        return [_sensor("thermistor-short", 0.97, "the thermistor is shorted", f"{found.estimate:.3g} ohm")]
    apart = value(results, "thermistor_minus_coil_degc")
    temperature = inspection.evaluated.temperature
    if apart is None or abs(apart) < 2.5 or temperature is None:
        return []
    witness, copper = copper_sides_with_air(inspection, temperature), copper_kelvin(inspection)
    said = (
        "" if copper is None else f"; the coils' resistance says {copper:.1f} degC, the air {temperature.air_degc:.1f}"
    )
    told = f"thermistor {apart:+.1f} K against the coil{said}"
    against = "" if witness else "a part that is not at the air's temperature reads so as well"
    return [_sensor("thermistor-drift", 0.9 if witness else 0.35, "the thermistor is off its curve", told, against)]


def _sensor(code: str, weight: float, text: str, evidence: str, against: str = "") -> Hypothesis:
    return Hypothesis(
        code=code,
        weight=weight,
        text=text,
        evidence=evidence,
        against=against,
        next_test="Read it at two temperatures (room and 20 K warmer) against its curve.",
    )
