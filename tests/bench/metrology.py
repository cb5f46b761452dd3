"""Speed and limit of the measurement, as ratios in one run: python tests/bench/metrology.py [--quick]

Angle variance over its Cramer-Rao bound, projection and quality figures against one curve_fit a record, cost per sample
from 100 to 10 000 positions, trials of a sweep's maximum, separation of sensor and axis, a turn on the fly, a stepped
sweep against its bound. On demand; --quick leaves out the separation and the two whole runs. Exit 1 when one is short.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import math
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS / "bench"), str(TESTS / "resolver"), str(TESTS / "evaluation")]

import numpy as np
from main_job import best_of, stepped_sweep
from separation import separation, trials

from rig.evaluation.turn.continuous import both_passes, one_pass
from rig.resolver.turn.orders import fit_orders
from rig.signal import common_frequency, quality, sine_fit
from rig.signal.phasor import carrier_phase, ratio, signed_envelope
from rig.signal.waveform import WaveformStack

RATE_HZ, CARRIER_HZ, SAMPLES = 250e3, 9913.7, 1000
SIGMA_V, FULL_V = 1e-3, 1.144


def told(fine: bool, text: str) -> bool:
    """Print a line; the same verdict back."""
    print(f"  {'ok   ' if fine else 'SHORT'} {text}", flush=True)
    return fine


def disturbed(theta_elec: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(n, 3, m) volts: excitation 4 V, outputs with 2 % harmonics, DC, quadrature, 4 us of skew; clock 100 ppm off."""
    hz = CARRIER_HZ * (1 + 1e-4)
    t = np.arange(SAMPLES) / RATE_HZ
    start = rng.uniform(0, 2 * math.pi, (len(theta_elec), 1))
    volts = np.empty((len(theta_elec), 3, SAMPLES))
    carrier = [2 * math.pi * hz * (t + skew) + start for skew in (0.0, 4e-6, 8e-6)]
    volts[:, 0] = 4.0 * (np.cos(carrier[0]) + 0.02 * np.cos(3 * carrier[0] + 0.4) + 0.01 * np.cos(2 * carrier[0]))
    for c, size in ((1, np.sin(theta_elec)), (2, np.cos(theta_elec))):
        phase = carrier[c] + math.radians(5.0)
        wave = np.cos(phase) + 0.02 * np.cos(3 * phase + 0.4) + 0.01 * np.cos(2 * phase)
        volts[:, c] = FULL_V * (size[:, None] * wave - 0.005 * np.sin(phase)) + 0.05
    return volts + SIGMA_V * rng.standard_normal(volts.shape)


def angle_variance(records: int = 20_000, block: int = 1000) -> bool:
    """Variance of the electrical angle over 2 s^2 / (N A^2)."""
    rng = np.random.default_rng(5)
    theta = rng.uniform(0, 2 * math.pi, records)
    first = disturbed(theta[:block], rng)
    hz = common_frequency.pooled_frequency(first[:, 0], RATE_HZ, CARRIER_HZ).frequency_hz
    sides: list[list[np.ndarray]] = [[], []]
    for begin in range(0, records, block):
        volts = first if begin == 0 else disturbed(theta[begin : begin + block], rng)
        found = sine_fit.fit(volts, RATE_HZ, hz).fundamental
        for side, channel in zip(sides, (1, 2), strict=True):
            side.append(ratio(found[:, channel], found[:, 0]))
    u, v = (signed_envelope(s, carrier_phase(s).phase_rad)[0] for s in (np.concatenate(side) for side in sides))
    off = np.angle(np.exp(1j * (np.arctan2(u, v) - theta)))
    measured = float(np.var(off)) / (2.0 * (SIGMA_V / FULL_V) ** 2 / SAMPLES)
    return told(abs(measured - 1.0) <= 0.03, f"angle variance over its bound: {measured:.3f} (promised 1.00 +- 0.03)")


def stack_of(codes: np.ndarray) -> WaveformStack:
    """Codes of +-10 V as a stack."""
    return WaveformStack(
        codes=codes,
        scale_v=np.full(codes.shape[1], 10 / 32767),
        offset_v=np.zeros(codes.shape[1]),
        sample_rate_hz=RATE_HZ,
        channels=("exc_v", "exc_i", "sin", "cos"),
        rail_low=-32768,
        rail_high=32767,
    )


