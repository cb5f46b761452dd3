"""Which kept runs a person means: a run id or its beginning, "latest", a serial or report number, a few characters.

Order: exact run id, "latest", exact serial number, report number, beginning or end of a run id. A serial number stands
for the newest run that fits what is asked for. It prints nothing; who asks shows which run was taken.
A search asks the index, never the folders, and is bounded: ten thousand runs answer like ten.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.certificate.seal.register import Register
from rig.description.traits import Traits
from rig.errors import UsageError
from rig.records.run.listing import RunRow
from rig.records.run.stored import StoredRun
from rig.records.store import Store

CLOSED = "incomplete"  # the outcome of a run that was cut short


@dataclass(frozen=True, slots=True, kw_only=True)
class RunKind:
    """What a verb wants of a serial's runs, by the traits of their sequences (rig/description/traits.py).

    question: only runs that answer it; None: of any. certified: only runs that earn a report; certified_first: those
    before others. judged: runs that were cut short do not count.
    """

    question: str | None = None
    certified: bool = False
    certified_first: bool = False
    judged: bool = True

    @property
    def description(self) -> str:
        """In words, what kind of run is wanted."""
        if self.question:
            return f"{self.question} run"
        return "run that earns a report" if self.certified else "whole run"

    def admits(self, row: RunRow, traits: Traits) -> bool:
        """Whether a run of the list fits."""
        of_kind = self.question in (None, traits.question) and (traits.certified or not self.certified)
        return of_kind and not (self.judged and row.outcome == CLOSED)


def find_run(store: Store, what: str, fit: RunKind | None = None, *, part: str = "") -> StoredRun:
    """The run that `what` stands for.

    part: the part number, where a serial number is known under several. Raises UsageError that lists what fits, or
    what is known, when there is none or more than one.
    """
    if (store.folder / what).is_dir():
        return StoredRun(store.folder / what)
    if what == "latest":
        return store.find(what)
    rows = store.list(**{"serial": what} | ({"part": part} if part else {}))
    if rows:
        return StoredRun(store.folder / _newest(store, what, rows, fit or RunKind()))
    report = Register(store.home).find(what)
    return store.find(report.run if report is not None else what)


def _newest(store: Store, serial: str, rows: Sequence[RunRow], fit: RunKind) -> str:
    parts = sorted({row.part for row in rows})
    if len(parts) > 1:
        raise UsageError(
            f"serial {serial} is known under {len(parts)} parts: {', '.join(parts)}.",
            next_action="Name one with --part.",
        )
    traits = {row.run: StoredRun(store.folder / row.run).header.kind for row in rows}
    fitting = [row for row in rows if fit.admits(row, traits[row.run])]
    if not fitting:
        raise UsageError(
            f"serial {serial} has {len(rows)} runs, none of them a {fit.description}.",
            next_action=f"Give a run: anglewright unit {serial} lists them.",
        )
    return next((row.run for row in fitting if fit.certified_first and traits[row.run].certified), fitting[0].run)


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
