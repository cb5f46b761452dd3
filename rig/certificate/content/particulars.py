"""Who, what, when and under which conditions: the pairs of words at the head of a report, and who stated them.

Pure: a run's header, readings and judgement in, pairs of words out. What the customer stated is named as such (ISO/IEC
17025:2017 7.8.2.2), for nobody here has checked it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from rig.certificate.content import statements as say
from rig.certificate.words.language import NOT_STATED
from rig.certificate.words.phrase import phrase
from rig.certificate.words.units import Units
from rig.certificate.words.wording import minus, number
from rig.quantity import Reading
from rig.records.names import erased_day
from rig.records.run.record import RunHeader
from rig.records.run.remarks import Remark
from rig.resolver.part import Part
from rig.result import Judgement
from rig.uncertainty.rounding import round_result

Pair = tuple[str, str]
OWN_PAIRS = ("received", "customer_contact")  # details that have a line of their own
CUSTOMER_DETAILS = ("complaint", "fault codes", "fault code", "vehicle", "mileage", "history")


def item(h: RunHeader, part: Part, number: str) -> tuple[Pair, ...]:
    """The unit under test. number: of the part, as it should have been."""
    revision = phrase("{number}, revision {revision}", number=number, revision=str(part.revision))
    n = str(part.pole_pairs)
    return _pairs(
        ("Item", part.title or "Resolver"),
        ("Part number", revision),
        ("Serial", h.serial),
        ("Received", str(h.details.get("received") or NOT_STATED)),
        ("Condition", h.condition or "as received, not stated further"),
        ("Rotor", say.FITTED_AS.get(h.rotor, h.rotor)),
        ("Pole pairs", phrase("{np} (1° mechanical = {nq}° electrical)", np=n, nq=n)),
    )


def job(h: RunHeader, place: str) -> tuple[Pair, ...]:
    """For whom, how, where and by whom; then whatever else was stated beforehand. place: where the work was done."""
    holder = str(h.holder.get("title") or h.holder.get("name") or "")
    contact = str(h.details.get("customer_contact") or NOT_STATED) if h.customer and not erased_day(h.customer) else ""
    return _pairs(
        ("Customer", _customer(h.customer)),
        ("Contact", contact),
        ("Job", h.job),
        ("Method", method(h)),
        ("Place", place or NOT_STATED),
        ("Holder", holder),
        ("Clamping", h.clamping),
        ("Bench", str(h.bench.get("title") or h.bench.get("name") or "")),
        ("Bench proven", _proven(h)),
        ("Done by", h.operator or NOT_STATED),
        *((_detail(key), str(value)) for key, value in h.details.items() if key not in OWN_PAIRS),
    )


def _customer(name: str) -> str:
    if day := erased_day(name):
        return phrase("name erased on {day}", day=day)
    return name and phrase("{customer}, as told", customer=name)


def method(h: RunHeader) -> str:
    """The sequence, its version, and the sheet that describes it."""
    name = h.sequence.replace("_", " ")
    if not h.sequence_version:
        return phrase("sequence {name}", name=phrase(name))
    return phrase(
        "sequence {name} {n}, method sheet {sheet}",
        name=phrase(name),
        n=h.sequence_version,
        sheet=method_sheet_name(h.sequence, h.sequence_version),
    )


def method_sheet_name(sequence: str, version: str) -> str:
    """Under which name the sheet of a sequence's version goes: M-full_test-3."""
    return f"M-{sequence}-{version}"


def _proven(h: RunHeader) -> str:
    """When the bench was last proven and by which record; "" when the run's header carries no proof."""
    health = (h.calibration or {}).get("health")
    if not isinstance(health, Mapping):
        return ""
    short = health["data"]["fell_short"]
    shortfall = f"; fell short: {', '.join(short)}" if short else ""
    return f"{health['made_utc'][:10]}, record {health['run']}{shortfall}"


def by_customer(h: RunHeader) -> tuple[str, ...]:
    """Names of the pairs that rest on the customer's word alone."""
    stated = [_detail(key) for key in h.details if _is_customers(key) and key not in OWN_PAIRS]
    return (*(("Customer", "Contact") if h.customer else ()), *stated)


def dates(h: RunHeader, ended_utc: str, issued_utc: str) -> tuple[Pair, ...]:
    """When it was begun, ended and issued, in UTC and in local time."""
    rows = [("Begun", h.started_utc), ("Ended", ended_utc), ("Issued", issued_utc)]
    return tuple((name, _both_times(utc)) for name, utc in rows if utc)


