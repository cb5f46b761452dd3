"""A lot on paper: plan with its source and seed, what it can see, every unit and why, spreads, decision, both rules.

Figures are those of the runs and of rig/review/lots; nothing is judged or decided here. What was not tested stands
there with its number. s is the sample standard deviation over units and holds the measurement's own scatter.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from rig.certificate.page.lot_plots import characteristic_plot
from rig.certificate.page.trend import strip_plot
from rig.certificate.sheets.sheet import Cell, Plots, Sheet, Table, Text, outcome_cell, span
from rig.certificate.shop import Shop
from rig.certificate.words.language import language
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import (
    MARKS,
    display,
    find_measurand,
    minus,
    number,
    scale_of,
    short_name,
    unit_of_line,
)
from rig.quantity import MEASURANDS
from rig.result import Judged
from rig.review.lots.answer import LotAnswer
from rig.review.lots.counting import Counted
from rig.review.lots.lot import Lot, Unit
from rig.review.lots.words import after
from rig.uncertainty.rounding import round_result

MOST_STRIPS = 8
COUNTS = ("pole_pairs", "direction")  # they have no mean
NOTE = (
    "n: units with a figure; figures rounded by the largest U; s: sample standard deviation over units, the "
    "measurement's scatter included."
)
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
            *_pictures(lot, found, lines, shop),
            _spreads(lines),
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


# ---- lines over the units -------------------------------------------------------------------------------------------


def lines_of_units(lot: Lot, units: Units) -> dict[str, list[Judged]]:
    """Measurand -> the lines that count, over the units that have them; the part's own lines with a limit."""
    made: dict[str, list[Judged]] = {}
    for unit in lot.units:
        for id_, line in unit.lines(lot.rule).items():
            if line.limit is not None and id_ in MEASURANDS and find_measurand(id_).about == "part":
                made.setdefault(id_, []).append(in_units(line, units))
    return made


def values_of_lines(lines: Sequence[Judged]) -> list[float]:
    """Estimates of sound lines that are no bound."""
    return [
        line.result.estimate
        for line in lines
        if line.result is not None
        and line.result.estimate is not None
        and not line.result.qualifier
        and not line.spoiled
    ]


def _spreads(lines: dict[str, list[Judged]]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for id_, own in lines.items():
        values = values_of_lines(own)
        verdicts = Counter(line.verdict.value for line in own)
        counts = ", ".join(f"{verdicts[word]} {word}" for word in MARKS if verdicts[word])
        name = short_name(id_, alone=True)
        if not values or id_ in COUNTS:
            rows.append((name, str(len(own)), "–", "–", "–", "", {"quiet": display(own[-1]).limits}, counts))
            continue
        mean = statistics.fmean(values)
        scale = scale_of(unit_of_line(own[-1]), abs(mean))
        U = scale.factor * max(line.result.U or 0.0 for line in own if line.result is not None)
        figures = [_rounded_by(U, scale.factor * value) for value in (mean, min(values), max(values))]
        s = number(scale.factor * statistics.stdev(values), 2) if len(values) > 1 else "–"
        ends = f"{figures[1]} … {figures[2]}"
        limits = {"quiet": display(_same_scale(own[-1], mean)).limits}
        rows.append((name, str(len(values)), figures[0], s, ends, scale.unit, limits, counts))
    return Table(
        title="Lines with a limit, over the units",
        head=("Quantity", "n", "Mean", "s", "Lowest … highest", "", "Limit", "Verdicts"),
        rows=tuple(rows),
        align="lrrrrlll",
        columns=("1fr", "", "", "", "", "", "", "36"),
        note=NOTE,
    )


def _rounded_by(U: float, value: float) -> str:
    """A figure rounded by the largest U of its line; to four digits where no U is known."""
    return minus(round_result(value, U)[0]) if U else number(value, 4)


def _same_scale(line: Judged, mean: float) -> Judged:
    """The line as if its estimate were the mean, so that its limit is written in the same unit."""
    return line if line.result is None else replace(line, result=replace(line.result, estimate=mean, qualifier=""))


def _pictures(lot: Lot, found: LotAnswer, lines: dict[str, list[Judged]], shop: Shop) -> tuple[Plots, ...]:
    tongue = language(shop.language)
    made: list[Plots] = []
    size = lot.quantity
    curves = [(g.check.name, partial(g.check.passes, lot_size=size)) for g in found.groups if not g.check.every_unit]
    if (seen := characteristic_plot(curves, size, tongue)) is not None:
        aside = "of a lot of this size"
        made.append(Plots(title="Operating characteristic", plots=(seen,), aside=aside))
    strips = []
    for own in lines.values():
        shown = [line for line in own if line.result is not None]
        if (
            shown
            and own[0].measurand not in COUNTS
            and (plot := strip_plot(values_of_lines(shown), shown[-1], tongue)) is not None
        ):
            strips.append(plot)
    if strips:
        made.append(Plots(title="Spread against the limits", plots=tuple(strips[:MOST_STRIPS])))
    return tuple(made)


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
