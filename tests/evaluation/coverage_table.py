"""Coverage tables of the trials: every line's U is bounded from both sides. Helper of tests and of tests/shows.

For each line: share, the share of intervals that hold the truth, and q, the 95.45 % quantile of |error| / U. A right U
has share 95.45 % and q = 1. Required: share in 93.5 to 97.5 % and q in 0.90 to 1.00, each give or take what chance does
(two binomial standard deviations where a row has under 1500; two standard errors of q). A line ruled by one bounded
influence may cover more, down to q = 0.70: k = 2 of a rectangle covers all of it (its own q is 0.83).
Below FEW intervals neither figure tells much and only gross faults show: a row is then short when so many lie outside,
or so many within a fiftieth of U, as a right U would leave once in a thousand trials.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy.stats import binom

from rig.measurands import MEASURANDS
from rig.result import Result
from rig.uncertainty.budget import BudgetLine

COVERAGE = 0.9545
LOW, HIGH = 0.935, 0.975
Q_LOW, Q_HIGH, Q_BOUNDED = 0.90, 1.00, 0.70
CERTAIN, FEW, ONCE_IN = 1500, 80, 1000
GROSSLY_WIDE = 0.05  # q of a row with few intervals, below which its U is far too wide whatever chance did
RULES = 0.5  # share of the variance from which one bounded influence rules a line: more than all others together


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One result of one world: estimate less truth, U; bounded_share: of the variance, by its largest rectangular
    influence, named in `bounded`; largest: the largest influence of any kind."""

    seed: int
    measurand: str
    error: float
    U: float
    bounded_share: float
    bounded: str
    largest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a table. ratio: |error| / U of each interval, ascending; bounded: the one bounded influence that
    rules the line, "" where none does."""

    measurand: str
    ratio: tuple[float, ...]
    u_median: float
    bounded: str
    largest: str

    @property
    def n(self) -> int:
        """Number of intervals."""
        return len(self.ratio)

    @property
    def share(self) -> float:
        """Share of the intervals that hold the truth."""
        return float(np.mean(np.array(self.ratio) <= 1.0))

    @property
    def q(self) -> float:
        """95.45 % quantile of |error| / U."""
        return float(np.quantile(self.ratio, COVERAGE))

    @property
    def u_q(self) -> float:
        """Standard error of q, from the order statistics one binomial standard deviation beside it."""
        away = math.sqrt(COVERAGE * (1.0 - COVERAGE) / self.n)
        low, high = np.quantile(self.ratio, [max(COVERAGE - away, 0.0), min(COVERAGE + away, 1.0)])
        return float(high - low) / 2.0


def outcome(seed: int, result: Result, truth: float, name: str = "") -> Outcome:
    """One result against its true value; the result must state an estimate and a U."""
    if result.estimate is None or result.U is None:
        raise ValueError(f"{result.measurand} states no value")
    total = sum(line.contribution**2 for line in result.budget) or 1.0
    bounded = [line for line in result.budget if line.distribution == "rectangular"]
    largest = max(bounded, key=lambda line: line.contribution, default=None)
    return Outcome(
        seed=seed,
        measurand=name or result.measurand,
        error=result.estimate - truth,
        U=result.U,
        bounded_share=largest.contribution**2 / total if largest else 0.0,
        bounded=_name(largest),
        largest=_name(max(result.budget, key=lambda line: line.contribution, default=None)),
    )


def _name(line: BudgetLine | None) -> str:
    return line.influence if line else ""


def table(rows: Iterable[Outcome]) -> list[Row]:
    """By line, in the order in which results are printed."""
    grouped: dict[str, list[Outcome]] = {}
    for row in rows:
        grouped.setdefault(row.measurand, []).append(row)
    rank = {id_: i for i, id_ in enumerate(MEASURANDS)}
    found = [_row(name, group) for name, group in grouped.items()]
    return sorted(found, key=lambda row: (rank.get(row.measurand.split(" ")[0], 999), row.measurand))


def _row(name: str, group: Sequence[Outcome]) -> Row:
    ruled = float(np.median([row.bounded_share for row in group])) >= RULES
    ratio = np.array([abs(row.error) / row.U if row.U > 0 else math.inf for row in group])
    return Row(
        measurand=name,
        ratio=tuple(np.sort(ratio).tolist()),
        u_median=float(np.median([row.U for row in group])),
        bounded=_most([row.bounded for row in group]) if ruled else "",
        largest=_most([row.largest for row in group]),
    )


def _most(names: Sequence[str]) -> str:
    return max(sorted(set(names)), key=list(names).count)


def fault(row: Row) -> str:
    """Why a row falls short; "" when it does not."""
    held = round(row.share * row.n)
    if row.n < FEW:
        if binom.cdf(held, row.n, LOW) < 1.0 / ONCE_IN:
            return "covers too little"
        return "too wide" if row.q < GROSSLY_WIDE else ""
    slack = 0.0 if row.n >= CERTAIN else 2.0 * math.sqrt(COVERAGE * (1.0 - COVERAGE) / row.n)
    if row.share < LOW - slack:
        return "covers too little"
    if row.q > Q_HIGH + 2.0 * row.u_q:
        return "too narrow"
    if row.share > HIGH + slack and not row.bounded:
        return "covers too much"
    return "too wide" if row.q < (Q_BOUNDED if row.bounded else Q_LOW) - 2.0 * row.u_q else ""


def line_of(row: Row) -> str:
    """One line for the screen."""
    short = fault(row)
    return (
        f"{row.measurand:<38} {row.n:5d} {100 * row.share:6.2f} % q {row.q:5.2f} ± {row.u_q:4.2f} "
        f"U {row.u_median:9.3g} "
        f"{'bounded: ' + row.bounded if row.bounded else row.largest}" + (f"  {short}" if short else "")
    )


def write_table(folder: Path, name: str, title: str, rows: Sequence[Row]) -> Path:
    """The table as a dated page in tests/shows/results; the newest of a day replaces the day's earlier one."""
    today = datetime.now(UTC).date().isoformat()
    made = f"Made on {today} by tests/shows/metrology.py."
    kind = "Coverage probability 95.45 %; q: 95.45 % quantile of |error| / U."
    head = "\n".join([f"# {title}", "", f"{made} {kind}", ""])
    lines = [head, "| line | n | holds the truth | q | standard error of q | median U | ruled by | short |"]
    lines.append("|---|---|---|---|---|---|---|---|")
    for row in rows:
        ruled = f"bounded: {row.bounded}" if row.bounded else row.largest
        lines.append(
            f"| {row.measurand} | {row.n} | {100 * row.share:.1f} % | {row.q:.2f} | {row.u_q:.2f} | {row.u_median:.3g} "
            f"| {ruled} | {fault(row)} |"
        )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}-{today}.md"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
