"""A lot on paper: plan with its source and seed, what it can see, every unit and why, spreads, decision, both rules.

Figures are those of the runs and of rig/review/lots; nothing is judged or decided here. What was not tested stands
there with its number. s is the sample standard deviation over units and holds the measurement's own scatter.
"""

from __future__ import annotations

from collections.abc import Mapping

from rig.certificate.sheets.lot_lines import lines_of_units, pictures, spread_table
from rig.certificate.sheets.sheet import Cell, Sheet, Table, Text, outcome_cell, span
from rig.certificate.shop import Shop
from rig.certificate.words.units import Units
from rig.certificate.words.wording import (
    short_name,
)
from rig.measurands import MEASURANDS
from rig.review.lots.answer import LotAnswer
from rig.review.lots.counting import Counted
from rig.review.lots.lot import Lot, Unit
from rig.review.lots.words import after

OWN_RULE = "Own decision: a unit is nonconforming when a line of the group has the verdict {verdicts}."
THEIRS = (
    "Towards the supplier: only a nonconformity beyond U counts (verdict fail, value beyond limit and guard band); "
    "what lies within U of the limit is undecided towards him."
)
RESEAT = (
    "After a re-seat the second reading counts for lines that a re-seat can clear; resistance, leak and pins are never "
    "cleared by one. Undecided and unsound are neither good nor bad: tested again, or named."
)
SWITCHES = (
    "Severity by MIL-STD-105E 4.7, for this supplier, part and group of lines; groups of every unit switch nothing."
)
UNTESTED = "Not tested, {count} of {lot}: {which}."
RELATES = "This report relates to the units that were tested; what it says of others is probability, not measurement."
VERDICT_OF = {"accepted": "pass", "not accepted": "fail", "accepted, back to normal": "conditional pass"}


def lot_sheet(lot: Lot, found: LotAnswer, shop: Shop) -> Sheet:
    """The report of a lot as it stands. Raises UsageError before the first reading."""
    units = Units(shop.temperature, shop.angle)
    lines = lines_of_units(lot, units)
    return Sheet(
        title="Lot report",
        subject=f"{lot.name}, {lot.file.part}",
        facts=_facts(lot, found),
        blocks=(
            _answers(found),
            *(
                Text(title="What this says" if n == 0 else "", text=text)
                for n, text in enumerate(_sentences(lot, found))
            ),
            *pictures(lot, found, lines, shop),
            spread_table(lines),
            _units(lot, found),
            *_decisions(lot),
            *_standards(lot),
            *_deliveries(lot),
        ),
        simulated=lot.is_simulated,
        statements=(
            OWN_RULE.format(verdicts=" or ".join(lot.rule.nonconforming)),
            THEIRS,
            RESEAT,
            SWITCHES,
            RELATES,
        ),
    )


def _facts(lot: Lot, found: LotAnswer) -> tuple[tuple[str, str], ...]:
    tested = [unit for unit in lot.units if unit.runs]
    decision = lot.decisions[-1] if lot.decisions else None
    facts = [("Supplier", lot.file.supplier), ("Order", lot.file.order or "–"), ("Part number", lot.file.part)]
    facts += [("Delivered", str(lot.quantity)), ("By the papers", str(lot.file.told or "–"))]
    facts += [("Papers", ", ".join(lot.file.papers))] if lot.file.papers else []
    rotor = " ".join(filter(None, (lot.file.rotor, lot.file.rotor_serial)))
    facts += [("Rotor", rotor)]
    facts += [("Comes again as", lot.file.resubmitted)] if lot.file.resubmitted else []
    facts += [("Tested", str(len(tested))), ("Not tested", str(len(lot.units) - len(tested)))]
    facts += [("From", span(run.header.started_utc for unit in tested for run in unit.runs))]
    facts += [("Seed of the pick list", str(lot.plan.seed)), ("Plan fixed", lot.plan.at_utc[:16].replace("T", " "))]
    facts += [("The plan's answer", found.answer), ("Towards the supplier", found.towards)]
    facts += [("Decided", decision.decision if decision else "not yet")]
    return tuple(facts)


def _answers(found: LotAnswer) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for group in found.groups:
        mark: Cell = {"verdict": VERDICT_OF.get(group.answer, "not capable"), "words": group.answer}
        counts = (group.number("conforms"), group.nonconforming, group.shown_beyond_u, group.open_units)
        rows.append(({"strong": group.check.name}, group.check.words, *(str(n) for n in counts), mark, group.why))
    return Table(
        title="The plan and its answer",
        head=("Group", "Plan", "Good", "Bad", "Beyond U", "Open", "Answer", "Why"),
        rows=tuple(rows),
        align="llrrrrll",
        columns=("", "1fr", "", "", "", "", "30", "36"),
        note="Bad: nonconforming by the rule below; beyond U: shown towards the supplier; open: without a verdict.",
    )


