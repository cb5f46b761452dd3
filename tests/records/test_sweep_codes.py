"""Integer codes of a sweep from elsewhere: any width, sign and byte order gives the same volts."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from rig.records.elsewhere.hdf5_sweep import read_sweep
from rig.records.elsewhere.recording import RecordingFacts, sweep_observed
from rig.review.judge import judge

POINTS, POLE_PAIRS, HZ, RATE_HZ = 60, 3, 9913.7, 250e3


def write(path: Path, kind: str, share: float = 0.95) -> float:
    """A sweep whose excitation fills `share` of the range of codes of a type ("<i2", ">u2", ...); volts a code."""
    info = np.iinfo(np.dtype(kind))
    half, middle = (float(info.max) - float(info.min)) / 2, (float(info.max) + float(info.min)) / 2
    t, elec = np.arange(300) / RATE_HZ, POLE_PAIRS * np.arange(POINTS) * 2 * np.pi / POINTS
    carrier = np.sin(2 * np.pi * HZ * t + 0.3)
    shares = np.stack([np.ones(POINTS), 0.286 * np.sin(elec), 0.286 * np.cos(elec)], axis=1)
    noise = 2e-4 * np.random.default_rng(4).standard_normal((POINTS, 3, t.size))
    codes = np.rint(middle + share * half * (shares[:, :, None] * carrier + noise)).astype(kind)
    with h5py.File(path, "w") as file:
        file["positions_deg"] = np.arange(POINTS) * 360.0 / POINTS
        file["samples"] = codes
        file["samples"].attrs["scale_v"] = 5.0 / (share * half)
        file.attrs["sample_rate_hz"], file.attrs["channels"] = RATE_HZ, "exc,sin,cos"
    return 5.0 / (share * half)


@pytest.mark.parametrize("kind", ["<i2", ">i2", "<u2", ">u2", "<i4", ">i4", "<u4", ">u4", "<i8", "u1", "i1"])
def test_a_sweep_that_fills_its_range_is_read_whole(tmp_path: Path, kind: str) -> None:
    """At 95 % of the range no code overflows: 5 V peak of excitation, ratio 0.286, nothing against the recording."""
    write(tmp_path / "sweep.h5", kind)
    found = judge(sweep_observed(read_sweep(tmp_path / "sweep.h5"), RecordingFacts(pole_pairs=POLE_PAIRS)))
    assert found.outcome == "measured, no limits", found.reasons
    values = {row.measurand: row.result.estimate for row in found.judged if row.result is not None}
    assert values["v_exc_rms"] == pytest.approx(5.0 / np.sqrt(2.0), rel=2e-3), found.reasons
    assert values["tr_sin"] == pytest.approx(0.286, rel=5e-3)
    assert values["pole_pairs"] == POLE_PAIRS
