"""Charts of the bench's own standards over kept runs: takes in their order, a frozen baseline, what stands outside.

A standard is a line of the bench's proof (check resistor, leads, ratio ...). With 20 takes the first 20 are the
baseline, frozen; with fewer each take is held against the line's own limits. It judges no part and changes no run: runs
between the last good take and a bad one are named as suspect, beside them. Standards cover lines as in COVERS.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.errors import UsageError
from rig.quantity import BENCH
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.statistics.control_chart import BASELINE, Baseline, EwmaPoint, baseline, ewma, outside

COVERS: Mapping[str, tuple[str, ...]] = {
    "check_resistor": ("r20_", "thermistor_"),
    "ratio": ("tr_", "phase_", "null_"),
    "channel": ("tr_imbalance", "phase_difference", "orthogonality", "error_"),
}
"""Which lines of a part a standard stands for, by the beginning of both names."""
NOT_COVERED = "the angle (one spindle), impedance lines and the air probe"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One take."""

    run: str
    utc: str
    value: float
    U: float | None
    within_limits: bool
    outside: bool


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
                {"run": p.run, "utc": p.utc, "value": p.value, "U": p.U, "outside": p.outside} for p in self.points
            ],
            "suspects": list(self.suspects),
        }


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
    points = tuple(
        ChartPoint(
            run=run.id,
            utc=run.header.started_utc,
            value=value,
            U=U,
            within_limits=within,
            outside=not within if frozen is None else outside(value, frozen),
        )
        for run, value, U, within in raw
    )
    after = values[BASELINE:] if frozen is not None else []
    return Chart(
        standard=standard,
        unit=unit,
        points=points,
        frozen=frozen,
        ewma=ewma(after, frozen.mean, frozen.s) if frozen is not None else (),
        suspects=suspects_of(points, [run for run in runs if run.header.kind.judges_part and _of(run, bench)]),
    )


def suspects_of(points: Sequence[ChartPoint], runs: Sequence[StoredRun]) -> tuple[str, ...]:
    """Runs between the last good take and the first bad one after it; nothing where no take is outside."""
    found: list[str] = []
    last_good = ""
    for point in points:
        if not point.outside:
            last_good = point.run
            continue
        found += [run.id for run in runs if last_good < run.id < point.run and run.id not in found]
    return tuple(found)


def _of(run: StoredRun, bench: str) -> bool:
    return not bench or run.header.bench.get("name") == bench


def _takes(run: StoredRun, bench: str) -> bool:
    return run.header.kind.question == "standards" and run.record is not None and _of(run, bench)
