"""Figures of five reference runs: estimate, U, degrees of freedom and every influence that matters, line by line.

python tests/evaluation/reference_figures.py --write   writes them anew: after a change that is meant, and only then.
The runs are worlds of the simulated bench with known faults; that their estimates hold the truth is shown in
test_whole_run.py. Kept with them is what no truth can show: how large each influence is said to be.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from drawn_hand import HandRun, hand_world
from drawn_rig import drawn
from observed_from_world import full_test, quick_screen, stator_only

from rig.evaluation.evaluated import evaluate
from rig.observed import Observed
from rig.result import Result

FILE = Path(__file__).with_suffix(".json")
MATTERS = 0.01  # of a line's variance: a smaller influence is not listed, and shows in U when it grows
WORN = {
    "seed": 11,
    "sampler": {
        "gain_error": [0.002, -0.003, 0.004, -0.002],
        "skew_ns": [0, 200, -300, 400],
        "offset_v": [0.002, 0, -0.003, 0.001],
    },
    "climate": {"ambient_degc": 23.5, "part_degc": 23.4, "probe_error_degc": 0.2},
    "part": {"gap_scatter": 0.01, "faults": {"shorted_coil": "sin", "shorted_turns": 1, "shorted_tooth": 3}},
}
RUNS: Mapping[str, Callable[[], Observed]] = {
    "full test, worn rig and part": lambda: full_test(WORN),
    "full test, encoder": lambda: full_test({"axis": {"encoder": True, "once_arcmin": 3.0, "cyclic_50_arcmin": 6.0}}),
    "quick screen": lambda: quick_screen({"seed": 4}),
    "stator alone": lambda: stator_only({"part": {"faults": {"rotor": "missing", "leak_exc_core_ohm": 3e6}}}),
    "turned by hand": lambda: HandRun(hand_world(drawn(7))).turned(),
}


def four_digits(value: float | None) -> float | None:
    """As it is kept."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


def figures(results: Iterable[Result]) -> dict[str, dict[str, Any]]:
    """Line -> estimate, U, dof, and the influences that matter (each a standard uncertainty in the line's unit)."""
    found: dict[str, dict[str, Any]] = {}
    for result in results:
        if result.estimate is None:
            continue
        least = MATTERS * (result.u or 0.0) ** 2
        influences: dict[str, float] = {}
        for line in result.budget:
            if line.contribution**2 > least:
                influences[line.influence] = math.hypot(influences.get(line.influence, 0.0), line.contribution)
        found[result.measurand] = {
            "estimate": four_digits(result.estimate),
            "U": four_digits(result.U),
            "dof": four_digits(result.dof if (result.dof or 0.0) < 1e6 else None),
            "qualifier": result.qualifier,
            "influences": {name: four_digits(u) for name, u in sorted(influences.items())},
        }
    return found


def main() -> int:
    """Write the figures, or say how to."""
    if "--write" not in sys.argv:
        print(__doc__)
        return 2
    every = {name: figures(evaluate(run()).results) for name, run in RUNS.items()}
    FILE.write_text(json.dumps(every, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
