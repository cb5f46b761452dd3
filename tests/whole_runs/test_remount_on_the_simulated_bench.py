"""The guided remount over real wires: the part is clamped anew, the axis comes out, and waits for its check."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drivers.simulated.world.motor_errors import waves
from drivers.simulated.worldfile.keys import load_world
from rig.description.places import packaged_fixtures

WORLD = """
seed = 6
[holder]
angles_deg = [0.0, 34.5]
[axis]
cyclic_50_arcmin = 4.0
twice_arcmin = 0.9
"""


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A home with a world and a bench of a coarser sweep, so that the set is quick."""
    (tmp_path / "worlds").mkdir()
    (tmp_path / "benches").mkdir()
    (tmp_path / "worlds" / "two.toml").write_text(WORLD)
    bench = (packaged_fixtures() / "benches" / "simulated.toml").read_text()
    bench = bench.replace('world = "good_4"', 'world = "two"').replace("[axis]\n", "[axis]\nsweep_points = 160\n")
    (tmp_path / "benches" / "coarse.toml").write_text(bench)
    return tmp_path


def told(shop: Path, *words: str) -> Any:
    """The document of a command."""
    env = os.environ | {"ANGLEWRIGHT_HOME": str(shop), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "rig", *words, "--json"]
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False, timeout=900)
    assert done.stdout, done.stderr
    return json.loads(done.stdout)


@pytest.mark.slow
def test_a_remount_is_kept_and_waits_for_its_check(shop: Path) -> None:
    """Two clampings find twice a turn and the motor's orders; without a second part no later run applies them."""
    clamp = ("run", "remount", "--part", "KX4-2207", "--serial", "R-1", "--clampings", "2", "--bench", "coarse")
    found = told(shop, *clamp)
    world, _ = load_world(shop / "worlds" / "two.toml")
    applied = {row["order"]: row for row in found["positioner"]["orders"] if row["applied"]}
    for order, amplitude, phase in waves(world.axis, world.seed, 1):
        if order != 1:
            row = applied[order]
            off = complex(*row["coefficient_mech_rad"]) - amplitude * complex(np.exp(1j * (phase - np.pi / 2)))
            assert abs(off) < 4 * row["u_mech_rad"]
    assert not found["positioner"]["reseat_seen"]
    assert Path(found["files"]["positioner"]).is_file()
    again = told(shop, "run", "remount", *(word for run in found["runs"] for word in ("--of", run)))
    assert again["positioner"]["orders"] == found["positioner"]["orders"]
    later = told(shop, "run", "full_test", "--part", "KX4-2207", "--serial", "R-1", "--bench", "coarse")
    lines = {row["measurand"]: row for row in later["results"]}
    assert "left aside: no second part" in str(lines["order_2_mech_arcmin"]["conditions"]["reference"])
    assert lines["tr_sin"]["conditions"]["reclamping_n"] == 2
