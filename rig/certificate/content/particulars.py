"""Who, what, when and under which conditions: the pairs of words at the head of a report, and who stated them.

Pure: a run's header, readings and judgement in, pairs of words out. What the customer stated is named as such (ISO/IEC
17025:2017 7.8.2.2), for nobody here has checked it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from rig.certificate.content import statements as say
from rig.certificate.words.units import Units
from rig.certificate.words.wording import number
from rig.quantity import Reading
from rig.records.run.record import RunHeader
from rig.resolver.part import Part
from rig.result import Judgement

Pair = tuple[str, str]
CUSTOMER_DETAILS = ("complaint", "fault codes", "fault code", "vehicle", "mileage", "history")


def item(h: RunHeader, part: Part) -> tuple[Pair, ...]:
    """The unit under test."""
    return _pairs(
        ("Item", part.title or "Resolver"),
        ("Part number", f"{part.number}, revision {part.revision}"),
        ("Serial", h.serial),
        ("Condition", h.condition or "as received, not stated further"),
        ("Rotor", say.FITTED_AS.get(h.rotor, h.rotor)),
        ("Pole pairs", f"{part.pole_pairs} (1° mechanical = {part.pole_pairs}° electrical)"),
    )


def job(h: RunHeader) -> tuple[Pair, ...]:
    """For whom, how, where and by whom; then whatever else was stated beforehand."""
    holder = str(h.holder.get("title") or h.holder.get("name") or "")
    method = f"{h.sequence.replace('_', ' ')} {h.sequence_version}".strip()
    return _pairs(
        ("Customer", h.customer and f"{h.customer}, as told"),
        ("Job", h.job),
        ("Method", f"sequence {method}"),
        ("Holder", holder),
        ("Clamping", h.clamping),
        ("Bench", str(h.bench.get("title") or h.bench.get("name") or "")),
        ("Bench proven", _proven(h)),
        ("Done by", h.operator),
        *((_detail(key), str(value)) for key, value in h.details.items()),
    )


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
    stated = [_detail(key) for key in h.details if _is_customers(key)]
    return (*(("Customer",) if h.customer else ()), *stated)


def dates(h: RunHeader, ended_utc: str, issued_utc: str) -> tuple[Pair, ...]:
    """When it was begun, ended and issued, in UTC and in local time."""
    rows = [("Begun", h.started_utc), ("Ended", ended_utc), ("Issued", issued_utc)]
    return tuple((name, _both_times(utc)) for name, utc in rows if utc)


def conditions(readings: Sequence[Reading], judgement: Judgement, part: Part, units: Units) -> tuple[Pair, ...]:
    """What influenced the results: air, humidity, excitation, coil temperature, outputs."""
    rows: list[Pair] = []
    air = _values(readings, "ambient_temperature")
    if air:
        shown = dict.fromkeys(units.degrees(degc) for degc in (min(air), max(air)))
        rows.append(("Air at the part", _between(list(shown))))
    if humidity := _values(readings, "humidity"):
        shown = dict.fromkeys(f"{number(percent, 4)} %" for percent in (min(humidity), max(humidity)))
        rows.append(("Relative humidity", _between(list(shown))))
    found = {line.measurand: line.result for line in judgement.judged if line.result is not None}
    for id_, name, unit, nominal in (
        ("v_exc_rms", "Excitation at the coil", "V rms", part.excitation.level_v_rms),
        ("f_exc_hz", "Excitation frequency", "Hz", part.excitation.frequency_hz),
    ):
        result = found.get(id_)
        if result is not None and result.estimate is not None:
            rows.append((name, f"{number(result.estimate, 5)} {unit} (nominal {number(nominal)} {unit})"))
    coil = next((r for id_, r in found.items() if id_.startswith("r20_") and "coil_degc" in r.conditions), None)
    if coil is not None:
        degc = coil.conditions["coil_degc"]
        shown_degc = units.degrees(degc) if isinstance(degc, int | float) else f"{degc} °C"
        rows.append(("Coil temperature", f"{shown_degc}; resistances stated at 20 °C with copper constant 234.5"))
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


def _between(ends: Sequence[str]) -> str:
    """'22 to 22.4 °C': the unit is said once."""
    if len(ends) == 1:
        return ends[0]
    return f"{ends[0].rsplit(' ', 1)[0]} to {ends[1]}"


def _detail(key: str) -> str:
    return key.replace("_", " ").capitalize()


def _is_customers(key: str) -> bool:
    return key.startswith("customer") or key.replace("_", " ").lower() in CUSTOMER_DETAILS


def _both_times(utc: str) -> str:
    moment = datetime.fromisoformat(utc)
    local = moment.astimezone()
    day = "" if local.date() == moment.date() else f"{local:%Y-%m-%d} "
    return f"{moment:%Y-%m-%d %H:%M} UTC, {day}{local:%H:%M} local time"


def _pairs(*rows: tuple[str, str]) -> tuple[Pair, ...]:
    return tuple((name, value) for name, value in rows if value)
