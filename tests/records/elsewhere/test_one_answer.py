"""One answer: a run's captures written out as a recording give what the run gives without the witnesses they lack."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import h5py
import numpy as np
import pytest
from strip import strip_witnesses

from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.observed import Absent, Observed
from rig.records.elsewhere.hdf5_sweep import read_sweep
from rig.records.elsewhere.recording import RecordingFacts, sweep_observed
from rig.review.expected_run import expected_run
from rig.review.judge import judge

NEAR = 1e-9  # of U


def written(path: Path, run: Observed) -> Path:
    """Both passes of a run as one HDF5 sweep of codes, the excitation in volts at the coil."""
    parts, positions = [], []
    for series in ("sweep_ccw", "sweep_cw"):
        stack, per_turn = run.captures.stack(series), run.bench.axis.steps_per_turn  # type: ignore[union-attr]
        parts.append(stack.codes[:, [0, 2, 3], :])
        positions += [360.0 * float(r.conditions["position_steps"]) / per_turn for r in run.capture_readings(series)]
    scale = stack.scale_v[[0, 2, 3]].copy()
    scale[0] /= run.bench.sampler.exc_divider
    with h5py.File(path, "w") as file:
        file["positions_deg"] = np.array(positions)
        file["samples"] = np.concatenate(parts)
        file["samples"].attrs["scale_v"] = scale
        file.attrs["sample_rate_hz"], file.attrs["channels"] = stack.sample_rate_hz, "exc,sin,cos"
    return path


def run_of(part: str) -> Observed:
    """A full test of a nominal part on the simulated bench's file."""
    bench = load_bench("simulated")
    return expected_run(load_part(part).part(), load_holder(bench.holder), bench)


@pytest.mark.parametrize("part", ["KX4-2207", "KX2-1184"])
@pytest.mark.parametrize("said", ["nothing", "part", "part and bench"])
def test_a_recording_and_the_stripped_run_are_one(tmp_path: Path, part: str, said: str) -> None:
    """Every estimate and U within 1e-9 of U, the same reasons and the same absent witnesses, however much is said."""
    run = run_of(part)
    known = RecordingFacts(
        part=run.part if "part" in said else None,
        bench=run.bench if "bench" in said else None,
        pole_pairs=None,
    )
    recording = sweep_observed(read_sweep(written(tmp_path / "run.h5", run)), known)
    without = strip_witnesses(run, recording.absent)
    assert without.absent == recording.absent
    one, other = judge(recording), judge(without)
    assert [r.code for r in one.reasons] == [r.code for r in other.reasons]
    assert [(row.measurand, row.verdict) for row in one.judged] == [
        (row.measurand, row.verdict) for row in other.judged
    ]
    assert one.outcome == other.outcome and one.unknown == other.unknown
    compare(one.judged, other.judged)


def compare(one: Collection, other: Collection) -> None:  # type: ignore[type-arg]
    """Line by line."""
    assert len(one) > 20
    for a, b in zip(one, other, strict=True):
        if a.result is None or a.result.estimate is None:
            assert b.result is None or b.result.estimate is None, a.measurand
            continue
        u = max(a.result.U or 0.0, 1e-300)
        assert abs(a.result.estimate - b.result.estimate) <= NEAR * u, a.measurand
        assert abs((a.result.U or 0.0) - (b.result.U or 0.0)) <= NEAR * u, a.measurand
        assert a.result.lacks == b.result.lacks, a.measurand


def test_a_stripped_run_keeps_what_was_not_asked_for() -> None:
    """Without the loopback alone the rest of the run stays: DC, limits, positions."""
    run = run_of("KX4-2207")
    without = strip_witnesses(run, {Absent.LOOPBACK})
    assert not without.has("loopback") and without.select("coil_resistance") and without.has("impedance_sin")
    assert without.part.limits and without.bench.sampler.input_pf == run.bench.sampler.input_pf
