"""The recording door: files of foreign parts read back and evaluated, each result against the foreign truth.

With a bench file beside the file every line is held against the truth. Without one a line's U is the scatter alone, and
the line is held against the noise-free recording of the same world, the rotor turned anew where a hand turns it: what U
states is all that repeating would change.
"""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Mapping, Sequence
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "evaluation"))

from coverage_table import Outcome

from foreign.bench_trial import against
from foreign.recordings import KINDS, Recording, write_recording
from foreign.world import Foreigner, foreign_world
from rig.description.benches import load_bench
from rig.evaluation.evaluated import evaluate
from rig.records.elsewhere.csv_files import read_phasors, read_waves
from rig.records.elsewhere.hdf5_sweep import read_sweep
from rig.records.elsewhere.recording import RecordingFacts, phasors_observed, sweep_observed, waves_observed
from rig.result import Result


def results_of(made: Recording) -> Sequence[Result]:
    """What the product says of a recording."""
    bench = load_bench(str(made.bench)) if made.bench is not None else None
    known = RecordingFacts(bench=bench, pole_pairs=made.pole_pairs, frequency_hz=10_000.0)
    if made.kind == "sweep":
        observed = sweep_observed(read_sweep(made.path), known)
    elif made.kind == "phasors":
        observed = phasors_observed(read_phasors(made.path), known)
    else:
        observed = waves_observed(read_waves(made.path), known)
    return evaluate(observed).results


def _against_the_file(world: Foreigner) -> dict[str, float]:
    """The true values; the electrical zero against the place where the spindle stands when the file says 0."""
    true = world.truths()
    start = world.again(0, quiet=True).spindle_rad(np.zeros(1), np.ones(1, dtype=bool), np.zeros(1))
    turned = math.degrees(true["direction"] * world.part.pole_pairs * float(start[0]))
    return true | {"zero_elec_deg": (true["zero_elec_deg"] + turned) % 360.0}


def one_recording(seed: int) -> list[Outcome]:
    """World `seed` as a recording: kinds take turns, and every other round of kinds has a bench file."""
    kind, with_bench = KINDS[seed % len(KINDS)], (seed // len(KINDS)) % 2 == 0
    world = foreign_world(seed)
    with tempfile.TemporaryDirectory(prefix="anglewright-foreign-") as folder:
        made = write_recording(world, kind, Path(folder), with_bench=with_bench)
        results = results_of(made)
        true: Mapping[str, float] = _against_the_file(world)
        if not with_bench:
            quiet = write_recording(
                world.again(0, quiet=True), kind, Path(folder), with_bench=False, name="quiet", turn=1
            )
            true = {r.measurand: r.estimate for r in results_of(quiet) if r.estimate is not None}
    rows = against(seed, results, true, world.part.pole_pairs, world.part.teeth)
    return [_named(row, kind, with_bench) for row in rows]


def _named(row: Outcome, kind: str, with_bench: bool) -> Outcome:
    name = f"{row.measurand} [{kind}{'' if with_bench else ', scatter only'}]"
    return Outcome(
        seed=row.seed,
        measurand=name,
        error=row.error,
        U=row.U,
        bounded_share=row.bounded_share,
        bounded=row.bounded,
        largest=row.largest,
    )


def recording_outcomes(seeds: Sequence[int], processes: int = 1) -> list[Outcome]:
    """Many recordings, in their order."""
    if processes == 1:
        return [row for seed in seeds for row in one_recording(seed)]
    with get_context("spawn").Pool(processes) as pool:
        return [row for rows in pool.imap(one_recording, seeds, chunksize=6) for row in rows]