def _sentences(lot: Lot, found: LotAnswer) -> list[str]:
    told = [str(sentence) for group in found.groups for sentence in after(group, lot.quantity)]
    untested = [unit for unit in lot.units if not unit.runs]
    if untested:
        which = ", ".join(unit.label + (f" ({unit.aside}: {unit.why})" if unit.aside else "") for unit in untested[:12])
        more = " ..." if len(untested) > 12 else ""
        told.append(UNTESTED.format(count=len(untested), lot=lot.quantity, which=which + more))
    return list(dict.fromkeys(told))


# ---- units, decisions, standards --------------------------------------------------------------------------------


def _units(lot: Lot, found: LotAnswer) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for unit in lot.units:
        states = {g.check.name: g.units[unit.label] for g in found.groups if unit.label in g.units}
        why = "; ".join(", ".join(line_words(one)[:2]) for one in states.values() if one.bad or one.open_)
        counts = "; ".join(f"{name}: {one.state}" for name, one in states.items() if one.state != "conforms")
        rows.append(
            (
                {"strong": unit.label},
                unit.serial or "–",
                unit.runs[-1].header.started_utc[:10] if unit.runs else "–",
                _outcome(unit),
                counts or ("good" if states else "–"),
                {"quiet": why or unit.why or _outside_sample(unit, states)},
            )
        )
    return Table(
        title="Units",
        head=("Unit", "Serial", "Day", "Outcome", "Counts as", "Why"),
        rows=tuple(rows),
        columns=("", "", "", "38", "1fr", "42"),
    )


def line_words(one: Counted) -> list[str]:
    """Lines outside and lines without a verdict, by their printed names."""
    return [name_line(line) for line in (*one.bad, *one.open_)]


def name_line(line: str) -> str:
    """A line with its printed name; what was looked at, and why a line is open, stay as they are."""
    id_, _, rest = line.partition(": ")
    return line if id_ not in MEASURANDS else short_name(id_, alone=True) + (f": {rest}" if rest else "")


def _outcome(unit: Unit) -> Cell:
    if not unit.runs:
        return {"verdict": "not tested", "words": unit.aside or "not tested"}
    newest = unit.judgements[-1]
    cell = outcome_cell(newest.outcome, newest.awaits_text)
    if len(unit.runs) < 2 or isinstance(cell, str):
        return cell
    return {**cell, "words": f"{cell['words']}, tested twice"}


def _outside_sample(unit: Unit, states: Mapping[str, object]) -> str:
    return "tested, in no sample" if unit.runs and not states else ""


def _decisions(lot: Lot) -> tuple[Table, ...]:
    if not lot.decisions:
        return ()
    rows = tuple(
        (d.at_utc[:16].replace("T", " "), d.plan_answer, {"strong": d.decision}, d.who, d.why) for d in lot.decisions
    )
    head = ("Made (UTC)", "The plan's answer", "Decision", "By", "Reason")
    return (Table(title="Decision", head=head, rows=rows, columns=("", "", "", "", "1fr")),)


def _standards(lot: Lot) -> tuple[Table, ...]:
    rows = tuple(
        (str(s.sitting), s.what, s.at_utc[:16].replace("T", " "), s.who or "–", s.standards or "–", s.outcome or "–")
        for s in lot.sittings
    )
    head = ("Sitting", "When", "Time (UTC)", "By", "Standards, run", "Said")
    title = "Sittings and their check standards"
    return (Table(title=title, head=head, rows=rows, columns=("", "", "", "", "", "1fr")),) if rows else ()


def _deliveries(lot: Lot) -> tuple[Table, ...]:
    told = [("–", "–", fault) for one in lot.deliveries for fault in one.faults]
    rows = [(str(one.quantity), one.source or "no list", f"{len(one.rows)} rows taken") for one in lot.deliveries]
    for unit in lot.units:
        odd = [text for text in unit.told if text.startswith(("other scan", "scanned again", "not taken", "serial"))]
        told += [("–", unit.label, text) for text in odd]
    head = ("Delivered", "List, or unit", "Noted")
    return (Table(title="Deliveries and scans", head=head, rows=(*rows, *told), columns=("", "38", "1fr")),)
