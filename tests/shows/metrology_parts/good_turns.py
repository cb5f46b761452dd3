"""Good runs and the slip of a turn: no sound axis may be told that its turn does not close.

Foreign worlds, whose axes play, jitter and drift within what the bench file states. Each limit holds 3.3 standard
deviations beside the play that is left, 1 in 1000 of a normal distribution: more alarms than that share gives once in
1000 trials is short.
"""

from __future__ import annotations

from collections.abc import Iterator
from multiprocessing import get_context

from foreign.bench_run import BenchRun
from foreign.world import foreign_world
from scipy.stats import binom

from rig.evaluation.evaluated import evaluate

FIRST_SEED = 60_000
STATED_SHARE = 1e-3


def slip_figures(seed: int) -> tuple[bool, str]:
    """(whether the good turn of world `seed` is told to slip, its figures)."""
    run = BenchRun(foreign_world(seed))
    run.read("rotor", "rotor", "own", "")
    run.loopback()
    slip = evaluate(run.sweep(run.excited()).observed()).rotation.slip
    if slip is None:
        raise ValueError(f"world {seed}: the turn shows no closure")
    return slip.is_slip, f"world {seed}: {slip.figures()}"


def good_turns(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """`count` good turns and the alarms among them."""
    seeds = range(FIRST_SEED, FIRST_SEED + count)
    if processes == 1:
        found = [slip_figures(seed) for seed in seeds]
    else:
        with get_context("spawn").Pool(processes) as pool:
            found = list(pool.imap(slip_figures, seeds, chunksize=8))
    alarms = [told for is_slip, told in found if is_slip]
    allowed = int(binom.ppf(0.999, count, STATED_SHARE))
    yield len(alarms) <= allowed, f"{count} good turns from world {FIRST_SEED}: {len(alarms)} alarms {alarms or ''}"
