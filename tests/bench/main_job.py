"""Speed and size of the main job, as ratios in one run: python tests/bench/main_job.py

Run on demand, never as a timed test. BLAS is held to one thread, so that ratios repeat.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

TOP = Path(__file__).parents[2]
POSITIONS, CHANNELS, SAMPLES, RATE_HZ, CARRIER_HZ = 720, 4, 2500, 241_545.9, 10_000.3


def best_of(n: int, work: Callable[[], Any]) -> float:
    """Shortest wall time of n tries, seconds."""
    times = []
    for _ in range(n):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def sweep_codes() -> np.ndarray:
    """(720, 4, 2500) int16 codes of a four-pole-pair sweep with noise, harmonics and offset."""
    rng = np.random.default_rng(7)
    t = np.arange(SAMPLES) / RATE_HZ
    theta = 2 * np.pi * np.arange(POSITIONS) / POSITIONS
    carrier = np.sin(2 * np.pi * CARRIER_HZ * t + 0.3) + 0.01 * np.sin(4 * np.pi * CARRIER_HZ * t)
    amplitude = np.stack(
        [np.full(POSITIONS, 4.95), np.full(POSITIONS, 0.1), 2.8 * np.sin(4 * theta), 2.8 * np.cos(4 * theta)], axis=1
    )
    volts = amplitude[:, :, None] * carrier + 0.01 + 5e-4 * rng.standard_normal((POSITIONS, CHANNELS, SAMPLES))
    return np.round(volts / 10 * 32767).astype(np.int16)


def projection_and_quality() -> None:
    from scipy.optimize import curve_fit

    from rig.signal import common_frequency, quality, sine_fit
    from rig.signal.waveform import WaveformStack

    codes = sweep_codes()
    t = np.arange(SAMPLES) / RATE_HZ

    def model(x: np.ndarray, a: float, b: float, c: float, f: float) -> np.ndarray:
        return a * np.sin(2 * np.pi * f * x) + b * np.cos(2 * np.pi * f * x) + c

    some = 60  # records fitted one by one; the time of all is in proportion

    def one_by_one() -> None:
        for record in codes.reshape(-1, SAMPLES)[:: POSITIONS * CHANNELS // some][:some]:
            y = record * (10 / 32767)
            curve_fit(model, t, y, p0=[np.ptp(y) / 2, np.ptp(y) / 4, 0.0, CARRIER_HZ])

    per_record_s = best_of(3, one_by_one) / some
    naive_s = per_record_s * POSITIONS * CHANNELS
    scale = np.full(CHANNELS, 10 / 32767)
    stack = WaveformStack(
        codes=codes,
        scale_v=scale,
        offset_v=np.zeros(CHANNELS),
        sample_rate_hz=RATE_HZ,
        channels=("exc_v", "exc_i", "sin", "cos"),
        rail_low=-32768,
        rail_high=32767,
    )
    frequency = common_frequency.pooled_frequency(codes[:, 0, :] * scale[0], RATE_HZ, CARRIER_HZ).frequency_hz
    fast_s = best_of(7, lambda: sine_fit.phasors(codes, RATE_HZ, frequency))

    def whole() -> None:
        f = common_frequency.pooled_frequency(codes[:, 0, :] * scale[0], RATE_HZ, CARRIER_HZ).frequency_hz
        fit = sine_fit.fit_stack(stack, f)
        quality.inspect(stack, fit)

    whole_s = best_of(3, whole)
    print(f"one curve_fit a record: {1e3 * per_record_s:.2f} ms, {naive_s:.2f} s for the sweep")
    print(f"projection to phasors: {1e3 * fast_s:.1f} ms, {naive_s / fast_s:.0f} times faster (promised 500)")
    times = naive_s / whole_s
    print(f"frequency, fit and quality figures: {1e3 * whole_s:.0f} ms, {times:.0f} times faster (promised 50)")


def run(*words: str, home: Path) -> tuple[dict[str, Any], float]:
    """A run's document and the largest memory of the command, MB."""
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    command = [sys.executable, "-m", "rig", *words, "--json"]
    done = subprocess.run(command, cwd=TOP, env=env, capture_output=True, text=True, check=False)
    peak = max(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, before) / 1024
    document: dict[str, Any] = json.loads(done.stdout)
    return document, peak


def certificate_and_memory(home: Path) -> None:
    document, peak_mb = run("run", "full_test", "--part", "KX4-2207", "--serial", "BENCH-1", home=home)
    print(f"full test: peak memory {peak_mb:.0f} MB (promised 400), outcome {document['outcome']}")
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
    words = [sys.executable, "-m", "rig", "report", "issue", document["run"]]
    cold_s = best_of(3, lambda: subprocess.run(words, cwd=TOP, env=env, capture_output=True, check=True))
    asked = [sys.executable, "-m", "rig", "run", "--help"]
    help_s = best_of(5, lambda: subprocess.run(asked, cwd=TOP, env=env, capture_output=True, check=True))
    print(f"certificate, whole command, cold: {cold_s:.2f} s (promised 1.5); --help: {help_s:.2f} s (promised 0.3)")


def stepped_sweep(home: Path) -> None:
    """Sweep time against the sum of move, settle and capture, at 15 ms to arm, 25 ms to read, 5 ms a command."""
    text = (TOP / "fixtures" / "worlds" / "good_4.toml").read_text()
    for section, keys in (("sampler", "arm_s = 0.015\nread_s = 0.025"), ("axis", "command_s = 0.005")):
        header = f"[{section}]"
        text = text.replace(header, f"{header}\n{keys}", 1) if header in text else f"{text}\n{header}\n{keys}\n"
    world = home / "latencies.toml"
    world.write_text(text)
    document, _ = run("run", "full_test", "--part", "KX4-2207", "--serial", "BENCH-2", "--world", str(world), home=home)
    journal = [json.loads(line) for line in (Path(document["files"]["journal"])).read_text().splitlines()]
    header = next(entry["data"] for entry in journal if entry["kind"] == "header")
    readings = [entry["data"] for entry in journal if entry.get("kind") == "reading"]
    for direction in ("ccw", "cw"):
        points = [r for r in readings if r["capture"].startswith(f"sweep_{direction}/")]
        steps = [r["conditions"]["position_steps"] for r in points]
        took_s = points[-1]["bench_time_s"] - points[0]["bench_time_s"]
        axis, sampler = header["bench"]["axis"], header["bench"]["sampler"]
        size_deg = 360.0 * abs(steps[1] - steps[0]) / (axis["full_steps"] * axis["microsteps"])
        ramp_deg = axis["max_deg_s"] ** 2 / axis["accel_deg_s2"]
        move_s = 2 * (size_deg / axis["accel_deg_s2"]) ** 0.5 if size_deg < ramp_deg else size_deg / axis["max_deg_s"]
        move_s += 0.0 if size_deg < ramp_deg else axis["max_deg_s"] / axis["accel_deg_s2"]
        point_s = (
            move_s
            + axis["settle_s"]
            + math.ceil(sampler["sample_rate_hz"] / axis["ring_hz"]) / sampler["sample_rate_hz"]
        )
        bound_s = (len(points) - 1) * point_s
        size = abs(steps[1] - steps[0])
        told = f"{len(points)} points of {size} steps, {took_s:.1f} bench s, {took_s / bound_s:.3f} of the bound"
        print(f"stepped sweep {direction}: {told} (promised 1.07)")


def main() -> None:
    home = Path(tempfile.mkdtemp(prefix="anglewright-bench-"))
    projection_and_quality()
    certificate_and_memory(home)
    stepped_sweep(home)


if __name__ == "__main__":
    main()
