"""A unit's history on paper: its runs in all jobs, what changed between conditions, its main lines over time, reports.

Facts and differences with their uncertainty, no verdict of its own. It reads the store and the register; the page is
sheet.py's. A difference is stated only between runs that were both sound for that line.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.certificate.page.trend import Point, points_plot
from rig.certificate.seal.register import Register
from rig.certificate.sheets.sheet import Cell, Plots, Sheet, Table, Text, outcome_cell, span, value_cell, verdict_cell
from rig.certificate.shop import Shop
from rig.certificate.words.language import Language, language
from rig.certificate.words.units import Units, in_units
from rig.certificate.words.wording import display, short_name
from rig.errors import UsageError
from rig.records.index.history import Change, History, UnitRun
from rig.records.store import Store
from rig.result import Judged, Result
from rig.uncertainty.conformity import Verdict

MAIN = (
    "error_max_elec_arcmin",
    "tr_sin",
    "tr_cos",
    "tr_imbalance",
    "orthogonality_elec_deg",
    "null_total_sin_v",
    "null_total_cos_v",
    "r20_exc",
    "r20_sin",
    "r20_cos",
    "leak_sin_core",
)
PLOTTED = ("error_max_elec_arcmin", "tr_sin", "r20_sin", "null_total_sin_v")
COLUMNS = 3
CLAMPINGS = "Results of different days hold each for their own clamping; the runs' own reports say the limits."


def history_sheet(store: Store, part: str, serial: str, shop: Shop) -> Sheet:
    """The history of a unit. part "" when the serial is known under one part only.

    Raises UsageError for a serial that is unknown, or known under several parts.
    """
    part = part or _part_of(store, serial)
    history, tongue, units = History(store), language(shop.language), Units(shop.temperature, shop.angle)
    runs = [run for run in history.unit(part, serial) if (store.folder / run.run).is_dir()]
    if not runs:
        raise UsageError(f"no run of part {part}, serial {serial}.", next_action="Look it up with: anglewright unit.")
    judged = [(run, _lines(store, run, units)) for run in runs]
    jobs = list(dict.fromkeys(run.job for run in runs if run.job))
    changes = [change for job in jobs for change in history.changes(part, serial, job)]
    return Sheet(
        title="Unit history",
        subject=f"{part}, {serial}",
        facts=(
            ("Part number", part),
            ("Serial", serial),
            ("Runs", str(len(runs))),
            ("Jobs", ", ".join(jobs) or "none"),
            ("From", span(run.started_utc for run in runs)),
            ("Last outcome", ", ".join(filter(None, (runs[-1].outcome, runs[-1].awaits)))),
        ),
        blocks=(
            _runs(store, runs),
            _over_time(judged),
            *_change_tables(changes, units),
            *_trends(judged, tongue),
        ),
        simulated=any(run.simulated for run in runs),
        statements=(CLAMPINGS,),
    )


def _part_of(store: Store, serial: str) -> str:
    parts = sorted({found.part for found in store.list(serial=serial)})
    if len(parts) != 1:
        what = f"serial {serial!r} is known under {len(parts)} parts" if parts else f"serial {serial!r} is unknown"
        raise UsageError(f"{what}.", next_action=f"Give --part ({', '.join(parts)})." if parts else "Check it.")
    return parts[0]


def _lines(store: Store, run: UnitRun, units: Units) -> dict[str, Judged]:
    judgement = store.find(run.run).judgement
    return {line.measurand: in_units(line, units) for line in judgement.judged} if judgement else {}


def _runs(store: Store, runs: Sequence[UnitRun]) -> Table:
    register = Register(store.home)
    rows: list[tuple[Cell, ...]] = []
    for run in runs:
        reports = register.of_run(run.run)
        numbers = "; ".join(f"{e.number} ({register.state(e.number).partition(':')[0]})" for e in reports)
        attempt = f"{run.attempt} of {run.attempts}" if run.attempts > 1 else ""
        day = f"{run.started_utc[:10]} {run.started_utc[11:16]}"
        rows.append(
            (
                day,
                run.job,
                run.condition or "–",
                run.sequence.replace("_", " "),
                attempt,
                outcome_cell(run.outcome, run.awaits),
                numbers,
            )
        )
    return Table(
        title="Runs",
        head=("Begun (UTC)", "Job", "Condition", "Sequence", "Attempt", "Outcome", "Reports"),
        rows=tuple(rows),
        columns=("", "", "1fr", "", "", "32", "52"),
    )


def _over_time(judged: Sequence[tuple[UnitRun, dict[str, Judged]]]) -> Table:
    last = [row for row in judged if row[1]][-COLUMNS:]
    ids = [id_ for id_ in MAIN if any(id_ in lines for _, lines in last)]
    rows = []
    for id_ in ids:
        cells: list[Cell] = [value_cell(lines.get(id_), 1.0) for _, lines in last]
        newest = next((lines[id_] for _, lines in reversed(last) if id_ in lines), None)
        limits = display(newest).limits if newest else ""
        rows.append((short_name(id_, alone=True), *cells, {"quiet": limits or "–"}, verdict_cell(newest)))
    head = tuple(f"{run.started_utc[:10]} {run.run[-4:]}" for run, _ in last)
    return Table(
        title="Main lines",
        aside=f"the last {len(last)} runs" if len(judged) > len(last) else "",
        head=("Quantity", *head, "Limit", "Last verdict"),
        rows=tuple(rows),
        align="l" + "r" * len(last) + "ll",
        columns=("1fr", *("" for _ in last), "", "25"),
    )


def _change_tables(changes: Sequence[Change], units: Units) -> tuple[Table | Text, ...]:
    rows = []
    for change in changes:
        if change.measurand not in MAIN:
            continue
        before, after = (_plain(change, value, units) for value in (change.before, change.after))
        delta = _plain(change, change.delta, units, change.U_delta)
        size: Cell = {"strong": "more than its uncertainty"} if change.beyond else {"quiet": "within its uncertainty"}
        if change.U_delta is None:
            size = {"quiet": "no uncertainty known"}
        rows.append(
            (
                short_name(change.measurand, alone=True),
                f"{change.earlier or '–'} → {change.later or '–'}",
                value_cell(before, 0.0),
                value_cell(after, 0.0),
                value_cell(delta, 0.0),
                size,
            )
        )
    if not rows:
        return ()
    return (
        Table(
            title="What changed between conditions",
            aside="later less earlier, with the uncertainty of the difference",
            head=("Quantity", "Condition", "Before", "After", "Difference", ""),
            rows=tuple(rows),
            align="llrrrl",
        ),
    )


def _plain(change: Change, value: float, units: Units, U: float | None = None) -> Judged:
    """A bare figure of a measurand in the printed unit."""
    u, k = (U / 2.0, 2.0) if U else (None, None)
    result = Result(measurand=change.measurand, estimate=value, unit=change.unit, u=u, k=k, dof=None)
    return in_units(Judged(measurand=change.measurand, result=result, limit=None, verdict=Verdict.NO_LIMIT), units)


def _trends(judged: Sequence[tuple[UnitRun, dict[str, Judged]]], tongue: Language) -> tuple[Plots, ...]:
    plots = []
    for id_ in PLOTTED:
        points = [Point(run.started_utc[5:10], lines[id_]) for run, lines in judged if id_ in lines]
        if (plot := points_plot(points, tongue)) is not None:
            plots.append(plot)
    return (Plots(title="Over the runs", plots=tuple(plots)),) if plots else ()
