"""What a report says, as plain data: one Content, from which PDF, JSON and table are made, so that they can't disagree.

Pure: a stored run's header, readings, record and one judgement in; words and rounded figures out. It draws nothing and
decides nothing. Content list: ISO/IEC 17025:2017 7.8.2, 7.8.4, 7.8.6 as far as it applies to a non-accredited shop.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from rig.certificate.content import particulars
from rig.certificate.content import statements as say
from rig.certificate.content.by_rule import by_pattern, by_rule
from rig.certificate.content.key_lines import KeyLine, key_lines
from rig.certificate.content.particulars import Pair
from rig.certificate.content.rows import (
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
from rig.certificate.shop import Shop, shop_of
from rig.certificate.words.phrase import join_texts, phrase
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import MARKS, find_measurand, short_name
from rig.description.loading import from_data
from rig.description.parts import PartFile
from rig.records.run.remarks import read_remarks
from rig.records.run.stored import StoredRun
from rig.result import Judgement

CORRECTABLE = ("serial", "part", "job", "customer", "condition", "operator")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReasonRow:
    """Why the measurement, or some lines, are unsound; what to do next.

    of_row: which words are those of the rule's row; subject: what stands in their place. Another language has these by
    the code."""

    code: str
    text: str
    evidence: str
    next: str
    witness: str
    rig_or_part: str
    spoils: str
    subject: str = ""
    of_row: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """A finding: an opinion, labelled as one. of_row: as of a ReasonRow."""

    code: str
    name: str
    percent: str
    text: str
    evidence: str
    against: str
    next_test: str
    subject: str = ""
    of_row: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Amendment:
    """Why a report stands in place of an earlier one, and what is no longer said as it was."""

    replaces: str
    reason: str
    changed: tuple[str, ...]


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
    amendment: Amendment | None
    shop: tuple[str, ...]
    item: tuple[Pair, ...]
    job: tuple[Pair, ...]
    by_customer: tuple[str, ...]
    dates: tuple[Pair, ...]
    outcome: str
    silent: bool
    headline: str
    tone: str
    sentence: str
    awaits: str
    tally: str
    key: tuple[KeyLine, ...]
    groups: tuple[Group, ...]
    impedance: tuple[CoilRow, ...]
    angle: tuple[AngleRow, ...]
    facts: tuple[Pair, ...]
    manual: tuple[Mapping[str, str], ...]
    remarks: tuple[Mapping[str, str], ...]
    conditions: tuple[Pair, ...]
    budgets: tuple[Budget, ...]
    instruments: tuple[say.InstrumentStatement, ...]
    traceable: bool
    traceability: str
    decision: str
    risk: str
    equations: tuple[str, ...]
    positive: str
    pins: tuple[Pair, ...]
    reasons: tuple[ReasonRow, ...]
    hints: tuple[FindingRow, ...]
    notes: tuple[str, ...]
    excluded: tuple[str, ...]
    statements: tuple[str, ...]
    relearn: str
    software: str
    hashes: tuple[Pair, ...]
    curves: Mapping[str, Any]
    pole_pairs: int
    error_limit_elec_arcmin: float | None
    units: Units
    guard: float


def build_content(
    stored: StoredRun,
    judgement: Judgement,
    *,
    issued_utc: str,
    issue: int = 1,
    shop: Shop | None = None,
    corrections: Mapping[str, str] | None = None,
    remarks: Collection[str] | None = None,
    held_back: Sequence[str] = (),
) -> Content:
    """What the report of a stored run and one of its judgements says.

    issued_utc: ISO 8601. issue: 1 for the first report of a run; a later one says which it replaces. shop: whose report
    it is, by default the one that the bench names. corrections: words of the header as they should have been
    (`CORRECTABLE`). remarks: files of the remarks that it holds, by default every one. held_back: what keeps it from
    being a certificate (held_back.py). Raises RecordError when the run can't be read, DescriptionError when its part
    snapshot can't.
    """
    corrected: dict[str, Any] = dict(corrections or {})
    number = corrected.pop("part", "")
    header = replace(stored.header, **corrected)
    shop = shop or shop_of(header.bench)
    units = Units(shop.temperature, shop.angle)
    part = from_data(PartFile, header.part, f"{stored.path}: part").part()
    guard = part.decision.multiplier
    judged = tuple(in_units(line, units) for line in judgement.judged)
    silent = judgement.outcome == "unsound measurement"
    keys = key_lines(judged, guard)
    headline, tone = say.HEADLINES[judgement.outcome]
    base = f"AW-{stored.id}"
    instruments = say.instrument_rows(
        header.instruments, on=datetime.fromisoformat(header.started_utc).date(), simulated=header.simulated
    )
    traceable, traceability = say.traceability_text(instruments)
    return Content(
        number=_report_number(base, issue),
        run=stored.id,
        issue=issue,
        replaces=_report_number(base, issue - 1) if issue > 1 else "",
        simulated=header.simulated,
        title=say.TITLE,
        subtitle=say.PROVISIONAL if judgement.awaits or held_back else say.SUBTITLE,
        amendment=None,
        shop=shop.lines,
        item=particulars.item(header, part, number or part.number),
        job=particulars.job(header, ", ".join(dict.fromkeys((*shop.address, *filter(None, (shop.city,)))))),
        by_customer=particulars.by_customer(header),
        dates=particulars.dates(header, stored.record.ended_utc if stored.record else "", issued_utc),
        outcome=judgement.outcome,
        silent=silent,
        headline=headline,
        tone=tone,
        sentence=say.verdict_sentence(judgement, guard),
        awaits=join_texts(" ", [_awaits(judgement), *held_back]),
        tally=tally(judgement),
        key=tuple(replace(line, bar=None) for line in keys) if silent else keys,
        groups=groups(judged, guard),
        impedance=impedance_rows(judged),
        angle=angle_rows(judged, guard, part.pole_pairs),
        facts=rig_facts(judged),
        manual=particulars.manual(stored.readings),
        remarks=particulars.remarks(
            [one for one in read_remarks(stored.path) if remarks is None or one.file in remarks]
        ),
        conditions=particulars.conditions(stored.readings, judgement, part, units, header.bench),
        budgets=budgets(judged),
        instruments=instruments,
        traceable=traceable,
        traceability=traceability,
        decision=say.decision_text(part.decision.name, guard),
        risk=say.risk_text(judgement.judged, guard),
        equations=part.equations,
        positive=part.positive_rotation,
        pins=tuple((terminal.replace("_", " "), pin) for terminal, pin in part.pins.items()),
        reasons=tuple(
            ReasonRow(
                code=r.code,
                text=r.text,
                evidence=r.evidence,
                next=r.next,
                witness=r.witness,
                rig_or_part=r.rig_or_part,
                spoils=_spoiled_lines(r.spoils),
                **by_rule(r),
            )
            for r in judgement.reasons
        ),
        hints=tuple(
            FindingRow(
                code=f.code,
                **by_pattern(f),
                name=say.finding_name(f.code),
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
        statements=say.statements(judgement.judged, bool(particulars.by_customer(header))),
        relearn=say.RELEARN,
        software=header.software or "anglewright",
        hashes=tuple(stored.hashes.items()),
        curves=judgement.curves.to_dict(),
        pole_pairs=part.pole_pairs,
        error_limit_elec_arcmin=_error_limit(judgement, part.pole_pairs),
        units=units,
        guard=guard,
    )


def _awaits(judgement: Judgement) -> str:
    titles = join_texts(" or ", (one.title for one in judgement.awaits))
    return phrase(say.AWAITS, title=titles) if titles else ""


def _spoiled_lines(spoils: Sequence[str]) -> str:
    return "all lines" if "*" in spoils else join_texts("; ", (short_name(id_, alone=True) for id_ in spoils))


def _error_limit(judgement: Judgement, pole_pairs: int) -> float | None:
    for id_, factor in (("error_max_elec_arcmin", 1.0), ("error_max_mech_arcmin", float(pole_pairs))):
        line = judgement.line(id_)
        if line is not None and line.limit is not None and line.limit.upper is not None:
            return line.limit.upper * factor
    return None


def _report_number(base: str, issue: int) -> str:
    return base if issue == 1 else f"{base}-{issue}"


def tally(judgement: Judgement) -> str:
    """How many lines have which verdict; of an unsound run how many are spoiled, and no count of passes."""
    if judgement.outcome == "unsound measurement":  # a count of passes beside it would speak of the part after all
        spoiled = sum(bool(line.spoiled) for line in judgement.judged)
        rest = "{n} of {nb} lines spoiled; the others are no verdict about the part"
        return phrase(rest, n=str(spoiled), nb=str(len(judgement.judged)))
    counts: dict[str, int] = {}
    for line in judgement.judged:
        if find_measurand(line.measurand).about == "rig" or is_manual(line):
            continue
        counts[line.verdict.value] = counts.get(line.verdict.value, 0) + 1
    return join_texts(", ", (say.count(counts[word], word) for word in MARKS if word in counts))
