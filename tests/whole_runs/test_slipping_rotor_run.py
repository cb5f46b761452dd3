"""A rotor that slips on its spindle, over real wires: both passes repeated by the run itself, then a marked retest."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

SLIPPED = "rotor-or-axis-slipped"
WORLD = "seed = 3\n[part.faults]\nrotor_slip_deg_per_turn = 0.06\n"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A home with a world whose rotor slips."""
    (tmp_path / "worlds").mkdir()
    (tmp_path / "worlds" / "slipping.toml").write_text(WORLD, encoding="utf-8")
    return tmp_path


def document(shop: Path, sequence: str, *words: str) -> Any:
    """The --json document of one run on that world."""
    run = [sys.executable, "-m", "rig", "run", sequence, "--part", "KX4-2207", "--serial", "S-1", "--json"]
    done = subprocess.run(
        [*run, "--world", "slipping", *words],
        env=os.environ | {"ANGLEWRIGHT_HOME": str(shop), "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
        timeout=200,
    )
    assert done.returncode == 3, done.stderr
    return json.loads(done.stdout)


def journal(shop: Path, run: str) -> str:
    """The journal of a run."""
    return (shop / "runs" / run / "journal.jsonl").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("sequence", "series"),
    [
        ("continuous_sweep", "turning_cw_again"),
        pytest.param("full_test", "sweep_cw_again", marks=pytest.mark.slow),
        pytest.param("full_test_next", "turning_cw_again", marks=pytest.mark.slow),
    ],
)
def test_a_run_repeats_both_passes_and_a_marked_retest_names_the_rotor(shop: Path, sequence: str, series: str) -> None:
    """The first run keeps both pairs and is not a failure; its retest with the mark unmoved has the finding."""
    first = document(shop, sequence)
    assert f'"{series}/0"' in journal(shop, first["run"])
    reason = first["reasons"][0]
    assert reason["code"] == SLIPPED and "in the first passes" in reason["evidence"] and not reason["on_part"]
    assert first["outcome"] == "unsound measurement"
    assert "fail" not in {line["verdict"] for line in first["results"]}
    again = document(shop, sequence, "--retest-of", first["run"], "--entry", "rotor mark=unmoved")
    assert again["outcome"] == "undecided" and again["reasons"][0]["on_part"]
    assert again["findings"][0]["code"] == "loose-rotor"
