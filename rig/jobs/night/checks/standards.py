"""The bench's check standards: declared by certificate, due or in force, and what one that was outside makes suspect.

Nothing here changes a run: what became suspect is an entry beside it, as for an instrument found out of tolerance.
"""

from __future__ import annotations

import math
from datetime import date

from rig.errors import UsageError
from rig.jobs.kept.laboratory import parse_day
from rig.measurands import BENCH, BENCH_LINES
from rig.records.book.jobs import Book
from rig.records.book.laboratory import DeclaredStandard
from rig.records.run.suspect import put_suspect, suspect_entries
from rig.records.store import Store
from rig.review.charts import (
    COVERS,
    chart,
    covered_by,
    covered_lines,
    declared_standards,
    in_force,
    intervals,
    part_runs,
)

CHECKED_AT_NIGHT = ("check_resistor", "ratio_sin", "ratio_cos")
"""Lines with a standard of their own that no hand is needed for; the loopback needs none: it compares channels."""


def declare_standard(store: Store, wanted: DeclaredStandard) -> DeclaredStandard:
    """Put a standard down. Raises UsageError for an unknown line, a figure that is none, or dates out of order."""
    known = [id_.removeprefix(BENCH) for id_ in BENCH_LINES]
    if wanted.standard not in known:
        raise UsageError(f"{wanted.standard!r} is no standard of a bench.", next_action=f"One of: {', '.join(known)}.")
    if not math.isfinite(wanted.value) or not math.isfinite(wanted.U) or wanted.U <= 0.0:
        raise UsageError(
            f"a standard of {wanted.value:g} with U {wanted.U:g} was given.",
            next_action="Copy value and expanded uncertainty (k = 2) from its certificate; U is above 0.",
        )
    for name, text in (("bench", wanted.bench), ("serial", wanted.serial), ("certificate", wanted.certificate)):
        if not text.strip():
            raise UsageError(f"the standard's {name} is empty.", next_action="Copy it from the certificate.")
    if parse_day(wanted.on) > parse_day(wanted.until):
        raise UsageError(
            f"the standard was calibrated on {wanted.on}, after its last day {wanted.until}.",
            next_action="Look at both dates.",
        )
    return Book(store).add("declared-standard", wanted, "at_utc")


def standards_due(store: Store, bench: str, until: date) -> list[str]:
    """What no declared standard of a bench covers up to a day, a line each."""
    declared, found = declared_standards(store), []
    for standard in CHECKED_AT_NIGHT:
        if in_force(declared, bench, standard, until.isoformat()) is None:
            last = max((one.until for one in declared if (one.bench, one.standard) == (bench, standard)), default="")
            found.append(f"{standard} {f'ended {last}' if last else 'was never declared'}")
    return found


def mark_suspects(store: Store, standard: str, bench: str, who: str, remark: str = "") -> list[tuple[str, str, int]]:
    """An entry beside each run between a standard's last good take and a bad one: the new ones as (run, take, lines).

    Runs without a line that the standard stands for get none. Raises UsageError for a standard nobody has taken, and
    for one that stands for no line of a part.
    """
    if not covered_by(standard):
        raise UsageError(
            f"standard {standard!r} stands for no line of a part, so nothing becomes suspect by it.",
            next_action=f"Those that do begin with: {', '.join(COVERS)}.",
        )
    points = chart(standard, bench, store).points
    runs = part_runs([store.find(run) for run in store.ids()], bench)
    kept = {run.id: run for run in runs}
    found = []
    for one in intervals(points, runs):
        words = {"standard": standard, "bench": bench, "take": one.take, "since": one.since, "until": one.until}
        for run in (kept[id_] for id_ in one.runs):
            lines = covered_lines(run, standard)
            marked = any((e.get("standard"), e.get("take")) == (standard, one.take) for e in suspect_entries(run.path))
            if lines and not marked:
                more = {"said": one.said, "lines": list(lines), "who": who, "remark": remark}
                put_suspect(run.path, {**words, **more})
                store.index.mark_stale(run.id)
                found.append((run.id, one.take, len(lines)))
    return found
