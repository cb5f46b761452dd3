"""Print every figure of one simulated run as JSON: run by a test in processes with different numbers of threads.

It is a helper of tests, not a test. python printed_figures.py full_test|quick_screen
"""

from __future__ import annotations

import hashlib
import json
import sys
from typing import Any

import observed_from_world

from rig.observed import Observed
from rig.review.judge import judge

NOISY = {"seed": 5, "sampler": {"noise_v": 0.002, "gain_error": [0.0, 0.001, -0.001, 0.002]}}


def figures(obs: Observed) -> dict[str, Any]:
    """Measurand -> estimate, U, and the influences of its budget in the order printed; and the reasons."""
    judged = judge(obs)
    lines = {
        line.measurand: [line.result.estimate, line.result.U, [row.influence for row in line.result.budget]]
        for line in judged.judged
        if line.result is not None and not line.result.manual
    }
    return {"lines": lines, "reasons": [reason.code for reason in judged.reasons]}


def captured(obs: Observed) -> str:
    """A digest of every code that was captured."""
    made = hashlib.sha256()
    for series in obs.captures.series():
        made.update(obs.captures.stack(series).codes.tobytes())
    return made.hexdigest()


def main() -> int:
    """One run, drawn and judged."""
    obs: Observed = getattr(observed_from_world, sys.argv[1])(NOISY)
    json.dump(figures(obs) | {"captured": captured(obs)}, sys.stdout)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
