"""The leaks of a unit over its kept runs, up to one of them. It must never measure or change a verdict.

A library that is out of reach must not hide the run itself: the caller decides what becomes of a RecordError.
"""

from __future__ import annotations

import math
from functools import cache

from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.units.drying import LeakRun, LeakTrend, leak_trend


def leaks_until(stored: StoredRun, store: Store | None = None) -> LeakTrend | None:
    """The trend of this run's unit (part number and serial) up to it; None where there is none.

    Raises RecordError when the records can't be read.
    """
    store = store or Store()
    header, part = stored.header, str(stored.header.part.get("number", ""))
    if not header.kind.judges_part:
        return None
    begun: dict[str, str] = {}
    judges_part = cache(lambda run: StoredRun(store.folder / run).header.kind.judges_part)
    ohm: dict[str, dict[str, float]] = {}
    floors: dict[str, float] = {}
    for of, row in store.unit_results(part, header.serial):
        line = row["measurand"]
        if not line.startswith("leak_") or of.run > stored.id or not judges_part(of.run):
            continue
        if row["estimate"] is None:
            continue
        begun[of.run] = of.started_utc
        ohm.setdefault(of.run, {})[line] = math.inf if row["qualifier"] == ">" else float(row["estimate"])
        if row["lower"] is not None:
            floors[line] = float(row["lower"])
    runs = [LeakRun(run=run, begun_utc=begun[run], ohm=lines) for run, lines in sorted(ohm.items())]
    if not runs or runs[-1].run != stored.id:
        return None
    return leak_trend(runs, floors)
