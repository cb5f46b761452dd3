"""A known part against its own record: the bench's last witness, that everything together still reads the same.

It must never judge the part. Each line of its new run less the median of its earlier sound runs on benches of the same
kind (real or simulated), against the U of both; what both share of the bench's own errors makes this a coarse net, so
that what it catches is a change, not an error. Rule: agreement within the expanded uncertainty of the difference.
"""

from __future__ import annotations

import math
from statistics import median

from rig.evaluation.bench.proof import ProofLine
from rig.measurands import measurand
from rig.records.run.stored import StoredRun
from rig.records.store import Store

COMPARED = (
    "r20_exc",
    "r20_sin",
    "r20_cos",
    "tr_sin",
    "tr_cos",
    "tr_imbalance",
    "phase_sin_deg",
    "phase_cos_deg",
    "phase_difference_deg",
    "orthogonality_elec_deg",
    "error_max_elec_arcmin",
)
SOUND = ("within limits", "outside limits", "undecided", "measured, no limits")
NEXT = "Seat it again and repeat; if it stays, compare with a second known part before the bench is trusted."


def against_record(run: StoredRun, store: Store) -> list[ProofLine]:
    """One line a measurand that both have; one that says so where the unit has no earlier sound run.

    Raises RecordError when the records can't be read.
    """
    header, number = run.header, str(run.header.part.get("number", ""))
    if run.outcome not in SOUND:
        codes = ", ".join(r.code for r in run.judgement.reasons) if run.judgement is not None else run.outcome
        return [_whole(header.serial, gone=f"its run {run.id} is unsound: {codes}")]
    earlier: dict[str, list[tuple[float, float]]] = {}
    for of, row in store.unit_results(number, header.serial):
        if of.run >= run.id or of.sequence != header.sequence or of.outcome not in SOUND:
            continue
        if of.simulated != header.simulated or row["qualifier"] or row["estimate"] is None or row["U"] is None:
            continue
        earlier.setdefault(row["measurand"], []).append((float(row["estimate"]), float(row["U"])))
    lines = [line for id_ in COMPARED if (line := _line(run, id_, earlier.get(id_, []))) is not None]
    return lines or [_whole(header.serial)]


def _line(run: StoredRun, id_: str, earlier: list[tuple[float, float]]) -> ProofLine | None:
    judged = run.judgement.line(id_) if run.judgement is not None else None
    result = judged.result if judged is not None else None
    if not earlier or result is None or result.estimate is None or result.qualifier or result.U is None:
        return None
    was, u_was = median(x for x, _ in earlier), median(u for _, u in earlier)
    u = math.hypot(result.U, u_was)
    named = measurand(id_)
    times = f"{len(earlier)} earlier run{'s' if len(earlier) > 1 else ''}"
    return ProofLine(
        id=f"known_{id_}",
        text=f"known part {run.header.serial}, {named.name}, less the median of {times}",
        unit=named.unit,
        estimate=result.estimate - was,
        U=u,
        lower=-u,
        upper=u,
        next=NEXT,
        agreement=True,
    )


def _whole(serial: str, gone: str = "") -> ProofLine:
    text = (
        f"known part {serial}"
        if gone
        else f"known part {serial}: no earlier sound run of it; this one begins its record"
    )
    limits = (0.0, 0.0) if gone else (None, None)
    return ProofLine(
        id="known_part",
        text=text,
        unit="1",
        estimate=None,
        U=None,
        lower=limits[0],
        upper=limits[1],
        next=NEXT,
        gone=gone,
    )
