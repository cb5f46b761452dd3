"""A supplier over his lots: our own suspects first, means with U, shares of failures, what he claims, severities.

It must never judge. A lot's mean has u = sqrt(s^2 / n + u_c^2): the scatter over its n units, and the single
measurement's own u, which all of them share (counted whole, on the large side). Shares: exact intervals. A claim is
held against our figure by E_n = (ours - his) / sqrt(U^2 + U_his^2), ISO 13528; a list states no U: his is taken as 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Any

from rig.errors import UsageError
from rig.measurands import MEASURANDS
from rig.records.book.lots import LotBook
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judged
from rig.review.lots.answer import answer_of
from rig.review.lots.lot import Lot
from rig.review.lots.series import Step, states
from rig.review.units.margins import difference
from rig.statistics.control_chart import baseline, outside
from rig.statistics.process_index import LEAST_N, ProcessIndex, process_index
from rig.statistics.small_samples import share_interval

K = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LotMean:
    """A line of a lot. mean and U in its unit, over n units."""

    lot: str
    measurand: str
    n: int
    mean: float
    s: float | None
    U: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LotShare:
    """Nonconforming of tested units of a group of a lot, with the exact 95 % interval of the share."""

    lot: str
    group: str
    bad: int
    n: int
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What the supplier claims of a unit's line beside ours. En: difference over its U; beyond 1 they disagree."""

    lot: str
    serial: str
    measurand: str
    claimed: float
    measured: float
    U: float
    En: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplierView:
    """Everything, part number by part number. suspects: runs of ours that are in question, told first."""

    supplier: str
    parts: tuple[str, ...]
    suspects: tuple[str, ...]
    lots: tuple[Mapping[str, Any], ...]
    means: tuple[LotMean, ...]
    shares: tuple[LotShare, ...]
    claims: tuple[Claim, ...]
    series: Mapping[str, Mapping[str, Sequence[Step]]]
    indices: Mapping[str, ProcessIndex]
    is_simulated: bool

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""

        def rows(items: Sequence[Any]) -> list[dict[str, Any]]:
            return [{name: getattr(item, name) for name in item.__slots__} for item in items]

        return {
            "supplier": self.supplier,
            "simulated": self.is_simulated,
            "suspects": list(self.suspects),
            "lots": [dict(lot) for lot in self.lots],
            "means": rows(self.means),
            "shares": rows(self.shares),
            "claims": rows(self.claims),
            "severities": {
                part: {
                    group: [
                        {"at_utc": s.at_utc, "what": s.what, "event": s.event, "severity": s.state.severity}
                        | {"stopped": s.state.stopped, "why": s.state.why}
                        for s in steps
                    ]
                    for group, steps in groups.items()
                }
                for part, groups in self.series.items()
            },
            "indices": {id_: rows([index])[0] for id_, index in self.indices.items()},
        }


def supplier_view(store: Store, supplier: str) -> SupplierView:
    """A supplier's lots. Raises UsageError for one of whom nothing was opened."""
    book = LotBook(store)
    opened = [one for one in book.opened() if one.supplier == supplier]
    if not opened:
        known = ", ".join(dict.fromkeys(one.supplier for one in book.opened())) or "none yet"
        raise UsageError(f"no lot of {supplier!r}.", next_action=f"Known: {known}.")
    lots = [Lot(store, name) for name in dict.fromkeys(one.lot for one in opened)]
    begun = [lot for lot in lots if lot.frozen is not None]
    parts = tuple(dict.fromkeys(lot.file.part for lot in lots))
    tables = {lot.name: _tables(lot) for lot in begun}
    return SupplierView(
        supplier=supplier,
        parts=parts,
        suspects=tuple(told for lot in begun for told in _suspects(lot)),
        lots=tuple(_row(lot) for lot in lots),
        means=tuple(mean for lot in begun for mean in _means(lot.name, tables[lot.name])),
        shares=tuple(share for lot in begun for share in _shares(lot)),
        claims=tuple(claim for lot in begun for claim in _claims(lot)),
        series={part: states(book, supplier, part) for part in parts},
        indices=_indices(list(tables.values())),
        is_simulated=any(lot.is_simulated for lot in begun),
    )


def _row(lot: Lot) -> dict[str, Any]:
    answer = answer_of(lot) if lot.frozen is not None else None
    return {
        "lot": lot.name,
        "part": lot.file.part,
        "delivered": lot.quantity,
        "answer": answer.answer if answer else "open",
        "towards": answer.towards if answer else "",
        "decision": lot.decisions[-1].decision if lot.decisions else "",
        "resubmitted": lot.file.resubmitted,
    }


