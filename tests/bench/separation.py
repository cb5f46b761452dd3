"""How well sensor and positioner are told apart, and how fast a sweep's maximum is tried out. Run on demand.

    .venv/bin/python tests/bench/separation.py

Promised: rms of the recovered sensor curve 0.30' (two clampings), 0.06' (three), 0.04' (five), electrical, median of
25 seeds; 200 000 trials of a whole sweep's maximum in under 5 s. Exit status 1 when one falls short.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "resolver"))

import numpy as np
from separation_samples import SENSOR, curve, made, waves

from rig.resolver.maximum_error import maximum
from rig.resolver.separation import separate

PROMISED = {2: 0.30, 3: 0.06, 5: 0.04}
SEEDS = 25
TRIALS, TRIALS_S = 200_000, 5.0


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


def trials() -> bool:
    """The maximum of one sweep of 320 points with its band from 200 000 trials of noise and positioner."""
    rng = np.random.default_rng(1)
    theta = 2 * np.pi * np.arange(320) / 320
    values = curve(waves(SENSOR, rng), theta) + 0.3 * rng.standard_normal(320)
    taken = []
    for _ in range(3):
        start = time.perf_counter()
        found = maximum(theta, values, range(1, 69), rng, positioner={1: 2.0, 2: 1.0}, trials=TRIALS)
        taken.append(time.perf_counter() - start)
    median_s = float(np.median(taken))
    print(f"{TRIALS} trials of a sweep's maximum: {median_s:.1f} s (promised {TRIALS_S:g} s)")
    print(f"its figure: {found.value:.2f}' el, band {found.band:.2f}'")
    return median_s <= TRIALS_S


if __name__ == "__main__":
    results = [separation(), trials()]
    sys.exit(0 if all(results) else 1)
