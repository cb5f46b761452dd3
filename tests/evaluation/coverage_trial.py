"""Do the stated uncertainties tell the truth? Drawn rigs evaluated without the wire, each result against the truth.

It prints nothing and judges nothing by itself: `outcomes` are (error, U) by world and measurand, `table` is their
coverage. Truth is what was clamped (drivers/simulated/truth.py); level, current, frequency and distortion are the
excitation's own, from the network without any sampler. With an encoder the angle lines are another measurement and
have rows of their own. Helper of tests and of tests/shows/metrology.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Any

import numpy as np
from drawn_rig import Drawn, DrawnRun, drawn

from drivers.simulated.world.truth import truth
from rig.evaluation.evaluated import evaluate
from rig.quantity import MEASURANDS
from rig.result import Result

LOW, HIGH, NARROW = 0.935, 0.975, 1.3
RECTANGULAR = 0.5  # share of the variance from which one even influence governs a line: more than all others
COUNTED = {"pole_pairs", "direction"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One result of one world: estimate less truth, U, and the share of variance of its largest even influence."""

    seed: int
    measurand: str
    error: float
    U: float
    even_share: float
    largest: str


def truths(trial: Drawn, run: DrawnRun | None = None) -> dict[str, float]:
    """Everything that has a true value in this trial, by measurand id; level and distortion as that run had them."""
    whole = truth(trial.file, trial.clamping)
    values: Mapping[str, Any] = whole["as_clamped"]
    found = {id_: float(value) for id_, value in values.items() if value is not None}
    found.pop("v_exc_rms", None)
    if run is not None and math.isfinite(run.true_level_v_rms):
        found["v_exc_rms"], found["thd_exc"] = run.true_level_v_rms, run.true_thd
    found["f_exc_hz"] = whole["frequency_hz"] * (1 + 1e-6 * trial.file.generator.frequency_ppm)
    for order in range(1, 129):
        known = whole["orders_mech_arcmin"].get(str(order))
        found[f"order_{order}_mech_arcmin"] = known["amplitude"] if known else 0.0
    return found


def name_of(result: Result, pole_pairs: int) -> str:
    """The row of a result: angle lines with an encoder apart from those by steps, orders by the part's pole pairs."""
    name = result.measurand
    if name.startswith("order_"):
        name += f" p={pole_pairs}"
    return f"{name} (encoder)" if result.conditions.get("reference") == "encoder" else name


def against(seed: int, results: Iterable[Result], true: Mapping[str, float]) -> list[Outcome]:
    """Each result that has a true value and states an uncertainty."""
    found = []
    for result in results:
        value = true.get(result.measurand)
        if value is None or result.estimate is None or result.qualifier or result.U is None:
            continue
        if result.measurand in COUNTED or (MEASURANDS.get(result.measurand) and _rig(result)):
            continue
        total = sum(line.contribution**2 for line in result.budget) or 1.0
        even = max((x.contribution**2 for x in result.budget if x.distribution == "rectangular"), default=0.0)
        found.append(
            Outcome(
                seed=seed,
                measurand=name_of(result, round(true["pole_pairs"])),
                error=result.estimate - value,
                U=result.U,
                even_share=even / total,
                largest=result.budget[0].influence if result.budget else "",
            )
        )
    return found


def _rig(result: Result) -> bool:
    return MEASURANDS[result.measurand].about != "part" and result.measurand.startswith(
        ("hyst", "clos", "drift", "seat")
    )


def one(seed: int, changes: dict[str, dict[str, Any]] | None = None, ringing: bool = False) -> list[Outcome]:
    """One world, evaluated."""
    trial = drawn(seed, changes=changes, ringing=ringing)
    run = DrawnRun(trial)
    results = evaluate(run.whole()).results
    return against(seed, results, truths(trial, run))


def outcomes(seeds: Iterable[int], processes: int = 1) -> list[Outcome]:
    """Many worlds, in their order."""
    if processes == 1:
        return [row for seed in seeds for row in one(seed)]
    with get_context("spawn").Pool(processes) as pool:
        return [row for rows in pool.imap(one, seeds, chunksize=8) for row in rows]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One measurand: share of intervals that hold the truth, median U, actual 95.45 % error, what governs it."""

    measurand: str
    n: int
    share: float
    u_median: float
    actual: float
    even_share: float
    largest: str

    @property
    def ratio(self) -> float:
        """Median U over the actual error that 95.45 % stay below."""
        return self.u_median / self.actual if self.actual > 0 else math.inf

    @property
    def even(self) -> bool:
        """Governed by one even influence: may cover more."""
        return self.even_share >= RECTANGULAR


def table(rows: Iterable[Outcome]) -> list[Row]:
    """By measurand, in the order in which results are printed."""
    grouped: dict[str, list[Outcome]] = {}
    for row in rows:
        grouped.setdefault(row.measurand, []).append(row)
    rank = {id_: i for i, id_ in enumerate(MEASURANDS)}
    found = []
    for name, group in grouped.items():
        error = np.abs([row.error for row in group])
        U = np.array([row.U for row in group])
        largest = [row.largest for row in group]
        found.append(
            Row(
                measurand=name,
                n=len(group),
                share=float(np.mean(error <= U)),
                u_median=float(np.median(U)),
                actual=float(np.quantile(error, 0.9545)),
                even_share=float(np.median([row.even_share for row in group])),
                largest=max(set(largest), key=largest.count),
            )
        )
    return sorted(found, key=lambda row: (rank.get(row.measurand.split(" ")[0], 999), row.measurand))
