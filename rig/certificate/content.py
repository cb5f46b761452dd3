"""What a report says, as plain data: one Content, from which PDF, JSON and table are made, so that they can't disagree.

Pure: a stored run's header, readings, record and one judgement in; words and rounded figures out. It draws nothing and
decides nothing. Content list: ISO/IEC 17025:2017 7.8.2, 7.8.4, 7.8.6 as far as it applies to a non-accredited shop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rig.certificate import statements as say
from rig.certificate.keylines import KeyLine, key_lines
from rig.certificate.tables import (
    AngleRow,
    Budget,
    CoilRow,
    Group,
    angle_rows,
    budgets,
    groups,
    impedance_rows,
    is_manual,
    rig_facts,
)
from rig.certificate.wording import MARKS, described, number, short_name
from rig.description import PartFile, from_data
from rig.quantity import Reading
from rig.records.store import StoredRun
from rig.resolver.part import Part
from rig.result import Judgement

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why the measurement, or some lines, are unsound; what to do next."""

    code: str
    text: str
    evidence: str
    next: str
    witness: str
    spoils: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """A finding: an opinion, labelled as one."""

    name: str
    percent: str
    text: str
    evidence: str
    against: str
    next_test: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """Everything that is said, in print's words; angles always say electrical or mechanical."""

    number: str
    run: str
    issue: int
    replaces: str
    simulated: bool
    title: str
    subtitle: str
    shop: tuple[str, ...]
    item: tuple[Pair, ...]
    job: tuple[Pair, ...]
    dates: tuple[Pair, ...]
    outcome: str
    headline: str
    tone: str
    verdict_mark: str
    sentence: str
    tally: str
    key: tuple[KeyLine, ...]
    groups: tuple[Group, ...]
    impedance: tuple[CoilRow, ...]
    angle: tuple[AngleRow, ...]
    facts: tuple[Pair, ...]
    manual: tuple[Mapping[str, str], ...]
    conditions: tuple[Pair, ...]
    budgets: tuple[Budget, ...]
    instruments: tuple[say.Instrument, ...]
    traceable: bool
    traceability: str
    decision: str
    risk: str
    equations: tuple[str, ...]
    positive: str
    pins: tuple[Pair, ...]
    reasons: tuple[Reason, ...]
    hints: tuple[Hint, ...]
    notes: tuple[str, ...]
    excluded: tuple[str, ...]
    statements: tuple[str, ...]
    relearn: str
    software: str
    hashes: tuple[Pair, ...]
    curves: Mapping[str, Any]
    pole_pairs: int
    error_limit_elec_arcmin: float | None


def content(stored: StoredRun, judgement: Judgement, *, issued_utc: str, issue: int = 1) -> Content:
    """What the report of a stored run and one of its judgements says.

    issued_utc: ISO 8601. issue: 1 for the first report of a run; a later one says which it replaces.
    Raises RecordError when the run can't be read, DescriptionError when its part snapshot can't.
    """
    header = stored.header
    part = from_data(PartFile, header.part, f"{stored.path}: part").part()
    guard = part.decision.multiplier
    headline, tone = say.HEADLINES[judgement.outcome]
    base = f"AW-{stored.id}"
    instruments = say.instrument_rows(
        header.instruments, on=datetime.fromisoformat(header.started_utc).date(), simulated=header.simulated
    )
    traceable, traceability = say.traceability_text(instruments)
    return Content(
        number=_numbered(base, issue),
        run=stored.id,
        issue=issue,
        replaces=_numbered(base, issue - 1) if issue > 1 else "",
        simulated=header.simulated,
        title=say.TITLE,
        subtitle=say.SUBTITLE,
        shop=tuple(line.strip() for line in str(header.bench.get("shop") or "Shop not named").split(";")),
        item=_item(stored, part),
        job=_job(stored),
        dates=_dates(stored, issued_utc),
        outcome=judgement.outcome,
        headline=headline,
        tone=tone,
        verdict_mark={"pass": MARKS["pass"], "fail": MARKS["fail"], "open": "?"}.get(tone, ""),
        sentence=say.verdict_sentence(judgement, guard),
        tally=_tally(judgement),
        key=key_lines(judgement.judged, guard),
        groups=groups(judgement.judged, guard),
        impedance=impedance_rows(judgement.judged),
        angle=angle_rows(judgement.judged, guard, part.pole_pairs),
        facts=rig_facts(judgement.judged),
        manual=_manual(stored.readings),
        conditions=_conditions(stored, judgement, part),
        budgets=budgets(judgement.judged),
        instruments=instruments,
        traceable=traceable,
        traceability=traceability,
        decision=say.decision_text(part.decision.name, guard),
        risk=say.risk_text(judgement.judged, guard),
        equations=part.equations,
        positive=part.positive_rotation,
        pins=tuple((terminal.replace("_", " "), pin) for terminal, pin in part.pins.items()),
        reasons=tuple(
            Reason(
                code=r.code,
                text=r.text,
                evidence=r.evidence,
                next=r.next,
                witness=r.witness,
                spoils="all lines" if "*" in r.spoils else ", ".join(short_name(id_, alone=True) for id_ in r.spoils),
            )
            for r in judgement.reasons
        ),
        hints=tuple(
            Hint(
                name=say.FINDING_WORDS.get(f.code, f.code),
                percent=f"{100 * f.probability:.0f} %",
                text=f.text,
                evidence=f.evidence,
                against=f.against,
                next_test=f.next_test,
            )
            for f in judgement.findings
        ),
        notes=judgement.notes,
        excluded=say.EXCLUDED,
        statements=(say.ITEM_ONLY, say.IN_FULL, say.NON_ACCREDITED),
        relearn=say.RELEARN,
        software=header.software or "anglewright",
        hashes=tuple(stored.hashes.items()),
        curves=judgement.curves,
        pole_pairs=part.pole_pairs,
        error_limit_elec_arcmin=_error_limit(judgement, part.pole_pairs),
    )