def _suspects(lot: Lot) -> list[str]:
    """Our own open questions: suspect runs, unsound ones, and units that wait for a witness."""
    told = [f"{lot.name} {label}: {words}" for label, words in lot.suspects]
    told += [f"{lot.name}: {lot.reopened}"] if lot.reopened else []
    for unit in lot.units:
        newest = unit.judgements[-1] if unit.judgements else None
        if newest is not None and (newest.awaits or newest.outcome == "unsound measurement"):
            why = newest.awaits_text or ", ".join(reason.code for reason in newest.reasons[:2])
            told.append(f"{lot.name} {unit.label}: {newest.outcome}, {why}")
    return told


def _tables(lot: Lot) -> dict[str, list[Judged]]:
    made: dict[str, list[Judged]] = {}
    for unit in lot.units:
        for id_, line in unit.lines(lot.rule).items():
            r = line.result
            sound = r is not None and r.estimate is not None and not r.qualifier and not line.spoiled
            if sound and line.limit is not None and id_ in MEASURANDS and MEASURANDS[id_].about == "part":
                made.setdefault(id_, []).append(line)
    return made


def _values(lines: Sequence[Judged]) -> list[float]:
    return [line.result.estimate for line in lines if line.result is not None and line.result.estimate is not None]


def _means(lot: str, tables: Mapping[str, Sequence[Judged]]) -> list[LotMean]:
    made = []
    for id_, lines in tables.items():
        values = _values(lines)
        s = stdev(values) if len(values) > 1 else None
        shared = max((line.result.U or 0.0) for line in lines if line.result is not None)
        U = math.hypot(K * (s or 0.0) / math.sqrt(len(values)), shared)
        made.append(LotMean(lot=lot, measurand=id_, n=len(values), mean=fmean(values), s=s, U=U))
    return made


def _shares(lot: Lot) -> list[LotShare]:
    made = []
    for group in answer_of(lot).groups:
        n = group.number("conforms") + group.nonconforming
        if n:
            interval = share_interval(group.nonconforming, n)
            made.append(LotShare(lot=lot.name, group=group.check.name, bad=group.nonconforming, n=n, interval=interval))
    return made


def _claims(lot: Lot) -> list[Claim]:
    made = []
    claims = lot.claims
    for unit in lot.units:
        lines = unit.lines(lot.rule) if unit.runs else {}
        for id_, claimed in claims.get(unit.serial, {}).items():
            line = lines.get(id_)
            r = line.result if line is not None and not line.spoiled else None
            if r is None or r.estimate is None or not r.U or r.qualifier:
                continue
            made.append(
                Claim(
                    lot=lot.name,
                    serial=unit.serial,
                    measurand=id_,
                    claimed=claimed,
                    measured=r.estimate,
                    U=r.U,
                    En=(r.estimate - claimed) / r.U,
                )
            )
    return made


def _indices(tables: Sequence[Mapping[str, Sequence[Judged]]]) -> dict[str, ProcessIndex]:
    """Cp and Cpk of lines with 30 units or more whose chart over the units is in control.

    The chart: individuals over the units in the order of the pick lists (rig/statistics/control_chart.py).
    """
    made = {}
    for id_ in dict.fromkeys(id_ for table in tables for id_ in table):
        lines = [line for table in tables for line in table.get(id_, ())]
        values, limit = _values(lines), lines[-1].limit
        if len(values) < LEAST_N or limit is None or limit.lower == limit.upper or not _in_control(values):
            continue
        made[id_] = process_index(values, limit.lower, limit.upper, in_control=True)
    return made


def _in_control(values: Sequence[float]) -> bool:
    chart = baseline(values)
    return chart.s > 0.0 and not any(outside(value, chart) for value in values)


# ---- exchange -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanged:
    """One line of a part that two shops measured. En: difference over its U; the two agree where it is 1 at most."""

    measurand: str
    ours: float
    theirs: float
    U: float
    En: float


def exchange(ours: StoredRun, theirs: StoredRun) -> list[Exchanged]:
    """E_n line by line of one unit in two runs. Raises UsageError for runs of different units, or not judged."""
    units = [(run.header.part.get("number"), run.header.serial) for run in (ours, theirs)]
    if units[0] != units[1] or ours.judgement is None or theirs.judgement is None:
        raise UsageError(
            f"{units[0]} and {units[1]}: an exchange takes two judged runs of one unit.",
            next_action="Take the other shop's file in with `anglewright job carry FILE`, then name both runs.",
        )
    made = []
    for line in ours.judgement.judged:
        other = theirs.judgement.line(line.measurand)
        apart = difference(line, other)
        if apart is None or not apart.U or MEASURANDS.get(line.measurand) is None or other is None:
            continue
        if MEASURANDS[line.measurand].about != "part" or line.result is None or other.result is None:
            continue
        made.append(
            Exchanged(
                measurand=line.measurand,
                ours=line.result.estimate or 0.0,
                theirs=other.result.estimate or 0.0,
                U=apart.U,
                En=apart.value / apart.U,
            )
        )
    return made
