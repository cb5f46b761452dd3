"""Charts of the bench's own standards over kept runs: takes in their order, a frozen baseline, what stands outside.

A standard is a line of the bench's proof (check resistor, leads, ratio ...). With 20 takes the first 20 are the
baseline, frozen; with fewer each take is held against the declared standard's value by E_n <= 1 (both U), or against
the line's own limits where no declared standard was in force on that day. A take that a night took again is judged
with its retakes (`judge_set`); all of them are charted. It judges no part and changes no run: runs between the last
good take and a bad one are named as suspect, beside them. Standards cover lines as in COVERS.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from rig.errors import UsageError
from rig.measurands import BENCH
from rig.records.book.entries import load_data, read_entries
from rig.records.book.laboratory import DeclaredStandard
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.statistics.control_chart import (
    BASELINE,
    IN_CONTROL,
    ZERO_WAS_OFF,
    Baseline,
    EwmaPoint,
    Takes,
    baseline,
    ewma,
    judge_takes,
    outside,
)
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
AS_IT_STANDS, AFTER_ZERO = "as it stands", "after a new lead zero"
NOT_TAKEN_AGAIN = "outside, not taken again"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One take. against: what it was held against, in words. Of a retake, take: how it was taken; of: of which run."""

    run: str
    utc: str
    value: float
    U: float | None
    outside: bool
    against: str
    take: str = ""
    of: str = ""


class Interval(NamedTuple):
    """What a bad set of takes leaves in question: runs that started after the last good take and before its own first.

    since: the last good take, "" where there was none; take: its first run; until: when that began.
    """

    since: str
    take: str
    until: str
    said: str
    runs: tuple[str, ...]


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
                {
                    "run": p.run,
                    "utc": p.utc,
                    "value": p.value,
                    "U": p.U,
                    "outside": p.outside,
                    "against": p.against,
                    "take": p.take,
                    "of": p.of,
                }
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
    id_ = f"{BENCH}{standard}"
    kept = [store.find(run) for run in sorted({str(row["run"]) for row in store.results(measurand=id_)})]
    unit, raw = "", []
    for run in (run for run in kept if _takes(run, bench)):
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
        taken = ", ".join(standards_of([run for run in map(store.find, store.ids()) if _takes(run, bench)]))
        raise UsageError(
            f"no take of standard {standard!r} is kept.", next_action=f"Taken were: {taken or 'none yet'}."
        )
    frozen = _frozen([value for _, value, _, _ in raw])
    declared = declared_standards(store)
    points = []
    for run, value, U, within in raw:
        names, day = bench_names(run), run.header.started_utc[:10]
        known = [one for name in names if (one := in_force(declared, name, standard, day)) is not None]
        out, against = _hold_against(value, U, within, frozen, known[0] if known else None)
        told = run.header.details.get("night", {})
        point = ChartPoint(
            run=run.id,
            utc=run.header.started_utc,
            value=value,
            U=U,
            outside=out,
            against=against,
            take=str(told.get("take", "")),
            of=str(told.get("of", "")),
        )
        points.append(point)
    after = [point.value for point in points[BASELINE:]] if frozen is not None else []
    bad = any(taken[0].outside for taken in sets_of(points))
    runs = part_runs([store.find(run) for run in store.ids()], bench) if bad else []
    return Chart(
        standard=standard,
        unit=unit,
        points=tuple(points),
        frozen=frozen,
        ewma=ewma(after, frozen.mean, frozen.s) if frozen is not None else (),
        suspects=tuple(dict.fromkeys(run for one in intervals(points, runs) for run in one.runs)),
    )


def _frozen(values: Sequence[float]) -> Baseline | None:
    """The first 20 takes; None for fewer, and for 20 that are all one number, which tell no scatter."""
    if len(values) < BASELINE:
        return None
    found = baseline(values[:BASELINE])
    return found if found.mr_mean > 0.0 else None


def bench_name(run: StoredRun) -> str:
    """The name under which a run's bench is charted; of a simulated one, in every night: simulated.WORLD."""
    name = str(run.header.bench.get("name", ""))
    if world := run.header.bench.get("world"):
        name = f"{name}.{Path(str(world)).stem}"
    return ".".join(name.split(".")[:2]) if run.header.simulated else name


def bench_names(run: StoredRun) -> tuple[str, ...]:
    """The names by which a run's bench may be asked for; a simulated one's without its world means every world."""
    return tuple(dict.fromkeys((name := bench_name(run), name.split(".")[0] if run.header.simulated else name)))


def part_runs(runs: Sequence[StoredRun], bench: str) -> list[StoredRun]:
    """Those of a bench ("" for every one) that judge a part, in their order."""
    return [run for run in runs if run.header.kind.judges_part and _of(run, bench)]


def sets_of(points: Sequence[ChartPoint]) -> list[tuple[ChartPoint, ...]]:
    """Each take with its retakes."""
    found: dict[str, list[ChartPoint]] = {}
    for point in points:
        found.setdefault(point.of if point.of in found else point.run, []).append(point)
    return [tuple(taken) for taken in found.values()]


def judge_set(taken: Sequence[ChartPoint]) -> Takes[ChartPoint]:
    """What a take says with its retakes; one that is outside and was not taken again to the end stays outside."""
    again, zeroed = _retakes(taken, AS_IT_STANDS), _retakes(taken, AFTER_ZERO)
    has_zero = any(point.take == AFTER_ZERO for point in taken)
    try:
        return judge_takes(
            taken[0], lambda: next(again), (lambda: next(zeroed)) if has_zero else None, lambda point: point.outside
        )
    except StopIteration:
        return Takes(NOT_TAKEN_AGAIN, tuple(taken))


def _retakes(taken: Sequence[ChartPoint], how: str) -> Iterator[ChartPoint]:
    return iter([point for point in taken if point.take == how])


def intervals(points: Sequence[ChartPoint], runs: Sequence[StoredRun]) -> list[Interval]:
    """What each set of takes that is not in control leaves in question, oldest first."""
    found: list[Interval] = []
    last_good = ""
    for taken in sets_of(points):
        said, first = judge_set(taken).said, taken[0]
        if said != IN_CONTROL:
            between = tuple(run.id for run in runs if last_good < run.header.started_utc < first.utc)
            found.append(Interval(since=last_good, take=first.run, until=first.utc, said=said, runs=between))
        if said in (IN_CONTROL, ZERO_WAS_OFF):
            last_good = taken[-1].utc
    return found


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
    return not bench or bench in bench_names(run)


def _takes(run: StoredRun, bench: str) -> bool:
    return run.header.kind.question == "standards" and run.record is not None and _of(run, bench)
