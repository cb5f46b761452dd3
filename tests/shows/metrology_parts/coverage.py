"""The coverage trial: without the wire in thousands, over it in dozens, and turned by hand.

Every line's U is bounded from both sides (tests/evaluation/coverage_table.py).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from coverage_table import LOW, fault, line_of, table, write_table
from coverage_trial import outcomes, truths
from drawn_hand import one_by_hand
from drawn_rig import drawn, even

TOP = Path(__file__).parents[3]
RESULTS = TOP / "tests" / "shows" / "results"
FIRST_SEED = 10_000
KEPT, HANDS_KEPT = 500, 100  # worlds from which on a table is written to RESULTS


def trial(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """Random parts, rigs, clampings and noise, evaluated without the wire."""
    rows = table(outcomes(range(FIRST_SEED, FIRST_SEED + count), processes))
    print(f"  {count} worlds from seed {FIRST_SEED}: line, intervals, share, q, median U, what rules it")
    if count >= KEPT:
        write_table(RESULTS, "coverage", f"Coverage of {count} drawn worlds from seed {FIRST_SEED}", rows)
    for row in rows:
        yield not fault(row), line_of(row)


def by_hand(count: int, processes: int) -> Iterator[tuple[bool, str]]:
    """Turned by hand, 2 to 60 turns a minute, with jerks, stops and steps back."""
    seeds = range(FIRST_SEED, FIRST_SEED + count)
    if processes == 1:
        found = [row for seed in seeds for row in one_by_hand(seed)]
    else:
        with get_context("spawn").Pool(processes) as pool:
            found = [row for rows in pool.imap(one_by_hand, seeds, chunksize=2) for row in rows]
    rows = table(found)
    if count >= HANDS_KEPT:
        write_table(RESULTS, "by-hand", f"Coverage of {count} rotors turned by hand from seed {FIRST_SEED}", rows)
    for row in rows:
        yield not fault(row), line_of(row)


def toml_of(data: dict[str, Any], header: str = "") -> str:
    """Nested plain data as TOML; None is left out."""
    plain = {k: v for k, v in data.items() if not isinstance(v, dict) and v is not None}
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in plain.items())
    for key, value in data.items():
        if isinstance(value, dict):
            name = f"{header}.{key}" if header else key
            text += f"\n[{name}]\n{toml_of(value, name)}"
    return text


def over_the_wire(count: int, work: Path) -> Iterator[tuple[bool, str]]:
    """The same draws through the command, the drivers and the simulated instruments.

    A world can't drift between loopback and sweep and its meter has no offset, so that these may cover more."""
    inside, found = 0, 0
    missed: dict[str, int] = {}
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        here = drawn(seed, ringing=True)
        keys = {"multimeter": {"gain_ppm": even(here.rng, 100.0), "emf_uv": 2.0, "noise_ppm": 5.0}}
        here = drawn(seed, ringing=True, changes=keys)
        path = work / f"drawn{seed}.toml"
        path.write_text(toml_of(here.file.model_dump(mode="json", exclude={"faults_of_wire"})), encoding="utf-8")
        words = ("--world", str(path), "--clamping", str(here.clamping), "--json")
        done = subprocess.run(
            [sys.executable, "-m", "rig", "run", "full_test", "--part", here.part, "--serial", f"W-{seed}", *words],
            cwd=TOP,
            env=os.environ | {"ANGLEWRIGHT_HOME": str(work / "home")},
            capture_output=True,
            text=True,
            check=False,
        )
        if not done.stdout.strip():
            yield False, f"seed {seed}: no document (status {done.returncode}): {done.stderr[-300:]}"
            continue
        true = truths(here)
        for row in json.loads(done.stdout)["results"]:
            value = true.get(row["measurand"])
            if value is None or row["estimate"] is None or not row["U"] or row.get("qualifier"):
                continue
            found += 1
            inside += (held := abs(row["estimate"] - value) <= row["U"])
            if not held:
                missed[row["measurand"]] = missed.get(row["measurand"], 0) + 1
    share = inside / max(found, 1)
    yield (
        share >= LOW,
        f"{count} worlds over the wire: {inside} of {found} intervals hold the truth ({100 * share:.1f} %)",
    )
    often = {name: n for name, n in missed.items() if n > max(3, 0.2 * count)}
    yield not often, f"missed: {missed or 'none'}"
