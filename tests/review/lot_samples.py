"""Lots without a bench: entries in a book and runs with judgements made line by line, for tests and shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from rig.description.lots import LotFile
from rig.measurands import measurand
from rig.quantity import Limit
from rig.records.book.lot_entries import LotDelivery, LotOpened
from rig.records.book.lots import LotBook
from rig.records.run.record import RunHeader
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judged, Judgement, Result
from rig.review.lots.lot import Lot
from rig.review.lots.plan import frozen
from rig.uncertainty.conformity import Verdict, verdict_of

GOOD: Mapping[str, float] = {
    "r20_sin": 15.0,
    "leak_sin_core": 1e9,
    "direction": 1.0,
    "tr_sin": 0.30,
    "error_max_elec_arcmin": 30.0,
}
LIMITS: Mapping[str, tuple[float | None, float | None, float]] = {  # lower, upper, u
    "r20_sin": (13.5, 16.5, 0.02),
    "leak_sin_core": (20e6, None, 1e7),
    "direction": (1.0, 1.0, 0.0),
    "tr_sin": (0.265, 0.335, 0.001),
    "error_max_elec_arcmin": (None, 75.0, 3.0),
}
PART = {"number": "KX4-2207", "schema": "anglewright part 1"}


def a_line(id_: str, value: float | None, spoiled: str = "") -> Judged:
    """A judged line under the sample's limits; value None: not tested."""
    lower, upper, u = LIMITS[id_]
    limit = Limit(measurand=id_, lower=lower, upper=upper, origin="customer")
    if value is None or spoiled:
        return Judged(measurand=id_, result=None, limit=limit, verdict=Verdict.NOT_TESTED, spoiled=spoiled)
    result = Result(measurand=id_, estimate=value, unit=measurand(id_).unit, u=u, k=2.0, dof=None)
    verdict = verdict_of(value, 2.0 * u, lower, upper, 1.0, "", measurand(id_).nonnegative)
    return Judged(measurand=id_, result=result, limit=limit, verdict=verdict)


def a_judgement(**changed: float | None) -> Judgement:
    """A unit's judgement; of a line that is given another value stands, None for one that was not tested."""
    lines = tuple(a_line(id_, changed.get(id_, value)) for id_, value in GOOD.items())
    verdicts = {line.verdict for line in lines}
    outcome = "outside limits" if Verdict.FAIL in verdicts else "within limits"
    if outcome != "outside limits" and verdicts - {Verdict.PASS}:
        outcome = "undecided"
    return Judgement(outcome=outcome, judged=lines, reasons=(), findings=())


def a_file(**changed: Any) -> LotFile:
    """A lot file of twenty units."""
    told: dict[str, Any] = {"lot": "L-0001", "supplier": "Fallowmere (invented)", "part": "KX4-2207", "quantity": 20}
    return LotFile.model_validate({"schema": "anglewright lot 1"} | told | changed)


def open_sample(store: Store, file: LotFile, serials: Sequence[str] = (), *, freeze: bool = True) -> Lot:
    """A lot in the book, its plan fixed."""
    book = LotBook(store)
    rows = [{"row": n, "serial": s, "code": s, "box": "", "claimed": {}} for n, s in enumerate(serials, start=2)]
    data = file.model_dump(mode="json", by_alias=True)
    with book.turn():
        book.add(LotOpened(lot=file.lot, supplier=file.supplier, part=file.part, file=data))
        book.add(LotDelivery(lot=file.lot, quantity=file.quantity, rows=rows))
        if freeze:
            lot = Lot(store, file.lot)
            seed = file.seed or 46021
            book.add(frozen(lot.file, lot.rows, lot.quantity, seed, lot.severities(), "operator 2"))
    return Lot(store, file.lot)


def keep_run(store: Store, lot: Lot, label: str, judgement: Judgement, serial: str = "", **header: Any) -> StoredRun:
    """A run of a unit of the lot, judged so."""
    unit, second = lot.unit(label), len(store.ids())
    told: dict[str, Any] = {
        "sequence": "full_test",
        "started_utc": f"2026-11-30T09:{15 + second // 60:02d}:{second % 60:02d}Z",
        "serial": serial or unit.serial or f"PT-{unit.place:03d}",
        "part": PART,
        "job": lot.name,
        "details": {"lot": {"label": label, "sitting": 1}},
    }
    return store.finish(store.begin(RunHeader(**(told | header))), judgement=judgement)


def run_all(store: Store, lot: Lot, odd: Mapping[str, Judgement] | None = None) -> Lot:
    """Every unit that is needed, good but for those of `odd`."""
    for unit in lot.units:
        if lot.needs(unit):
            keep_run(store, lot, unit.label, (odd or {}).get(unit.label, a_judgement()))
    return Lot(store, lot.name)


def undecided(id_: str = "tr_sin") -> Judgement:
    """A judgement whose one line was spoiled."""
    whole = a_judgement()
    lines = tuple(a_line(id_, None, "interference") if one.measurand == id_ else one for one in whole.judged)
    return replace(whole, outcome="undecided", judged=lines)
