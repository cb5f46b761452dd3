"""The book, remarks and judging again through the command line, as a user types them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from rig.cli.main import cli
from rig.records.index.database import VARIABLE

KEPT = next((Path(__file__).parents[2] / "fixtures" / "reference" / "runs" / "schema-1").iterdir())


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv(VARIABLE, raising=False)
    shutil.copytree(KEPT, tmp_path / "home" / "runs" / KEPT.name)
    return tmp_path / "home"


def said(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == status, done.output + done.stderr
    return done


def test_a_job_from_intake_to_export(home: Path, tmp_path: Path) -> None:
    """Opened, a unit in with label and warning, out with slip; exported, and imported elsewhere."""
    said("job", "open", "J1", "--customer", "Lower Mill Motors (invented)")
    unit = ("--part", "KX4-2207", "--serial", "SCHEMA-1")
    assert "STATOR" in said("job", "in", "J1", *unit, "--complaint", "jerks").output
    again = said("job", "in", "J2", *unit, "--json")
    assert "in the house already under job J1" in again.stderr
    assert json.loads(again.stdout)["warnings"]
    assert "jerks" in said("job", "slip", "J1", *unit).output
    assert "the driver" in said("job", "out", "J1", *unit, "--handed-to", "the driver").output
    assert "has left already" in said("job", "out", "J1", *unit, status=2).stderr
    assert len(json.loads(said("job", "show", "J1", "--json").output)["intakes"]) == 1
    assert "3 entries" in said("job", "carry", str(tmp_path / "J1.zip"), "--job", "J1").output
    shutil.rmtree(home)
    assert "3 new entries" in said("job", "carry", str(tmp_path / "J1.zip")).output


def test_a_run_is_remarked_and_judged_again(home: Path, tmp_path: Path) -> None:
    """A remark at a step; one run judged again, then the archive as a campaign with a table."""
    assert "remark-2.json" in said("unit", "remark", KEPT.name, "rub marks", "--step", "visual").output
    assert "outcome: within limits" in said("unit", "judge", KEPT.name).output
    table = tmp_path / "changed.csv"
    assert "1 runs judged" in said("unit", "judge", "--campaign", "c1", "--table", str(table)).output
    assert table.read_text().startswith("run,measurand,")
    assert "judge one run or an archive" in said("unit", "judge", status=2).stderr


def test_a_retest_that_the_rule_forbids_opens_no_bench(home: Path) -> None:
    """A run within its limits, another unit, or an unknown run: refused before an instrument is opened."""
    words = ("run", "quick_screen", "--part", "KX4-2207", "--retest-of", KEPT.name)
    assert "nothing to retest" in said(*words, "--serial", "SCHEMA-1", status=2).stderr
    assert "has to have its serial" in said(*words, "--serial", "OTHER", status=2).stderr
    unknown = said(*words[:-1], "20200101-000000-0000", "--serial", "SCHEMA-1", status=2)
    assert "no run is called" in unknown.stderr
    assert [path.name for path in (home / "runs").iterdir()] == [KEPT.name]
