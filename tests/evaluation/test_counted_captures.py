"""Captures whose reading was lost are not evaluated: nobody knows at which position they were taken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from observed_from_world import full_test

from rig.evaluation.evaluated import evaluate


def test_a_capture_without_its_reading_is_left_out() -> None:
    """Three readings gone from a pass: its series is three captures shorter, and the turn keeps the other positions."""
    seen = full_test({"seed": 4})
    before = evaluate(seen).turn
    assert before is not None
    gone = {f"sweep_ccw/{i}" for i in (40, 41, 42)}
    less = replace(seen, readings=tuple(r for r in seen.readings if r.capture not in gone))
    after = evaluate(less).turn
    assert after is not None
    assert len(less.captures.stack("sweep_ccw")) == len(seen.captures.stack("sweep_ccw")) - 3
    first = np.flatnonzero(before.counter_clockwise)
    kept = np.delete(before.steps[first], [40, 41, 42])
    np.testing.assert_array_equal(after.steps[after.counter_clockwise], kept)
    np.testing.assert_allclose(
        after.sine[after.counter_clockwise], np.delete(before.sine[first], [40, 41, 42]), atol=1e-6
    )