def codes_of(positions: int, samples: int = 2500) -> np.ndarray:
    """(positions, 4, samples) codes of a sweep with noise."""
    rng = np.random.default_rng(7)
    carrier = np.sin(2 * np.pi * CARRIER_HZ * np.arange(samples) / RATE_HZ).astype(np.float32)
    theta = 2 * np.pi * np.arange(positions) / positions
    size = np.stack([np.full(positions, 4.95), np.full(positions, 0.1), 2.8 * np.sin(theta), 2.8 * np.cos(theta)], 1)
    volts = size[:, :, None].astype(np.float32) * carrier
    volts += 5e-4 * rng.standard_normal(volts.shape, dtype=np.float32)
    return np.rint(volts * 3276.7).astype(np.int16)


def against_curve_fit() -> bool:
    """A sweep of 720 positions against one curve_fit a record."""
    from scipy.optimize import curve_fit

    codes = codes_of(720)
    t = np.arange(codes.shape[2]) / RATE_HZ

    def model(x: Any, a: float, b: float, c: float, f: float) -> Any:
        return a * np.sin(2 * np.pi * f * x) + b * np.cos(2 * np.pi * f * x) + c

    def some() -> None:
        for record in codes.reshape(-1, t.size)[::96]:
            y = record * (10 / 32767)
            curve_fit(model, t, y, p0=[np.ptp(y) / 2, np.ptp(y) / 4, 0.0, CARRIER_HZ])

    def whole() -> None:
        hz = common_frequency.pooled_frequency(codes[:, 0], RATE_HZ, CARRIER_HZ).frequency_hz
        quality.inspect(stack_of(codes), sine_fit.fit_stack(stack_of(codes), hz))

    slow_s = best_of(3, some) * 96
    fast_s = best_of(7, lambda: sine_fit.phasors(codes, RATE_HZ, CARRIER_HZ))
    whole_s = best_of(3, whole)
    fine = told(slow_s / fast_s >= 500, f"projection {slow_s / fast_s:.0f} times faster than curve_fit (promised 500)")
    return told(slow_s / whole_s >= 100, f"with quality figures {slow_s / whole_s:.0f} times (promised 100)") and fine


def cost_per_sample() -> bool:
    """Projection of 100 and of 10 000 positions, per sample."""
    costs = {}
    for positions in (100, 1000, 10_000):
        codes = np.tile(codes_of(min(positions, 1000)), (max(1, positions // 1000), 1, 1))
        costs[positions] = best_of(9, lambda codes=codes: sine_fit.phasors(codes, RATE_HZ, CARRIER_HZ)) / codes.size
    spread = max(costs.values()) / min(costs.values())
    each = ", ".join(f"{n}: {1e9 * cost:.2f} ns" for n, cost in costs.items())
    return told(spread <= 2.0, f"cost per sample within {spread:.2f} (promised 2): {each}")


def on_the_fly() -> bool:
    """A turn of 6 s each way at 10 rpm against a stepped one of 2 x 320 captures of 12.5 ms, the same noise."""
    from test_continuous_sweep import BACK, RATE_HZ, STEP, error, turning

    noise = 1e-3
    orders, fine = [4, 8, 16], np.linspace(0, 2 * math.pi, 720, endpoint=False)
    passes = [
        one_pass(
            turning(d, rpm=10.0, noise_v=noise, seed=d + 2), pulse_channel="pulse", pulse_mech_rad=STEP, direction=d
        )
        for d in (1, -1)
    ]
    found = both_passes(*passes, orders, BACK)
    truth = error(fine + STEP) - np.mean(error(fine))
    flying = float(np.sqrt(np.mean((found.model.evaluate(fine, with_constant=False) - truth) ** 2)))
    theta, samples = 2 * math.pi * np.arange(320) / 320, round(0.0125 * RATE_HZ)
    each = math.sqrt(2 / samples / 2) * noise / FULL_V
    runs = []
    for seed in range(20):
        values = error(theta) + each * np.random.default_rng(seed).standard_normal(320)
        left = fit_orders(theta, values, orders).evaluate(fine) - error(fine)
        runs.append(float(np.std(left)))
    stepped = float(np.median(runs))
    arcmin = math.degrees(1) * 60
    figures = f"{flying * arcmin:.4f}' el rms, stepped {stepped * arcmin:.4f}'"
    return told(flying <= 2.0 * stepped, f"on the fly, 6 s a turn: {figures} (promised twice at most)")


def main() -> int:
    """Every line."""
    start = time.perf_counter()
    results = [angle_variance(), against_curve_fit(), cost_per_sample(), on_the_fly(), trials()]
    if "--quick" not in sys.argv:
        results.append(separation())
        with tempfile.TemporaryDirectory() as home:
            stepped_sweep(Path(home))
    print(f"{time.perf_counter() - start:.0f} s")
    return 0 if all(results) else 1


if __name__ == "__main__":
    raise SystemExit(main())