def conditions(
    readings: Sequence[Reading], judgement: Judgement, part: Part, units: Units, bench: Mapping[str, Any]
) -> tuple[Pair, ...]:
    """What influenced the results, with its U where that is known: air, humidity, excitation, coil, outputs."""
    rows: list[Pair] = []
    air = _values(readings, "ambient_temperature")
    if air:
        shown = dict.fromkeys(units.degrees(degc) for degc in (min(air), max(air)))
        rows.append(("Air at the part", _with_U(_between(list(shown)), _probe_U(bench, "temperature"), units)))
    if humidity := _values(readings, "humidity"):
        shown = dict.fromkeys(f"{number(percent, 4)} %" for percent in (min(humidity), max(humidity)))
        half = _probe_U(bench, "humidity")
        text = _between(list(shown))
        stated = phrase("{text}, U not stated", text=text)
        rows.append(("Relative humidity", stated if half is None else f"{text}, U = {number(half, 2)} %"))
    found = {line.measurand: line.result for line in judgement.judged if line.result is not None}
    for id_, name, unit, nominal in (
        ("v_exc_rms", "Excitation at the coil", "V rms", part.excitation.level_v_rms),
        ("f_exc_hz", "Excitation frequency", "Hz", part.excitation.frequency_hz),
    ):
        result = found.get(id_)
        if result is not None and result.estimate is not None:
            y, U = (minus(text) for text in round_result(result.estimate, result.U)) if result.U else ("", "")
            value = f"({y} ± {U}) {unit}" if U else f"{number(result.estimate, 5)} {unit}"
            rows.append((name, phrase("{value} (nominal {n} {unit})", value=value, n=number(nominal), unit=unit)))
    coil = next((r for id_, r in found.items() if id_.startswith("r20_") and "coil_degc" in r.conditions), None)
    if coil is not None:
        degc = coil.conditions["coil_degc"]
        shown_degc = units.degrees(degc) if isinstance(degc, int | float) else f"{degc} °C"
        U_k = 2.0 * math.hypot(*(line.u for line in coil.budget if line.unit in ("degC", "K")))
        stated_degc = _with_U(shown_degc, U_k or None, units)
        at_20 = phrase("{degrees}; resistances stated at 20 °C with copper constant 234.5", degrees=stated_degc)
        rows.append(("Coil temperature", at_20))
    rows.append(("Outputs", "open circuit (loading by the sampler corrected)"))
    return tuple(rows)


def manual(readings: Sequence[Reading]) -> tuple[Mapping[str, str], ...]:
    """What was entered by hand, with its instrument."""
    rows = []
    for r in readings:
        if r.quantity != "manual":
            continue
        value = number(float(r.value)) if isinstance(r.value, int | float) else str(r.value)
        rows.append(
            {
                "name": str(r.conditions.get("name") or r.quantity),
                "value": f"{r.conditions.get('qualifier') or ''} {value} {r.unit}".strip(),
                "instrument": str(r.conditions.get("instrument") or r.instrument),
                "caution": str(r.conditions.get("caution") or ""),
            }
        )
    return tuple(rows)


def _values(readings: Sequence[Reading], quantity: str) -> list[float]:
    return [r.number() for r in readings if r.quantity == quantity and r.value is not None]


def _probe_U(bench: Mapping[str, Any], quantity: str) -> float | None:
    """U (k = 2) of the climate probe by the bench file: limits of error as rectangular; None where none is stated."""
    specs = (bench.get("climate") or {}).get("spec") or ()
    halves = [float(one.get("absolute") or 0.0) for one in specs if one.get("quantity") == quantity]
    return 2.0 * halves[0] / math.sqrt(3.0) if halves and halves[0] else None


def _with_U(text: str, U_k: float | None, units: Units) -> str:
    """A temperature with its U (in K)."""
    if U_k is None:
        return phrase("{text}, U not stated", text=text)
    factor, _, unit = units.change("K")
    return phrase("{text}, U = {U}", text=text, U=f"{number(factor * U_k, 2)} {'°F' if unit == 'degF' else 'K'}")


def remarks(found: Sequence[Remark]) -> tuple[Mapping[str, str], ...]:
    """What was noted at the run, with the photos' names and hashes: they lie beside the report, the hash is in it."""
    return tuple(
        {
            "file": one.file,
            "at": f"{one.made_utc[:10]} {one.made_utc[11:16]} UTC",
            "author": one.author,
            "step": one.step.replace("_", " "),
            "text": one.text,
            "photo": one.photo,
            "sha256": one.sha256,
        }
        for one in found
    )


def _between(ends: Sequence[str]) -> str:
    """'22 to 22.4 °C': the unit is said once."""
    if len(ends) == 1:
        return ends[0]
    unit = ends[1].rsplit(" ", 1)[1]
    return phrase(f"{{n}} to {{m}} {unit}", n=ends[0].rsplit(" ", 1)[0], m=ends[1].rsplit(" ", 1)[0])


def _detail(key: str) -> str:
    return key.replace("_", " ").capitalize()


def _is_customers(key: str) -> bool:
    return key.startswith("customer") or key.replace("_", " ").lower() in CUSTOMER_DETAILS


def _both_times(utc: str) -> str:
    moment = datetime.fromisoformat(utc)
    local = moment.astimezone()
    day = "" if local.date() == moment.date() else f"{local:%Y-%m-%d} "
    return phrase("{utc} UTC, {local} local time", utc=f"{moment:%Y-%m-%d %H:%M}", local=f"{day}{local:%H:%M}")


def _pairs(*rows: tuple[str, str]) -> tuple[Pair, ...]:
    return tuple((name, value) for name, value in rows if value)
