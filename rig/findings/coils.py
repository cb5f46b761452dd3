"""Patterns in the DC figures: open and intermittent coils, contacts, leaks, moisture, thermistor.

It must never know the angle error. A contact adds resistance to one coil and leaves its inductance; a wet part
leaks everywhere at once; the copper is the witness for a thermistor.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.evaluation.inspection.copper import copper_kelvin, copper_sides_with_air
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import COIL_NAMES, R20, result_of, value
from rig.evaluation.inspection.thresholds import (
    ALIKE_LEAKS,
    CONTACT_INDUCTANCE,
    CONTACT_SHARE,
    ONE_LEAK_SHARE,
    OPEN_OHM,
    THERMISTOR_APART_K,
    THERMISTOR_SHORT_OHM,
    THERMISTOR_SHORT_SHARE,
    WET_LEAKS,
)
from rig.findings.pattern import Pattern, Sign
from rig.observed import Observed
from rig.resolver.part import COILS
from rig.result import Result

LEAKS = ("exc_core", "sin_core", "cos_core", "exc_sin", "exc_cos", "sin_cos")
BETWEEN_COILS = ("leak_exc_sin", "leak_exc_cos", "leak_sin_cos")
TO_CORE = ("leak_exc_core", "leak_sin_core", "leak_cos_core")
Results = Sequence[Result]


def open_coil(_inspection: Inspection, results: Results) -> list[Sign]:
    """A coil over range."""
    return [
        Sign(
            weight=0.97,
            name=COIL_NAMES[name],
            evidence=f"{COIL_NAMES[name]} coil over range in both polarities; no other pair of pins conducts instead",
            against="an adapter pin that does not touch shows the same",
        )
        for name in COILS
        if (found := result_of(results, f"r20_{name}")) is not None and found.qualifier == ">"
    ]


def intermittent(inspection: Inspection, results: Results) -> list[Sign]:
    """A coil whose contact comes and goes."""
    return [
        Sign(
            weight=0.97 if one.has_own_evidence and one.opens else 0.8 if one.has_own_evidence else 0.5,
            name=COIL_NAMES[one.coil],
            evidence=one.sentence(),
            against="a lead clamped badly does the same" if one.has_own_evidence else "its resistance is steady",
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
        return sibling * scale, f"the {COIL_NAMES[other]} coil"
    if name in nominal:
        return nominal[name], "the nominal value"
    return None


def contact(inspection: Inspection, results: Results) -> list[Sign]:
    """Resistance in one coil's path that its inductance does not show."""
    obs = inspection.observed
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
        same = inductance is None or abs(inductance) < CONTACT_INDUCTANCE
        told = "" if inductance is None else f"; inductance {100 * inductance:+.1f} % against its sibling"
        found.append(
            Sign(
                weight=0.85 if same else 0.4,
                name=COIL_NAMES[name],
                evidence=f"{r20:.3f} ohm at 20 degC, {excess:+.3f} ohm against {expected[1]}{told}",
                against="" if same else "its inductance differs as well",
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


def _low_leaks(inspection: Inspection, results: Results) -> dict[str, float]:
    """Path -> ohm of the leaks that lie below their floor."""
    low: dict[str, float] = {}
    for pair in (*LEAKS, "thermistor"):
        ohm = value(results, f"leak_{pair}")
        limit = inspection.observed.part.limit(f"leak_{pair}")
        floor = limit.lower if limit is not None and limit.lower is not None else OPEN_OHM
        if ohm is not None and ohm < floor:
            low[pair] = ohm
    return low


def _in_words(low: dict[str, float]) -> str:
    ranked = sorted(low.items(), key=lambda pair: pair[1])
    return ", ".join(f"{pair.replace('_', ' to ')} {ohm:.3g} ohm" for pair, ohm in ranked)


def moisture(inspection: Inspection, results: Results) -> list[Sign]:
    """Leaks everywhere at once."""
    low = _low_leaks(inspection, results)
    return [Sign(weight=0.85, evidence=f"all at once: {_in_words(low)}")] if len(low) >= WET_LEAKS else []


def leak_to_core(inspection: Inspection, results: Results) -> list[Sign]:
    """The lowest leak goes to the core."""
    return _lowest_leak(_low_leaks(inspection, results), to_core=True)


def leak_between(inspection: Inspection, results: Results) -> list[Sign]:
    """The lowest leak goes from coil to coil, or to the thermistor."""
    return _lowest_leak(_low_leaks(inspection, results), to_core=False)


def _lowest_leak(low: dict[str, float], *, to_core: bool) -> list[Sign]:
    lowest = min(low, key=lambda pair: low[pair], default="")
    if not lowest or lowest.endswith("core") != to_core:
        return []
    apart = low[lowest] < ONE_LEAK_SHARE * min((o for p, o in low.items() if p != lowest), default=float("inf"))
    between = "the thermistor and the rest" if lowest == "thermistor" else "coil and core" if to_core else "two coils"
    return [
        Sign(
            weight=0.2 if len(low) >= WET_LEAKS else 0.9 if apart else 0.6,
            name=between,
            evidence=_in_words(low),
            against="several paths leak alike: moisture does that" if len(low) > ALIKE_LEAKS else "",
        )
    ]


# ---- thermistor ---------------------------------------------------------------------------------------------


def _thermistor(inspection: Inspection, results: Results) -> Result | None:
    found = result_of(results, "thermistor_ohm")
    known = inspection.observed.part.thermistor.kind != "none"
    return found if known and found is not None and found.estimate is not None else None


def _is_short(inspection: Inspection, ohm: float) -> bool:
    usual = inspection.observed.part.thermistor.r25_ohm or 0.0
    return ohm < max(THERMISTOR_SHORT_OHM, THERMISTOR_SHORT_SHARE * usual)


def thermistor_open(inspection: Inspection, results: Results) -> list[Sign]:
    """A thermistor over range."""
    found = _thermistor(inspection, results)
    if found is None or found.qualifier != ">":
        return []
    return [Sign(weight=0.97, evidence=f"above {found.estimate:.3g} ohm")]


def thermistor_short(inspection: Inspection, results: Results) -> list[Sign]:
    """A thermistor that reads ohms that no temperature gives."""
    found = _thermistor(inspection, results)
    if found is None or found.estimate is None or not _is_short(inspection, found.estimate):
        return []
    return [Sign(weight=0.97, evidence=f"{found.estimate:.3g} ohm")]


def thermistor_drift(inspection: Inspection, results: Results) -> list[Sign]:
    """A thermistor off its curve: the copper stands by the air, and not by it."""
    apart, temperature = value(results, "thermistor_minus_coil_degc"), inspection.evaluated.temperature
    if _thermistor(inspection, results) is None or apart is None or temperature is None:
        return []
    if abs(apart) < THERMISTOR_APART_K:
        return []
    witness = copper_sides_with_air(inspection.evaluated, temperature)
    copper = copper_kelvin(inspection.evaluated)
    air = f"the air {temperature.air_degc:.1f}"
    said = "" if copper is None else f"; the coils' resistance says {copper:.1f} degC, {air}"
    return [
        Sign(
            weight=0.9 if witness else 0.35,
            evidence=f"thermistor {apart:+.1f} K against the coil{said}",
            against="" if witness else "a part that is not at the air's temperature reads so as well",
        )
    ]


AT_TWO_TEMPERATURES = "Read it at two temperatures (room and 20 K warmer) against its curve."
DRY = "Dry the part 4 to 12 h at 60 to 80 degC"
PATTERNS = (
    Pattern(
        code="open-coil",
        prior=0.12,
        looks_at="coil resistances over range",
        check=open_coil,
        text="the {name} coil is open",
        next_test="Re-mate the connector and repeat; then measure on the pins themselves, moving the lead.",
        asks=R20,
    ),
    Pattern(
        code="intermittent-coil",
        prior=0.06,
        looks_at="readings of one coil against each other, and records in which it is gone",
        check=intermittent,
        text="the {name} coil has a contact that comes and goes",
        next_test="anglewright run watch while the lead is moved, the part tapped, warmed and cooled.",
        asks=R20,
    ),
    Pattern(
        code="contact-resistance",
        prior=0.12,
        looks_at="a coil's resistance against its sibling's or its nominal value; the inductance",
        check=contact,
        text="a contact or joint in the {name} coil's path has resistance",
        next_test="Re-mate, clean the pins, measure four-wire at two currents and on the coil's own joints.",
        asks=R20,
    ),
    Pattern(
        code="moisture",
        prior=0.08,
        looks_at="how many paths leak",
        check=moisture,
        text="the part is wet or dirty inside",
        next_test=f"{DRY}, let it cool, then quick_screen under the same serial: the trend of the leaks is told.",
        asks=TO_CORE,
    ),
    Pattern(
        code="leak-coil-core",
        prior=0.10,
        looks_at="the lowest leak, to the core",
        check=leak_to_core,
        text="insulation between {name} is damaged",
        next_test=f"{DRY} and repeat; then insulation test on its own station.",
        asks=TO_CORE,
    ),
    Pattern(
        code="leak-coil-coil",
        prior=0.06,
        looks_at="the lowest leak, between coils or to the thermistor",
        check=leak_between,
        text="insulation between {name} is damaged",
        next_test=f"{DRY} and repeat; then insulation test on its own station.",
        asks=BETWEEN_COILS,
    ),
    Pattern(
        code="thermistor-open",
        prior=0.03,
        looks_at="the thermistor over range",
        check=thermistor_open,
        text="the thermistor is open",
        next_test=AT_TWO_TEMPERATURES,
        asks=("thermistor_ohm",),
    ),
    Pattern(
        code="thermistor-short",
        prior=0.01,
        looks_at="the thermistor's ohms",
        check=thermistor_short,
        text="the thermistor is shorted",
        next_test=AT_TWO_TEMPERATURES,
        blocked_by=("thermistor-open",),
        asks=("thermistor_ohm",),
    ),
    Pattern(
        code="thermistor-drift",
        prior=0.03,
        looks_at="the thermistor against the copper and the air",
        check=thermistor_drift,
        text="the thermistor is off its curve",
        next_test=AT_TWO_TEMPERATURES,
        blocked_by=("thermistor-open", "thermistor-short"),
        asks=("thermistor_minus_coil_degc",),
    ),
)
