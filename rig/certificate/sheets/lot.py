"""A lot on paper: the newest judged run of each unit, outcomes counted, each line's spread against its limits.

Counts and spreads of what was tested; it infers nothing about units that were not (that takes a sampling plan agreed
beforehand). s is the sample standard deviation over units and holds the measurement's own scatter. The page: sheet.py.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from rig.certificate.content.statements import finding_name
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
from rig.errors import UsageError
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judged, Judgement
from rig.uncertainty.rounding import round_result

PLOTTED = ("error_max_elec_arcmin", "tr_sin", "tr_cos", "r20_sin", "null_total_sin_v", "orthogonality_elec_deg")
COUNTED = "Counted are the units that were tested, each by its newest judged run; nothing is said of others."
NOTE = (
    "n: units with a figure; figures rounded by the largest U; s: sample standard deviation over units, the "
    "measurement's scatter included."
)
FEW = (
    "{n} units say little about others: of a lot in which one unit in five is bad, five good ones are drawn by chance "
    "in one case of three."
)


def lot_sheet(store: Store, shop: Shop, *, job: str = "", part: str = "") -> Sheet:
    """The units of a job, or of a part number, each by its newest judged run. Raises UsageError when there is none."""
    newest = _newest(store, job, part)
    numbers = sorted({str(run.header.part.get("number", "")) for run, _ in newest})
    if len(numbers) != 1:
        what = f"job {job!r}" if job else f"part {part!r}"
        found = f"units of {len(numbers)} part numbers ({', '.join(numbers)})" if numbers else "no judged run"
        raise UsageError(
            f"{what}: {found}.", next_action="Give --job, --part or both, so that one part number is left."
        )
    units = Units(shop.temperature, shop.angle)
    outcomes = Counter(judgement.outcome for _, judgement in newest)
    lines = _by_measurand([[in_units(line, units) for line in judgement.judged] for _, judgement in newest])
    few: tuple[Text, ...] = ()
    if len(newest) < 20:
        few = (Text(title="", text=FEW.format(n=len(newest))),)
    return Sheet(
        title="Lot summary",
        subject=", ".join(text for text in (job, numbers[0]) if text),
        facts=(
            ("Part number", numbers[0]),
            ("Job", job or "all"),
            ("Units tested", str(len(newest))),
            ("From", span(run.header.started_utc for run, _ in newest)),
            *((outcome.capitalize(), str(n)) for outcome, n in outcomes.most_common()),
        ),
        blocks=(_spreads(lines), *_strips(lines, shop), _units(newest), *few),
        simulated=any(run.header.simulated for run, _ in newest),
        statements=(COUNTED,),
    )


def _newest(store: Store, job: str, part: str) -> list[tuple[StoredRun, Judgement]]:
    where = {key: text for key, text in (("job", job), ("part", part)) if text}
    made: dict[tuple[str, str], tuple[StoredRun, Judgement]] = {}
    for found in store.list(**where):
        if (unit := (found.part, found.serial)) not in made:
            run = store.find(found.run)
            if run.judgement is not None:
                made[unit] = (run, run.judgement)
    return sorted(made.values(), key=lambda row: row[0].header.serial)


def _by_measurand(units: Sequence[Sequence[Judged]]) -> dict[str, list[Judged]]:
    made: dict[str, list[Judged]] = {}
    for lines in units:
        for line in lines:
            if line.limit is not None and find_measurand(line.measurand).about == "part":
                made.setdefault(line.measurand, []).append(line)
    return made


def _values(lines: Sequence[Judged]) -> list[float]:
    return [
        line.result.estimate
        for line in lines
        if line.result is not None and line.result.estimate is not None and not line.result.qualifier
    ]


def _spreads(lines: dict[str, list[Judged]]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for id_, own in lines.items():
        values = _values(own)
        verdicts = Counter(line.verdict.value for line in own)
        counts = ", ".join(f"{verdicts[word]} {word}" for word in MARKS if verdicts[word])
        name = short_name(id_, alone=True)
        if not values:
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


def _strips(lines: dict[str, list[Judged]], shop: Shop) -> tuple[Plots, ...]:
    plots = []
    for id_ in PLOTTED:
        own = [line for line in lines.get(id_, []) if line.result is not None]
        if own and (plot := strip_plot(_values(own), own[-1], language(shop.language))) is not None:
            plots.append(plot)
    return (Plots(title="Spread against the limits", plots=tuple(plots)),) if plots else ()


def _units(newest: Sequence[tuple[StoredRun, Judgement]]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for run, judgement in newest:
        bad = [short_name(line.measurand, alone=True) for line in judgement.judged if line.verdict.value == "fail"]
        why = "; ".join(bad[:3]) or "; ".join(r.code.replace("-", " ") for r in judgement.reasons[:2]) or "–"
        hints = ", ".join(finding_name(f.code) for f in judgement.findings[:1]) or "–"
        day = run.header.started_utc[:10]
        rows.append(
            (
                {"strong": run.header.serial},
                day,
                outcome_cell(judgement.outcome, judgement.awaits_text),
                why,
                {"quiet": hints},
            )
        )
    return Table(
        title="Units",
        head=("Serial", "Day", "Outcome", "Outside, or why unsound", "Hints"),
        rows=tuple(rows),
        columns=("", "", "38", "1fr", ""),
    )
