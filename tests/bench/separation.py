"""How well sensor and positioner are told apart. Run on demand.

    .venv/bin/python tests/bench/separation.py

Promised: rms of the recovered sensor curve 0.30' (two clampings), 0.06' (three), 0.04' (five), electrical, median of
25 seeds. Exit status 1 when it falls short.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "resolver"))

import numpy as np
from separation_samples import made

from rig.resolver.axis.separation import separate

PROMISED = {2: 0.30, 3: 0.06, 5: 0.04}
SEEDS = 25


def separation() -> bool:
    """Median and worst rms for two, three and five clampings."""
    fine = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    well = True
    for clampings, promised in PROMISED.items():
        start, rms = time.perf_counter(), []
        for seed in range(SEEDS):
            setup = made(seed, clampings)
            off = setup.sensor_error_elec_arcmin(
                separate(setup.clampings, 4).sensor.evaluate(fine, with_constant=False), fine
            )
            rms.append(float(np.sqrt(np.mean(off**2))))
        median, each_s = float(np.median(rms)), (time.perf_counter() - start) / SEEDS
        told = f"rms {median:.3f}' el median, {max(rms):.3f}' worst of {SEEDS} seeds (promised {promised:.2f}')"
        print(f"{clampings} clampings: {told}, {each_s:.2f} s each")
        well = well and median <= promised
    return well


if __name__ == "__main__":
    sys.exit(0 if separation() else 1)
