"""Runs that a person means by a few typed or scanned characters: a serial, a job, a part number, a report, a run id.

It asks the index, never the folders, and is bounded: a home with ten thousand runs answers like one with ten.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.certificate.seal.register import Register
from rig.records.run.listing import RunRow
from rig.records.store import Store

MOST = 50
LONGEST = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """rows: newest first. total: runs that fit. cursor: the run to go on after, "" at the end."""

    rows: Sequence[RunRow]
    total: int
    cursor: str


def search_runs(store: Store, text: str = "", *, after: str = "", most: int = MOST, **where: str) -> Page:
    """The newest runs whose serial, job, part, customer or run id holds `text`, or whose report bears it as its number.

    text: at most 64 characters count; case does not. where: column -> its exact value. after: a run's id, to go on.
    """
    from sqlalchemy import func, or_, select

    from rig.records.index.home_index import only
    from rig.records.index.tables import RUNS

    store.index.refresh()
    wanted = text.strip()[:LONGEST]
    terms = [RUNS.c.home == store.index.home, *only(RUNS, where)]
    if wanted:
        report = Register(store.home).find(wanted)
        columns = ("serial", "job", "part", "customer", "run")
        fits = [RUNS.c[name].icontains(wanted, autoescape=True) for name in columns]
        terms.append(or_(*fits, RUNS.c.run == (report.run if report is not None else "")))
    count = store.index.database.rows(select(func.count().label("n")).where(*terms))
    query = select(*(RUNS.c[name] for name in RunRow.__slots__)).where(*terms)
    if after:
        query = query.where(RUNS.c.run < after)
    rows = [RunRow(**row) for row in store.index.database.rows(query.order_by(RUNS.c.run.desc()).limit(most))]
    return Page(rows=rows, total=int(count[0]["n"]), cursor=rows[-1].run if len(rows) == most else "")
