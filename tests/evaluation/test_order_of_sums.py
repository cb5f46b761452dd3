"""The order of sums and the number of threads change no figure of a run that is judged again."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from observed_from_world import full_test
from printed_figures import NOISY, figures

from rig.observed import Observed
from rig.quantity import Reading
from rig.signal.waveform import Captures, WaveformStack
from rig.uncertainty.sameness import same_figure

HERE = Path(__file__).parent
TOP = HERE.parents[1]
SWEPT = ("sweep_ccw", "sweep_cw", "excitation", "impedance_sin", "impedance_cos")


def differing(one: dict[str, Any], two: dict[str, Any]) -> list[str]:
    """Measurands whose estimate or U differ beyond the shared rule, or whose budgets stand in another order."""
    assert list(one["lines"]) == list(two["lines"])
    assert one["reasons"] == two["reasons"]
    found = []
    for id_, (estimate, U, budget) in one["lines"].items():
        again, U_again, budget_again = two["lines"][id_]
        if (estimate is None) != (again is None) or budget != budget_again:
            found.append(id_)
        elif estimate is not None and not (same_figure(estimate, again, U) and same_figure(U, U_again, U)):
            found.append(f"{id_}: {estimate!r} {again!r}, U {U!r} {U_again!r}")
    return found


def judged_with(threads: int, sequence: str) -> dict[str, Any]:
    """The figures of one run, drawn and judged in a process with so many threads of linear algebra."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    env = os.environ | {name: str(threads) for name in names} | {"PYTHONPATH": str(TOP)}
    words = [sys.executable, str(HERE / "printed_figures.py"), sequence]
    done = subprocess.run(words, cwd=TOP, env=env, capture_output=True, text=True, timeout=300, check=True)
    told: dict[str, Any] = json.loads(done.stdout)
    return told


@pytest.mark.parametrize("sequence", ["full_test", "quick_screen"])
def test_one_and_two_threads_give_the_same_figures(sequence: str) -> None:
    """Every estimate and U within 1e-9 U, each budget in the same order, with one and with two threads."""
    one, two = judged_with(1, sequence), judged_with(2, sequence)
    assert one.pop("captured") == two.pop("captured")
    assert len(one["lines"]) > 30
    assert differing(one, two) == []


class Shuffled:
    """Captures of some series in another order."""

    def __init__(self, inner: Captures, order: dict[str, np.ndarray[Any, Any]]) -> None:
        self.inner, self.order = inner, order

    def series(self) -> tuple[str, ...]:
        return self.inner.series()

    def stack(self, series: str) -> WaveformStack:
        stack = self.inner.stack(series)
        return replace(stack, codes=stack.codes[self.order[series]]) if series in self.order else stack


def shuffled(obs: Observed, seed: int) -> Observed:
    """The same run with the captures of its longer series in another order, each with its own reading."""
    rng = np.random.default_rng(seed)
    captures = obs.captures.inner if hasattr(obs.captures, "inner") else obs.captures
    order = {name: rng.permutation(len(captures.stack(name))) for name in SWEPT if obs.has(name)}
    place = {f"{name}/{old}": f"{name}/{new}" for name, rows in order.items() for new, old in enumerate(rows)}
    readings: list[Reading] = [replace(r, capture=place.get(r.capture, r.capture)) for r in obs.readings]
    return replace(obs, readings=tuple(readings), captures=Shuffled(captures, order))


def test_order_of_the_captures_changes_no_figure() -> None:
    """The captures of a sweep summed in another order leave every estimate and U where they were, within 1e-9 U."""
    obs = full_test(NOISY)
    assert differing(figures(obs), figures(shuffled(obs, 3))) == []
