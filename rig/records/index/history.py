"""Questions about more than one run: a unit across jobs, what changed between its conditions, duplicate serials.

Answers come from the database (every home on it), refreshed from this home's folders first. A difference is arithmetic
with its uncertainty, never a verdict: U of a difference is the root of the squares of both U's, and of k s of each
clamping where the re-clamping scatter s is known (GUM 5.1.2; the runs share no reading). It opens no run folder.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from sqlalchemy import and_, func, select

from rig.records.index import tables
from rig.records.run.suspect import suspect_state
from rig.records.store import Store
from rig.uncertainty.sameness import exceeds

R, T = tables.RUNS, tables.RESULTS
LOOK_ALIKE = str.maketrans("OIL", "011")
K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRun:
    """One run in a unit's history. attempt of attempts: counted over the same job, condition and sequence."""

    run: str
    job: str
    sequence: str
    condition: str
    started_utc: str
    outcome: str
    simulated: bool
    retest_of: str
    attempt: int
    attempts: int
    awaits: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One measurand in two conditions of one unit, in `unit`. U_delta: of the difference, at 95.45 %, or None."""

    measurand: str
    unit: str
    earlier: str
    later: str
    before: float
    after: float
    U_delta: float | None

    @property
    def delta(self) -> float:
        """Later less earlier."""
        return self.after - self.before

    @property
    def beyond(self) -> bool:
        """The difference is larger than its uncertainty."""
        return self.U_delta is not None and exceeds(self.delta, self.U_delta)


class History:
    """Questions to a store's database."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.database = store.index.database

    # ---- units ------------------------------------------------------------------------------------------------

    def unit(self, part: str, serial: str) -> list[UnitRun]:
        """Every run of a unit, oldest first, its attempts counted; a run that was cut short is no attempt."""
        self.store.index.refresh()
        columns = [R.c[name] for name in UnitRun.__slots__ if name in R.c]
        query = select(*columns).where(R.c.serial == serial, R.c.part == part).order_by(R.c.run, R.c.home)
        rows = self.database.rows(query)
        groups: dict[tuple[str, str, str], list[int]] = {}
        for n, row in enumerate(rows):
            if row["outcome"] != "incomplete":
                groups.setdefault((row["job"], row["condition"], row["sequence"]), []).append(n)
        counts = {n: (i, len(group)) for group in groups.values() for i, n in enumerate(group, start=1)}
        return [
            UnitRun(**row, attempt=counts.get(n, (0, 0))[0], attempts=counts.get(n, (0, 0))[1])
            for n, row in enumerate(rows)
        ]

    def changes(self, part: str, serial: str, job: str, *, scatter: Mapping[str, float] | None = None) -> list[Change]:
        """What changed from condition to condition of a unit in a job (as received, after cleaning, after soak ...).

        Of each condition the last judged run of each measurand counts; neighbours in time are compared. scatter:
        measurand -> standard deviation over clampings in its unit. Lines with a qualifier (> or <) are left out.
        """
        self.store.index.refresh()
        names = ("measurand", "unit", "estimate", "U")
        query = (
            select(R.c.condition, R.c.run, *(T.c[name] for name in names))
            .join(T, and_(T.c.home == R.c.home, T.c.run == R.c.run))
            .where(R.c.serial == serial, R.c.part == part, R.c.job == job)
            .where(T.c.estimate.is_not(None), T.c.qualifier == "", T.c.verdict != "not tested")
            .order_by(R.c.run, T.c.line)
        )
        newest: dict[str, dict[str, dict[str, Any]]] = {}
        for row in self.database.rows(query):
            newest[row["condition"]] = newest.pop(row["condition"], {}) | {row["measurand"]: row}
        return [
            _change(before[id_], after[id_], earlier, later, (scatter or {}).get(id_, 0.0))
            for (earlier, before), (later, after) in pairwise(newest.items())
            for id_ in before
            if id_ in after
        ]

    def duplicates(self, part: str, serial: str, job: str = "") -> list[str]:
        """Warnings before a unit is taken in: the serial is in the house, is another part's, or looks like another's.

        A unit that came back under a new job after it was returned is no duplicate.
        """
        self.store.index.refresh()
        i, r = tables.INTAKES, tables.RETURNS
        left = {
            (row["job"], row["part"], row["serial"]): row["n"]
            for row in self.database.rows(
                select(r.c.job, r.c.part, r.c.serial, func.count().label("n")).group_by(r.c.job, r.c.part, r.c.serial)
            )
        }
        warnings = []
        for row in self.database.rows(select(i).order_by(i.c.received_utc, i.c.entry)):
            unit = (row["job"], row["part"], row["serial"])
            if left.get(unit, 0) > 0:
                left[unit] -= 1
            elif row["part"] == part and alike(row["serial"]) == alike(serial):
                where = "this job" if row["job"] == job else f"job {row['job']}"
                same = "is" if row["serial"] == serial else f"looks like {row['serial']!r}, which is"
                warnings.append(f"serial {serial!r} {same} in the house already under {where}, tag {row['tag']}.")
        others = select(R.c.part).where(R.c.serial == serial, R.c.part != part, R.c.part != "").distinct()
        warnings += [
            f"serial {serial!r} is known as part {row['part']} too."
            for row in self.database.rows(others.order_by(R.c.part))
        ]
        return warnings

    def job(self, job: str) -> dict[str, Any]:
        """A job as far as it is known: its data, intakes, returns and runs, oldest first; job None when not opened."""
        self.store.index.refresh()
        j, i, r = tables.JOBS, tables.INTAKES, tables.RETURNS
        opened = self.database.rows(select(j).where(j.c.job == job))
        return {
            "job": opened[0] if opened else None,
            "intakes": self.database.rows(select(i).where(i.c.job == job).order_by(i.c.received_utc, i.c.entry)),
            "returns": self.database.rows(select(r).where(r.c.job == job).order_by(r.c.returned_utc, r.c.entry)),
            "runs": [
                {**row, "suspect": suspect_state(self.store.folder / row["run"])}
                for row in self.database.rows(select(R).where(R.c.job == job).order_by(R.c.run, R.c.home))
            ],
        }

    def instruments(self, today: str) -> list[dict[str, Any]]:
        """Every instrument seen, with its calibrations (oldest first) and its status on a day (ISO 8601).

        status: "calibrated" (the newest one is not due yet), "overdue", or "no calibration recorded".
        """
        self.store.index.refresh()
        i, c = tables.INSTRUMENTS, tables.CALIBRATIONS
        found = self.database.rows(select(i).order_by(i.c.role, i.c.instrument))
        made = self.database.rows(select(c).order_by(c.c.calibrated, c.c.due))
        for row in found:
            own = [line for line in made if line["instrument"] == row["instrument"]]
            row["calibrations"] = own
            row["status"] = "no calibration recorded"
            if own:
                row["status"] = "calibrated" if not own[-1]["due"] or own[-1]["due"] >= today else "overdue"
        return found


def _change(before: Mapping[str, Any], after: Mapping[str, Any], earlier: str, later: str, s: float) -> Change:
    U_delta = None
    if before["U"] is not None and after["U"] is not None:
        U_delta = math.sqrt(before["U"] ** 2 + after["U"] ** 2 + 2.0 * (K * s) ** 2)
    return Change(
        measurand=after["measurand"],
        unit=after["unit"],
        earlier=earlier,
        later=later,
        before=before["estimate"],
        after=after["estimate"],
        U_delta=U_delta,
    )


def alike(serial: str) -> str:
    """A serial without what is easily misread: case, blanks, dashes; O is 0, I and L are 1."""
    return re.sub(r"[\s._/-]", "", serial).upper().translate(LOOK_ALIKE)
