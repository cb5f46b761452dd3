"""The axis calibrated over real wires: a reclock, its check, a run under it, a recheck, as the help has them."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.simulated.world.motor_errors import ARCMIN, waves
from drivers.simulated.worldfile.keys import load_world
from rig.cli.reference import entries

SWEPT = 3  # a continuous sweep leaves the harmonics at the nulls open


def told(home: Path, *words: str, status: int = 0) -> Any:
    """The document of a command."""
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "rig", *words, "--json"]
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False, timeout=900)
    assert done.returncode == status, done.stderr
    return json.loads(done.stdout)


def example(command: str) -> list[str]:
    """The words of a command's example."""
    return next(shlex.split(one.example)[1:] for one in entries() if one.words.startswith(f"anglewright run {command}"))


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_a_reclock_is_believed_after_its_check_and_then_every_part_gets_it(tmp_path: Path) -> None:
    """First shown, then applied; the recheck passes; the next part's largest error has a fifth of its U."""
    bare = told(tmp_path, "run", "continuous_sweep", "--part", "KX4-2207", "--serial", "P-1", status=SWEPT)
    first = told(tmp_path, *example("reclock"))
    assert not first["applied"] and not first["refused"] and first["positioner"]["checked_with"] is None
    world, _ = load_world("good_4")
    once = next(
        size * np.exp(1j * (phase - np.pi / 2)) for n, size, phase in waves(world.axis, world.seed, 1) if n == 1
    )
    row = next(row for row in first["positioner"]["orders"] if row["order"] == 1)
    assert abs(complex(*row["coefficient_mech_rad"]) - once) < max(row["radius_mech_rad"], 0.02 * ARCMIN)
    shown = told(tmp_path, "run", "continuous_sweep", "--part", "KX4-2207", "--serial", "P-1", status=SWEPT)
    assert largest(shown)["U"] == pytest.approx(largest(bare)["U"], rel=0.1)
    assert any("left aside: no second part" in note for note in shown["notes"])
    second = told(tmp_path, *example("reclock"), "--stator-turned")
    assert second["applied"] and max(second["E_n"].values()) <= 1.0
    mended = told(tmp_path, "run", "continuous_sweep", "--part", "KX4-2207", "--serial", "P-1", status=SWEPT)
    assert largest(mended)["U"] < largest(bare)["U"] / 5.0
    rechecked = told(tmp_path, *example("recheck"))
    assert not rechecked["beyond"]
    standing = told(tmp_path, "bench", "check")["axis"]
    assert standing["applied"] and standing["rechecked_utc"]


def largest(document: Any) -> Any:
    """The line of the largest error."""
    return next(line for line in document["results"] if line["measurand"] == "error_max_elec_arcmin")
