"""The bench door: full tests of foreign worlds in process, each result against the foreign truth."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "evaluation"))

from coverage_table import Outcome, outcome

from foreign.bench_run import BenchRun
from foreign.world import foreign_world
from rig.evaluation.evaluated import evaluate
from rig.measurands import MEASURANDS
from rig.result import Result

COUNTED = ("pole_pairs", "direction")


def line_name(result: Result, pole_pairs: int, teeth: int) -> str:
    """Row of a result: orders by what they are to the part, angle lines with an encoder apart from those by steps."""
    name = result.measurand
    if name.startswith("order_"):
        order = int(name.split("_")[1])
        names = {teeth: "teeth", 2: "2", 1: "1"} | {k * pole_pairs: f"{k}p" for k in (4, 3, 2, 1)}
        name = f"order {names.get(order, 'other')}"
    return f"{name} (encoder)" if result.conditions.get("reference") == "encoder" else name


def against(
    seed: int, results: Iterable[Result], true: Mapping[str, float], pole_pairs: int, teeth: int
) -> list[Outcome]:
    """Each result that has a true value and states an uncertainty."""
    found = []
    for result in results:
        value = true.get(result.measurand)
        if value is None or result.estimate is None or result.qualifier or not result.U:
            continue
        if result.measurand in COUNTED or (result.measurand in MEASURANDS and _about_rig(result.measurand)):
            continue
        if result.measurand == "zero_elec_deg":
            value = result.estimate - math.remainder(result.estimate - value, 360.0)
        found.append(outcome(seed, result, value, line_name(result, pole_pairs, teeth)))
    return found


def _about_rig(id_: str) -> bool:
    return MEASURANDS[id_].about != "part" and id_.startswith(("hyst", "clos", "drift", "seat"))


def one_bench_run(seed: int) -> list[Outcome]:
    """One full test; wrong pole pairs or direction count as infinitely wrong."""
    world = foreign_world(seed)
    run = BenchRun(world)
    results = evaluate(run.whole()).results
    true = run.truths()
    for id_ in COUNTED:
        found = next(result for result in results if result.measurand == id_)
        if found.estimate != true[id_]:
            raise ValueError(f"world {seed}: {id_} is {found.estimate}, true {true[id_]}")
    return against(seed, results, true, world.part.pole_pairs, world.part.teeth)


def bench_outcomes(seeds: Sequence[int], processes: int = 1) -> list[Outcome]:
    """Many worlds, in their order."""
    if processes == 1:
        return [row for seed in seeds for row in one_bench_run(seed)]
    with get_context("spawn").Pool(processes) as pool:
        return [row for rows in pool.imap(one_bench_run, seeds, chunksize=8) for row in rows]
