"""Five gauge studies on the simulated bench against the scatter that its worlds have, clampings and units."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from drivers.simulated.world.truth import truth
from drivers.simulated.worldfile.keys import load_world

Figures = Iterator[tuple[bool, str]]
UNITS, CLAMPINGS, REPEATS = 5, 3, 2
PLACES = 14  # clampings a unit by which a world's own scatter is known
MORE_UNITS = 24  # seeds by which the scatter between units is known
LEAST = 0.85  # of the lines of all studies; each holds in 95 %, and the lines of a study go together
NOTHING = 1e-9  # of the line's size: below it a world's parts do not differ


def checks(quick: bool) -> list[tuple[str, Callable[[], Figures]]]:
    return [] if quick else [("studies on the bench", partial(on_the_bench, 5))]


def on_the_bench(count: int) -> Figures:
    """Each of five whole studies agrees with the worlds within its intervals; no two repeats are the same."""
    held: dict[str, list[bool]] = {"clampings": [], "units": []}
    missed: dict[str, list[str]] = {"clampings": [], "units": []}
    for number in range(count):
        with tempfile.TemporaryDirectory(prefix="anglewright-study-") as folder:
            lines = _measured(Path(folder), number)
            between, units = _of_the_worlds(Path(folder) / "worlds", number)
        repeated = [one["measurand"] for one in lines if one["repeats"]["s"] == 0.0 and not _at_zero(one)]
        yield not repeated, f"study {number + 1}: {len(lines)} lines; no scatter between repeats: {repeated or 'none'}"
        for name, true in (("clampings", between), ("units", units)):
            for line in lines:
                ends, s = line[name]["interval"], true.get(line["measurand"])
                if ends is None or s is None or s == 0.0:
                    continue
                inside = bool(ends[0] <= s <= ends[1])
                held[name].append(inside)
                missed[name] += [] if inside else [str(line["measurand"])]
    for name, found in held.items():
        share = float(np.mean(found))
        told = f"{name}: the world's s lies within the interval in {100 * share:.1f} % of {len(found)} lines"
        yield share >= LEAST, f"{told}; outside: {', '.join(sorted(missed[name])) or 'none'}"


def _at_zero(line: dict[str, Any]) -> bool:
    """A null that stands at zero, as an estimate that noise alone explains does."""
    return str(line["measurand"]).startswith("null_") or line["units"]["s"] == 0.0


def _measured(folder: Path, number: int) -> list[dict[str, Any]]:
    """The lines of a study measured through the command."""
    (folder / "worlds").mkdir()
    names = [f"S{number}{k}" for k in range(UNITS)]
    for k, name in enumerate(names):
        (folder / "worlds" / f"{name}.toml").write_text(f"seed = {_seed(number, k)}\n", encoding="utf-8")
    words = ["lot", "study", "G-1", "--part", "KX4-2207", "--units", ",".join(names), "--screen", "--json"]
    words += ["--clampings", str(CLAMPINGS), "--repeats", str(REPEATS), "--worlds", str(folder / "worlds")]
    env = os.environ | {"ANGLEWRIGHT_HOME": str(folder / "home")}
    keys = "c\n" * (UNITS * CLAMPINGS)
    done = subprocess.run(
        [sys.executable, "-m", "rig", *words], env=env, input=keys, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"the study ended with {done.returncode}: {done.stderr[-800:]}")
    lines: list[dict[str, Any]] = json.loads(done.stdout[done.stdout.index("{") :])["lines"]
    return lines


def _seed(number: int, k: int) -> int:
    return 1000 * (number + 1) + k


def _of_the_worlds(worlds: Path, number: int) -> tuple[dict[str, float], dict[str, float]]:
    """Measurand -> s of a clamping within a unit, and of units, as the worlds have them."""
    files = [load_world(path)[0] for path in sorted(worlds.glob("*.toml"))]
    by_unit = [[truth(file, clamping)["as_clamped"] for clamping in range(1, PLACES + 1)] for file in files]
    more = [files[0].model_copy(update={"seed": _seed(number, k)}) for k in range(MORE_UNITS)]
    means = [truth(file, 1)["centred"] for file in more]
    between, units = {}, {}
    for id_ in by_unit[0][0]:
        table = np.array([[row.get(id_) for row in rows] for rows in by_unit], dtype=object)
        if any(value is None for value in table.ravel()):
            continue
        values = table.astype(np.float64)
        between[id_] = float(np.sqrt(np.mean(np.var(values, axis=1, ddof=1))))
        spread = np.array([row[id_] for row in means if row.get(id_) is not None], dtype=np.float64)
        size = float(np.max(np.abs(spread))) if spread.size else 0.0
        units[id_] = float(np.std(spread, ddof=1)) if spread.size > 1 else 0.0
        for found in (between, units):
            found[id_] = 0.0 if found[id_] <= NOTHING * size else found[id_]
    return between, units
