"""Kept runs as DataFrames: what rig/DATA.md shows runs as it stands, and the tables say what the folders hold."""

import csv
import io
import re
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rig import data
from rig.answer import Curves
from rig.records.store import Store

TOP = Path(__file__).parents[2]
KEPT = TOP / "fixtures" / "reference" / "runs" / "schema-1"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A home with the reference runs."""
    home = tmp_path_factory.mktemp("home")
    shutil.copytree(KEPT, home / "runs")
    return Store(home)


def test_the_page_runs_as_it_stands(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one block of rig/DATA.md, executed on a home with the reference runs."""
    (block,) = re.findall(r"^```python\n(.*?)^```", (TOP / "rig" / "DATA.md").read_text(), re.MULTILINE | re.DOTALL)
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(store.home))
    got: dict[str, Any] = {}
    exec(compile(block, "rig/DATA.md", "exec"), got)
    assert len(got["runs"]) == len(list(KEPT.iterdir())) and list(got["unit"]["run"]) == [got["run"].id]
    assert len(got["taken"]) == len(got["run"].readings) and "condition_coil" in got["taken"]


def test_lines_are_those_of_the_judgement_in_its_order(store: Store) -> None:
    """Estimate, unit, U, limits and verdict of each line, unrounded; None where nothing was measured."""
    judgement = store.find("latest").judgement
    assert judgement is not None
    table = data.judged_lines(judgement.judged)
    assert list(table["measurand"]) == [line.measurand for line in judgement.judged]
    for line, (_, row) in zip(judgement.judged, table.iterrows(), strict=True):
        told = line.to_dict()
        assert [row[key] for key in ("estimate", "unit", "U", "verdict")] == [
            told[key] for key in ("estimate", "unit", "U", "verdict")
        ]
        assert row["lower"] == (told["limit"] or {}).get("lower")
    by_index = data.lines(store, run=store.find("latest").id)
    assert list(by_index["measurand"]) == list(table["measurand"])


def test_csv_gives_every_figure_back(store: Store) -> None:
    """What is written is read again to the last digit, line ends after RFC 4180."""
    judgement = store.find("latest").judgement
    assert judgement is not None
    table = data.judged_lines(judgement.judged)
    written = data.csv_bytes(table)
    rows = list(csv.DictReader(io.StringIO(written.decode(), newline="")))
    assert written.count(b"\r\n") == len(table) + 1
    assert [float(row["estimate"]) if row["estimate"] else None for row in rows] == list(table["estimate"])


def test_a_turn_is_a_table_by_the_angle(store: Store) -> None:
    """One column a pass and their mean, not a number where a pass has no point; orders by number; curves as CSV."""
    judgement = store.find("latest").judgement
    assert judgement is not None
    curves = Curves(
        angle_mech_deg=(0.0, 90.0, 180.0),
        error_ccw_elec_arcmin=(1.0, None, 3.0),
        error_mean_elec_arcmin=(1.5, 2.0, 2.5),
        orders=(1, 4),
        orders_mech_arcmin=(0.25, 7.5),
        envelope_angle_mech_deg=(0.0, 180.0),
        envelope_sine=(0.1, -0.1),
    )
    run: Any = SimpleNamespace(judgement=replace(judgement, curves=curves))
    turn = data.sweep(run)
    assert list(turn.index) == [0.0, 90.0, 180.0] and turn.index.name == "angle_mech_deg"
    assert list(turn.columns) == ["error_mean_elec_arcmin", "error_ccw_elec_arcmin"]
    assert turn["error_ccw_elec_arcmin"].isna().tolist() == [False, True, False]
    assert data.orders(run).to_dict() == {1: 0.25, 4: 7.5}
    assert data.envelopes(run)["envelope_sine"].to_dict() == {0.0: 0.1, 180.0: -0.1}
    rows = data.csv_bytes(data.points(curves)).decode().split("\r\n")
    assert rows[0].split(",")[:2] == ["angle_mech_deg", "error_mean_elec_arcmin"] and rows[2].split(",")[2] == ""
    assert data.sweep(store.find("latest")).empty  # a run that did not turn the part


def test_an_empty_home_gives_empty_tables_with_their_columns(tmp_path: Path) -> None:
    """A notebook's next line must not fail on a home without runs."""
    empty = Store(tmp_path / "none")
    assert data.runs(empty).empty and "outcome" in data.runs(empty).columns
    assert list(data.history(empty, "KX4-2207", "1").columns)[:2] == ["run", "job"]
    assert data.changes(empty, "KX4-2207", "1", "J-1").empty


def test_recordings_are_tables_in_volts(tmp_path: Path) -> None:
    """A waves file by time, a phasors file by angle."""
    time_s = np.arange(64) / 100e3
    wave = pd.DataFrame({"t_s": time_s, "exc_v": np.sin(time_s), "sin_v": 0.2, "cos_v": -0.1})
    (tmp_path / "waves.csv").write_bytes(data.csv_bytes(wave))
    read = data.waves(tmp_path / "waves.csv")
    assert read.shape == (64, 3) and np.allclose(read.index, time_s) and np.allclose(read.iloc[:, 0], wave["exc_v"])
    angle = np.arange(0.0, 360.0, 45.0)
    table = pd.DataFrame({"stepper_deg": angle, "exc_re": 5.0, "exc_im": 0.0, "sin_re": 1.0, "sin_im": 0.1})
    table = table.assign(cos_re=np.cos(angle), cos_im=0.0)
    (tmp_path / "phasors.csv").write_bytes(data.csv_bytes(table))
    assert np.allclose(data.phasors(tmp_path / "phasors.csv")["sine"], 1.0 + 0.1j)
