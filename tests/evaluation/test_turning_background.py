"""What turning alone brings with the excitation off: a magnetised rotor in proportion to speed, else nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from observed_from_world import full_test

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.turn.background import turning_background
from rig.findings.findings import findings


@pytest.mark.parametrize(("v_per_krpm", "part", "order"), [(0.02, "KX4-2207", 4), (1.5, "KX2-1184", 2)])
def test_a_magnetised_rotor_is_measured_and_named(v_per_krpm: float, part: str, order: int) -> None:
    """The true voltage lies within U, at the pole pairs' order; the finding says how much at 1000 1/min."""
    own = {"pole_pairs": 2, "teeth": 8} if part == "KX2-1184" else {}
    obs = full_test({"seed": 3, "part": {**own, "faults": {"magnetised_v_per_krpm": v_per_krpm}}}, part=part)
    evaluated = evaluate(obs)
    results = evaluated.results
    (line,) = [result for result in results if result.measurand == "background_turning_v"]
    true_v = v_per_krpm * 0.06  # peak, at 360 deg/s
    assert line.estimate == pytest.approx(true_v, abs=line.u) and line.u is not None and line.u < 0.1 * true_v
    assert line.conditions["order_mech"] == order
    (found,) = [one for one in findings(Inspection(evaluated), []) if one.code == "magnetised"]
    told_v = float(found.evidence.rpartition(": ")[2].split()[0])
    assert told_v == pytest.approx(v_per_krpm, rel=0.02)


def test_a_good_part_is_not_called_magnetised() -> None:
    """With mains and a tone on the wires too, which stand at no order of the turn."""
    obs = full_test({"seed": 4, "sampler": {"mains_v": 0.02, "tone_v": 0.005, "tone_hz": 433.0}})
    found = turning_background(obs)
    evaluated = evaluate(obs)
    assert found is not None and found.peak_v < 1e-4
    assert not [one for one in findings(Inspection(evaluated), []) if one.code == "magnetised"]


def test_without_whole_records_nothing_is_said() -> None:
    """No series, or a reading gone: no line, no finding."""
    obs = full_test({"seed": 4, "part": {"faults": {"magnetised_v_per_krpm": 1.0}}})
    less = replace(obs, readings=tuple(r for r in obs.readings if not r.capture.startswith("background_turning")))
    assert turning_background(less) is None
    assert not [result for result in evaluate(less).results if result.measurand == "background_turning_v"]
