"""The foreign trial: magnetics, sampler, axis and meter of tests/foreign against what the product states.

The worlds draw their errors from exactly the distributions that the bench file states, so a right U holds the truth in
95.45 %. Tables of whole trials are written to tests/shows/results/.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from coverage_table import Outcome, fault, line_of, table, write_table
from foreign.bench_trial import against, bench_outcomes
from foreign.recordings_trial import recording_outcomes
from foreign.wires_trial import results_over_wires
from foreign.world import foreign_world

RESULTS = Path(__file__).parents[1] / "results"
FIRST_SEED = 0
KEPT = 100  # worlds from which on a table is written


def bench_runs(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """Full tests in process."""
    print(f"  {count} foreign worlds from seed {FIRST_SEED}, full tests in process")
    yield from _shown(
        "foreign-bench", f"Bench runs of {count} foreign worlds", bench_outcomes(_seeds(count), processes)
    )


def recordings(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """Sweeps, phasors and rotors turned by hand as files, half of them with a bench file beside them."""
    print(f"  {count} foreign worlds from seed {FIRST_SEED} as recordings")
    found = recording_outcomes(_seeds(count), processes)
    yield from _shown("foreign-recordings", f"Recordings of {count} foreign worlds", found)


def over_wires(count: int, work: Path) -> Iterator[tuple[bool, str]]:
    """Whole judged runs through wires and drivers."""
    print(f"  {count} foreign worlds from seed {FIRST_SEED}, judged runs over the wires")
    found: list[Outcome] = []
    for seed in _seeds(count):
        part, true = foreign_world(seed).part, foreign_world(seed).truths()
        true.pop("v_exc_rms", None)
        found += against(seed, results_over_wires(seed, work), true, part.pole_pairs, part.teeth)
    yield from _shown("foreign-wires", f"Judged runs of {count} foreign worlds over the wires", found)


def _seeds(count: int) -> range:
    return range(FIRST_SEED, FIRST_SEED + count)


def _shown(name: str, title: str, outcomes: list[Outcome]) -> Iterator[tuple[bool, str]]:
    rows = table(outcomes)
    if len({row.seed for row in outcomes}) >= KEPT:
        write_table(RESULTS, name, title, rows)
    for row in rows:
        yield not fault(row), line_of(row)
