"""Lines over the units of a lot: mean, spread, limits and verdicts as a table, and their pictures.

Figures are those of the runs; nothing is judged here. s is the sample standard deviation over units and holds the
measurement's own scatter.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from rig.certificate.page.lot_plots import characteristic_plot
from rig.certificate.page.trend import strip_plot
from rig.certificate.sheets.sheet import Cell, Plots, Table
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
from rig.measurands import MEASURANDS
from rig.result import Judged
from rig.review.lots.answer import LotAnswer
from rig.review.lots.lot import Lot
from rig.uncertainty.rounding import round_result

MOST_STRIPS = 8
COUNTS = ("pole_pairs", "direction")  # they have no mean
NOTE = (
    "n: units with a figure; figures rounded by the largest U; s: sample standard deviation over units, the "
    "measurement's scatter included."
)


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


def spread_table(lines: dict[str, list[Judged]]) -> Table:
    """Mean, spread and verdicts of every line with a limit."""
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


def pictures(lot: Lot, found: LotAnswer, lines: dict[str, list[Judged]], shop: Shop) -> tuple[Plots, ...]:
    """What the plans can see, and the spread of the lines against their limits."""
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
