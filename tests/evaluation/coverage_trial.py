"""Do the stated uncertainties tell the truth? Drawn rigs evaluated without the wire, each result against the truth.

It prints nothing and judges nothing by itself: `outcomes` are (error, U) by world and measurand; their table is
tests/evaluation/coverage_table.py. Truth is what was clamped (drivers/simulated/world/truth.py); level, current,
frequency and distortion are the excitation's own, from the network without any sampler. With an encoder the angle
lines are another measurement and have rows of their own. Helper of tests and of tests/shows/metrology.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from multiprocessing import get_context
from typing import Any

from coverage_table import Outcome, outcome
from drawn_rig import Drawn, DrawnRun, drawn

from drivers.simulated.world.truth import truth
from rig.evaluation.evaluated import evaluate
from rig.measurands import MEASURANDS
from rig.result import Result

COUNTED = {"pole_pairs", "direction"}


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
        found.append(outcome(seed, result, value, name_of(result, round(true["pole_pairs"]))))
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
