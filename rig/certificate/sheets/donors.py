"""Donors side by side: the same lines of several units against their limits, outcome, margin, angle error together.

It helps to choose: which unit to fit is an opinion with its figures (rig/review/units/advice.py), and each
unit's own report
stays what counts. Margin is the share of the tolerance that estimate and U leave free, smallest over the lines with a
limit. It reads stored runs; the page is set by sheet.py.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.certificate.content.key_lines import bar_of
from rig.certificate.content.statements import finding_name
from rig.certificate.page.trend import orders_overlay_plot, overlay_plot
from rig.certificate.sheets.sheet import Cell, Plots, Sheet, Table, bar_cell, outcome_cell, value_cell, verdict_cell
from rig.certificate.shop import Shop
from rig.certificate.words.language import language
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import display, number, short_name
from rig.records.run.stored import StoredRun
from rig.result import Judged, Judgement
from rig.review.units.advice import Advice, advice
from rig.review.units.comparing import ASPECTS, compare
from rig.review.units.margins import margin, share_used


def donor_sheet(runs: Sequence[StoredRun], shop: Shop) -> Sheet:
    """Two to four judged runs of one part number side by side. Raises UsageError for others.

    What was measured differently stands among the closing sentences; `anglewright unit compare` asks first.
    """
    found = compare(runs, despite=ASPECTS)
    judgements = [unit.judgement for unit in found.units]
    units, tongue = Units(shop.temperature, shop.angle), language(shop.language)
    lines = [{line.measurand: in_units(line, units) for line in j.judged} for j in judgements]
    names = [unit.name for unit in found.units]
    return Sheet(
        title="Donor comparison",
        subject=f"{found.part}: {', '.join(names)}",
        facts=(
            ("Part number", found.part),
            ("Units", str(len(runs))),
            ("Rotor", "; ".join(dict.fromkeys(run.header.rotor for run in runs))),
            ("Condition", "; ".join(dict.fromkeys(run.header.condition or "not stated" for run in runs))),
        ),
        blocks=(
            _summary(runs, names, judgements),
            _advice_table(advice(found)),
            _side_by_side(names, lines),
            *_bars(names, lines),
            *_overlay(names, judgements, tongue.code),
        ),
        simulated=found.is_simulated,
        statements=(
            *(f"Not measured alike: {aspect}." for aspect in found.differs.values()),
            "Angle error belongs to the pair of stator and rotor: units measured with different rotors differ by them.",
            "A comparison of clampings: differences within the uncertainties say nothing about which unit is better.",
        ),
    )


def _advice_table(opinion: Advice) -> Table:
    return Table(
        title="Which to fit",
        aside="an opinion, in figures",
        head=(opinion.text.removeprefix("Opinion: "),),
        rows=tuple((reason,) for reason in opinion.reasons),
        columns=("1fr",),
        align="l",
    )


def _summary(runs: Sequence[StoredRun], names: Sequence[str], judgements: Sequence[Judgement]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for run, name, judgement in zip(runs, names, judgements, strict=True):
        free = margin(judgement)
        free_share = f"{number(100.0 * free[0], 2)} %" if free else "–"
        by = short_name(free[1], alone=True) if free else "–"
        findings = ", ".join(finding_name(f.code) for f in judgement.findings[:2]) or "–"
        day = run.header.started_utc[:10]
        rows.append(
            (
                {"strong": name},
                day,
                outcome_cell(judgement.outcome, judgement.awaits_text),
                free_share,
                by,
                {"quiet": findings},
                run.id,
            )
        )
    return Table(
        title="Units",
        head=("Serial", "Day", "Outcome", "Margin", "smallest at", "Hints", "Run"),
        rows=tuple(rows),
        align="lllrlll",
        columns=("", "", "32", "", "1fr", "", ""),
        note="Margin: the part of the tolerance that estimate and U leave free, at the line where it is smallest.",
    )


def _side_by_side(names: Sequence[str], lines: Sequence[dict[str, Judged]]) -> Table:
    ids = list(dict.fromkeys(id_ for own in lines for id_, line in own.items() if line.limit is not None))
    rows: list[tuple[Cell, ...]] = []
    for id_ in ids:
        cells: list[Cell] = []
        for own in lines:
            line = own.get(id_)
            cells.append(value_cell(line, 1.0))
            cells.append(_mark(line))
        first = next(own[id_] for own in lines if id_ in own)
        rows.append((short_name(id_, alone=True), *cells, {"quiet": display(first).limits}))
    head = [text for name in names for text in (name, "")]
    return Table(
        title="Every line with a limit",
        head=("Quantity", *head, "Limit"),
        rows=tuple(rows),
        align="l" + "rl" * len(names) + "l",
        columns=("1fr", *("" for _ in head), ""),
    )


def _mark(line: Judged | None) -> Cell:
    return {"quiet": ""} if line is None else {"verdict": line.verdict.value, "words": " "}


def _bars(names: Sequence[str], lines: Sequence[dict[str, Judged]]) -> tuple[Table, ...]:
    """The lines on which the units differ most, as bars to one scale each."""
    ids = [id_ for id_ in lines[0] if all(id_ in own and own[id_].limit is not None for own in lines)]
    ids = [id_ for id_ in ids if all(bar_of(own[id_], 1.0) is not None for own in lines)]
    apart = sorted(ids, key=lambda id_: -_apart([own[id_] for own in lines]))[:3]
    rows: list[tuple[Cell, ...]] = []
    for id_ in apart:
        for name, own in zip(names, lines, strict=True):
            title: Cell = short_name(id_, alone=True) if name == names[0] else ""
            rows.append((title, name, value_cell(own[id_], 1.0), bar_cell(own[id_], 1.0), verdict_cell(own[id_])))
    if not rows:
        return ()
    return (
        Table(
            title="Where they differ most",
            aside="against the limits, to scale",
            head=("Quantity", "Serial", "Estimate", "", "Verdict"),
            rows=tuple(rows),
            align="llrll",
            columns=("1fr", "", "", "50", "25"),
        ),
    )


def _apart(lines: Sequence[Judged]) -> float:
    values = [share_used(line) for line in lines]
    return max(values) - min(values)


def _overlay(names: Sequence[str], judgements: Sequence[Judgement], code: str) -> tuple[Plots, ...]:
    def curves(x: str, *ys: str) -> list[tuple[str, Sequence[float], Sequence[float]]]:
        """(label, x, y) of each unit; y is the first of `ys` that it has, with NaN for a missing point."""
        found: list[tuple[str, Sequence[float], Sequence[float]]] = []
        for name, judgement in zip(names, judgements, strict=True):
            told = judgement.curves.to_dict()
            y: Sequence[float | None] = next((points for key in ys if (points := told.get(key))), [])
            found.append((name, told.get(x) or [], [float("nan") if v is None else v for v in y]))
        return found

    tongue = language(code)
    turn = overlay_plot(curves("angle_mech_deg", "error_model_elec_arcmin", "error_mean_elec_arcmin"), tongue)
    orders = orders_overlay_plot(curves("orders", "orders_mech_arcmin"), tongue)
    titles = ("Over one turn of the rotor", "By orders of a turn")
    return tuple(Plots(title=t, plots=(plot,)) for t, plot in zip(titles, (turn, orders), strict=True) if plot)
