"""The leaks of a unit over its kept runs, up to one of them. It must never measure or change a verdict.

A library that is out of reach must not hide the run itself: the caller decides what becomes of a RecordError.
"""

from __future__ import annotations

import math

from rig.diagnosis.drying import LeakRun, LeakTrend, leak_trend
from rig.records.run.stored import StoredRun
from rig.records.store import Store

MEASURING = ("full_test", "quick_screen")


def leaks_until(stored: StoredRun, store: Store | None = None) -> LeakTrend | None:
    """The trend of this run's unit (part number and serial) up to it; None where there is none.

    Raises RecordError when the records can't be read.
    """
    store = store or Store()
    header, part = stored.header, str(stored.header.part.get("number", ""))
    if header.sequence not in MEASURING:
        return None
    begun: dict[str, str] = {}
    ohm: dict[str, dict[str, float]] = {}
    floors: dict[str, float] = {}
    for of, row in store.unit_results(part, header.serial):
        line = row["measurand"]
        if not line.startswith("leak_") or of.run > stored.id or of.sequence not in MEASURING:
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
