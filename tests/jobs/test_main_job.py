"""The main job through the command line: one demonstration run, then everything that can be asked about it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rig.jobs.bench.look import pointing_bench
from rig.jobs.operator.manual_entry import entry
from rig.jobs.run_job import Request, bench_and_holder
from rig.records.calibrations import calibration_name

pytestmark = pytest.mark.xdist_group("main_job")  # one worker: the run behind these tests is made once


def call(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
    return subprocess.run([sys.executable, "-m", "rig", *words], env=env, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="module")
def document(home: Path) -> dict[str, Any]:
    done = call(home, "demo", "--json")
    assert done.returncode == 0, done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def test_the_document_has_the_shape_that_everyone_shares(document: dict[str, Any]) -> None:
    """schema, simulated, run, part, serial, outcome, reasons, results, findings, files; numbers or null."""
    keys = {"schema", "simulated", "run", "part", "serial", "outcome", "reasons", "results", "findings", "files"}
    assert keys <= set(document)
    assert document["simulated"] is True
    assert document["outcome"] == "within limits"
    row = next(row for row in document["results"] if row["measurand"] == "tr_sin")
    assert {"measurand", "estimate", "unit", "U", "k", "coverage", "dof", "limit", "verdict", "conditions"} <= set(row)
    assert row["limit"]["origin"] == "customer"
    assert 0 < row["U"] < 0.01


def test_no_verdict_without_limit_uncertainty_and_conditions(document: dict[str, Any]) -> None:
    """A pass or a fail always stands beside a limit and a U; a line without a limit is never a pass."""
    verdicts = [row["verdict"] for row in document["results"]]
    assert verdicts.count("pass") > 20 and verdicts.count("no limit") > 20
    for row in document["results"]:
        if row["verdict"] in ("pass", "conditional pass", "conditional fail", "fail"):
            assert row["limit"] is not None, row
            assert row["U"] is not None, row
        if row["limit"] is None:
            assert row["verdict"] in ("no limit", "not tested"), row


def test_the_certificate_and_its_sources_are_there(document: dict[str, Any]) -> None:
    """PDF, JSON, CSV, journal, raw file and record lie in the run's folder."""
    assert {"certificate", "data", "table", "journal", "raw", "record"} <= set(document["files"])
    for path in document["files"].values():
        assert Path(path).stat().st_size > 0
    assert Path(document["files"]["certificate"]).read_bytes()[:5] == b"%PDF-"


def test_a_kept_run_prints_the_same_document(home: Path, document: dict[str, Any]) -> None:
    """`runs RUN_ID --json` gives the same results as the run did."""
    again = json.loads(call(home, "unit", document["run"], "--json").stdout)
    assert again.pop("experience") is None  # what became of units like this: none was fitted yet
    assert again == document


def test_the_list_and_the_text_say_simulated(home: Path, document: dict[str, Any]) -> None:
    """The list names the run; the text marks it as simulated and tells every verdict as a word."""
    assert document["run"] in call(home, "unit", "--serial", document["serial"]).stdout
    text = call(home, "unit", document["run"]).stdout
    assert "SIMULATED" in text
    assert "WITHIN LIMITS" in text
    assert "pass" in text


def test_a_second_certificate_stands_beside_the_first(home: Path, document: dict[str, Any], tmp_path: Path) -> None:
    """Writing the report again overwrites nothing."""
    first = Path(document["files"]["certificate"]).read_bytes()
    done = call(home, "report", "issue", document["run"], "--out", str(tmp_path), "--json")
    assert done.returncode == 0, done.stderr
    files = json.loads(done.stdout)["files"]
    assert Path(files["certificate"]).is_file()
    assert Path(document["files"]["certificate"]).read_bytes() == first


def test_calibrations_belong_to_one_world() -> None:
    """Two worlds of the simulated bench are two rigs: their channel gains are kept apart."""
    names = {
        calibration_name(bench_and_holder(Request(sequence="", part="", serial="", world=w))[0])
        for w in ("good_4", "good_2")
    }
    assert len(names) == 2


def test_a_world_may_stand_in_place_of_a_bench() -> None:
    """--bench takes a world file, which means the simulated bench with that world."""
    bench, _ = bench_and_holder(Request(sequence="", part="", serial="", bench="good_2"))
    assert bench.world is not None
    assert bench.world.endswith("good_2.toml")


def test_manual_entries_carry_qualifier_unit_and_instrument() -> None:
    """'NAME=>VALUE UNIT;INSTRUMENT' is read whole."""
    told = entry("insulation exc to core=>550 Mohm;IT-3")
    assert (told.name, told.value, told.unit, told.qualifier, told.instrument) == (
        "insulation exc to core",
        550.0,
        "Mohm",
        ">",
        "IT-3",
    )
    assert entry("visual=no rub marks").value == "no rub marks"


def test_a_served_bench_gets_a_bench_file_of_its_own(tmp_path: Path) -> None:
    """`bench simulate --write` leaves a bench file with a clock and a link for each role that is served."""
    from rig.description.benches import load_bench

    links = {
        role: f"tcp://127.0.0.1:{n}"
        for n, role in enumerate(("multimeter", "generator", "sampler", "axis", "switch", "interlock", "climate"), 4000)
    }
    path = tmp_path / "served.toml"
    path.write_text(pointing_bench("tcp://127.0.0.1:3999", links))
    bench = load_bench(str(path))
    assert bench.world is None
    assert bench.is_simulated
    assert bench.encoder is None
    assert bench.generator.link == links["generator"]
