"""A full test on an axis with an encoder, over the wire: the turn closes, and only what the part has is the part's."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.simulated.world.truth import truth
from rig.jobs.run_job import Request, run_job


def test_a_good_part_on_an_encoder_is_within_limits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No slip of a sound axis, no hysteresis against the encoder, the largest error holds the truth."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    done = run_job(Request(sequence="full_test", part="KX4-2207", serial="E-1", world="encoder_4", speed="fast"))
    judgement = done.judgement
    assert judgement.outcome == "within limits" and judgement.reasons == ()
    found = {line.measurand: line.result for line in judgement.judged if line.result is not None}
    hysteresis, error = found["hysteresis_mech_arcmin"], found["error_max_elec_arcmin"]
    assert abs(hysteresis.estimate or 0.0) < 0.05, "one reading of the encoder must not hold the axis' ringing"
    true_arcmin = truth("encoder_4")["as_clamped"]["error_max_elec_arcmin"]
    assert abs((error.estimate or 0.0) - true_arcmin) <= (error.U or 0.0) < 2.0
