"""A ripple of the excitation's inductance is the rotor's only above the noise, and a gap in the turn is no ripple."""

from __future__ import annotations

from dataclasses import replace

from observed_from_world import full_test

from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.inspection import Inspection
from rig.review.judge import judge


def test_noise_is_no_rotor() -> None:
    """Under 0.2 V of noise on every input the run is unsound and nothing is said about the part."""
    seen = full_test({"seed": 3, "sampler": {"noise_v": 0.2}})
    judgement = judge(seen)
    assert judgement.outcome == "unsound measurement"
    assert judgement.findings == ()


def test_a_gap_is_no_rotor() -> None:
    """With a tenth of both passes lost, no order is made of the mean that is missing there."""
    seen = full_test({"seed": 3})
    gone = {f"sweep_{way}/{i}" for way in ("ccw", "cw") for i in range(40, 72)}
    less = replace(seen, readings=tuple(r for r in seen.readings if r.capture not in gone))
    assert Inspection(evaluate(less)).turns_with_rotor == ""
    assert judge(less).findings == ()


def test_a_low_lobe_shows_all_the_same() -> None:
    """A rotor with one low lobe ripples above the noise."""
    seen = full_test({"seed": 3, "part": {"faults": {"weak_lobe": 2, "weak_lobe_fraction": 0.5}}})
    assert "ripples with the rotor" in Inspection(evaluate(seen)).turns_with_rotor
