"""Charts of the bench's own standards over kept runs: takes in their order, a frozen baseline, what stands outside.

A standard is a line of the bench's proof (check resistor, leads, ratio ...). With 20 takes the first 20 are the
baseline, frozen; with fewer each take is held against the declared standard's value by E_n <= 1 (both U), or against
the line's own limits where no declared standard was in force on that day. It judges no part and changes no run: runs
between the last good take and a bad one are named as suspect, beside them. Standards cover lines as in COVERS.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.errors import UsageError
from rig.quantity import BENCH
from rig.records.book.entries import load_data, read_entries
from rig.records.book.laboratory import DeclaredStandard
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.statistics.control_chart import BASELINE, Baseline, EwmaPoint, baseline, ewma, outside
from rig.uncertainty.sameness import exceeds

COVERS: Mapping[str, tuple[str, ...]] = {
    "check_resistor": ("r20_", "thermistor_"),
    "lead_zero_": ("r20_",),
    "ratio_": ("tr_", "phase_", "null_"),
    "gain_": ("tr_imbalance", "phase_difference", "orthogonality", "error_"),
    "phase_": ("tr_imbalance", "phase_difference", "orthogonality", "error_"),
}
"""Which lines of a part a standard stands for, by the beginning of both names."""
NOT_COVERED = "the angle (one spindle), impedance lines and the air probe"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One take. against: what it was held against, in words."""

    run: str
    utc: str
    value: float
    U: float | None
    within_limits: bool
    outside: bool
    against: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """standard: the line's id; frozen: None below 20 takes. warns: the EWMA's first point outside, or None."""

    standard: str
    unit: str
    points: tuple[ChartPoint, ...]
    frozen: Baseline | None
    ewma: tuple[EwmaPoint, ...]
    suspects: tuple[str, ...]

    @property
    def warns(self) -> int | None:
        """Number of the first point at which the EWMA left its limits, from 1."""
        return next((n for n, one in enumerate(self.ewma, start=1) if one.outside), None)

    def document(self) -> dict[str, Any]:
        """The --json document."""
        limits = {} if self.frozen is None else {"lower": self.frozen.lower, "upper": self.frozen.upper}
        return {
            "schema": "anglewright chart 1",
            "standard": self.standard,
            "unit": self.unit,
            "baseline": {"n": self.frozen.n, "mean": self.frozen.mean, **limits} if self.frozen is not None else None,
            "ewma_warns_at": self.warns,
            "points": [
                {"run": p.run, "utc": p.utc, "value": p.value, "U": p.U, "outside": p.outside, "against": p.against}
                for p in self.points
            ],
            "covers": list(covered_by(self.standard)),
            "not_covered": NOT_COVERED,
            "suspects": list(self.suspects),
        }


def covered_by(standard: str) -> tuple[str, ...]:
    """How the ids of a part's lines begin that a standard stands for; none for one that stands for no line."""
    return next((lines for start, lines in COVERS.items() if standard.startswith(start)), ())


def covered_lines(run: StoredRun, standard: str) -> tuple[str, ...]:
    """The lines of a run that a standard stands for, as they were judged."""
    judged = run.judgement.judged if run.judgement is not None else ()
    return tuple(line.measurand for line in judged if line.measurand.startswith(covered_by(standard)))


def declared_standards(store: Store) -> list[DeclaredStandard]:
    """All of the home's book, oldest first."""
    if not (store.home / "book").is_dir():
        return []
    kind = "declared-standard"
    return [load_data(kind, data, str(path)) for path, data in read_entries(store.home / "book", kind)]


def in_force(declared: Sequence[DeclaredStandard], bench: str, standard: str, day: str) -> DeclaredStandard | None:
    """The newest one of a bench's line that may be used on a day (ISO 8601)."""
    fitting = [one for one in declared if (one.bench, one.standard) == (bench, standard) and one.on <= day <= one.until]
    return fitting[-1] if fitting else None


def standards_of(runs: Sequence[StoredRun]) -> tuple[str, ...]:
    """Ids of the bench's lines that kept runs have taken."""
    found: dict[str, None] = {}
    for run in runs:
        for line in run.judgement.judged if run.judgement else ():
            if line.measurand.startswith(BENCH) and line.result is not None:
                found.setdefault(line.measurand.removeprefix(BENCH))
    return tuple(found)


def chart(standard: str, bench: str = "", store: Store | None = None) -> Chart:
    """The chart of a standard over all kept takes of a bench. Raises UsageError for a standard nobody has taken."""
    store = store or Store()
    runs = [store.find(run) for run in store.ids()]
    takes = [run for run in runs if _takes(run, bench)]
    id_ = f"{BENCH}{standard}"
    unit, raw = "", []
    for run in takes:
        for line in run.judgement.judged if run.judgement else ():
            if line.measurand == id_ and line.result is not None and line.result.estimate is not None:
                unit = line.result.unit
                limit = line.limit
                within = limit is None or (
                    (limit.lower is None or line.result.estimate >= limit.lower)
                    and (limit.upper is None or line.result.estimate <= limit.upper)
                )
                raw.append((run, line.result.estimate, line.result.U, within))
    if not raw:
        known = ", ".join(standards_of(takes)) or "none yet"
        raise UsageError(f"no take of standard {standard!r} is kept.", next_action=f"Taken were: {known}.")
    values = [value for _, value, _, _ in raw]
    frozen = baseline(values[:BASELINE]) if len(values) >= BASELINE else None
    declared = declared_standards(store)
    points = []
    for run, value, U, within in raw:
        of, day = str(run.header.bench.get("name", "")), run.header.started_utc[:10]
        out, against = _hold_against(value, U, within, frozen, in_force(declared, of, standard, day))
        point = ChartPoint(
            run=run.id,
            utc=run.header.started_utc,
            value=value,
            U=U,
            within_limits=within,
            outside=out,
            against=against,
        )
        points.append(point)
    after = values[BASELINE:] if frozen is not None else []
    return Chart(
        standard=standard,
        unit=unit,
        points=tuple(points),
        frozen=frozen,
        ewma=ewma(after, frozen.mean, frozen.s) if frozen is not None else (),
        suspects=suspects_of(points, part_runs(runs, bench)),
    )


def part_runs(runs: Sequence[StoredRun], bench: str) -> list[StoredRun]:
    """Those of a bench ("" for every one) that judge a part, in their order."""
    return [run for run in runs if run.header.kind.judges_part and _of(run, bench)]


def suspects_of(points: Sequence[ChartPoint], runs: Sequence[StoredRun]) -> tuple[str, ...]:
    """Runs between the last good take and the first bad one after it; nothing where no take is outside."""
    found: list[str] = []
    last_good = ""
    for point in points:
        if not point.outside:
            last_good = point.utc
            continue
        found += [run.id for run in runs if last_good < run.header.started_utc < point.utc and run.id not in found]
    return tuple(found)


def _hold_against(
    value: float, U: float | None, within: bool, frozen: Baseline | None, known: DeclaredStandard | None
) -> tuple[bool, str]:
    """(outside, what it was held against)."""
    if frozen is not None:
        return outside(value, frozen), "the baseline"
    if known is None:
        return not within, "the line's own limits; no declared standard was in force"
    out = exceeds(value - known.value, math.hypot(known.U, U or 0.0))
    return out, f"standard {known.serial}, certificate {known.certificate}: {known.value:g}, U {known.U:g}"


def _of(run: StoredRun, bench: str) -> bool:
    return not bench or run.header.bench.get("name") == bench


def _takes(run: StoredRun, bench: str) -> bool:
    return run.header.kind.question == "standards" and run.record is not None and _of(run, bench)