def _error_limit(judgement: Judgement, pole_pairs: int) -> float | None:
    for id_, factor in (("error_max_elec_arcmin", 1.0), ("error_max_mech_arcmin", float(pole_pairs))):
        line = judgement.line(id_)
        if line is not None and line.limit is not None and line.limit.upper is not None:
            return line.limit.upper * factor
    return None


def _numbered(base: str, issue: int) -> str:
    return base if issue == 1 else f"{base}-{issue}"


def _item(stored: StoredRun, part: Part) -> tuple[Pair, ...]:
    h = stored.header
    return _told(
        ("Item", part.title or "Resolver"),
        ("Part number", f"{part.number}, revision {part.revision}"),
        ("Serial", h.serial),
        ("Condition", h.condition or "as received, not stated further"),
        ("Rotor", say.FITTED_AS.get(h.rotor, h.rotor)),
        ("Pole pairs", f"{part.pole_pairs} (1° mechanical = {part.pole_pairs}° electrical)"),
    )


def _job(stored: StoredRun) -> tuple[Pair, ...]:
    h = stored.header
    holder = str(h.holder.get("title") or h.holder.get("name") or "")
    method = f"{h.sequence.replace('_', ' ')} {h.sequence_version}".strip()
    return _told(
        ("Customer", h.customer and f"{h.customer}, as told"),
        ("Job", h.job),
        ("Method", f"sequence {method}"),
        ("Holder", holder),
        ("Clamping", h.clamping),
        ("Bench", str(h.bench.get("title") or h.bench.get("name") or "")),
        ("Done by", h.operator),
        *((key.replace("_", " ").capitalize(), str(value)) for key, value in h.details.items()),
    )


def _dates(stored: StoredRun, issued_utc: str) -> tuple[Pair, ...]:
    begun, record = stored.header.started_utc, stored.record
    rows = [("Begun", begun), ("Ended", record.ended_utc if record else ""), ("Issued", issued_utc)]
    return tuple((name, _both_times(utc)) for name, utc in rows if utc)


def _both_times(utc: str) -> str:
    moment = datetime.fromisoformat(utc)
    local = moment.astimezone()
    day = "" if local.date() == moment.date() else f"{local:%Y-%m-%d} "
    return f"{moment:%Y-%m-%d %H:%M} UTC, {day}{local:%H:%M} local time"


def _told(*rows: tuple[str, str]) -> tuple[Pair, ...]:
    return tuple((name, value) for name, value in rows if value)


def _tally(judgement: Judgement) -> str:
    counts: dict[str, int] = {}
    for line in judgement.judged:
        if described(line.measurand).about == "rig" or is_manual(line):
            continue
        counts[line.verdict.value] = counts.get(line.verdict.value, 0) + 1
    return ", ".join(f"{counts[word]} {word}" for word in MARKS if word in counts)


def _conditions(stored: StoredRun, judgement: Judgement, part: Part) -> tuple[Pair, ...]:
    rows: list[Pair] = []
    for quantity, name, unit in (
        ("ambient_temperature", "Air at the part", "°C"),
        ("humidity", "Relative humidity", "%"),
    ):
        values = [r.number() for r in stored.readings if r.quantity == quantity and r.value is not None]
        if values:
            ends = sorted({number(min(values), 4), number(max(values), 4)})
            rows.append((name, f"{' to '.join(ends)} {unit}"))
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
        shown = number(degc, 4) if isinstance(degc, int | float) else str(degc)
        rows.append(("Coil temperature", f"{shown} °C; resistances stated at 20 °C with copper constant 234.5"))
    rows.append(("Outputs", "open circuit (loading by the sampler corrected)"))
    return tuple(rows)


def _manual(readings: Sequence[Reading]) -> tuple[Mapping[str, str], ...]:
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
