"""`anglewright analyse`: text for people, one JSON document for programs, the exit status of the outcome."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from rig.cli.main import cli


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, ["unit", "read", *words])


@pytest.fixture
def phasors(tmp_path: Path) -> Path:
    """Four pole pairs, 160 positions."""
    path = tmp_path / "turn.csv"
    el = 4 * np.radians(np.arange(160) * 2.25)
    noise = 1e-4 * np.random.default_rng(97).standard_normal(160)  # no tone: an order left over spoils the error
    rows = [f"{i * 2.25},7,0,{2 * np.sin(x) + noise[i]:.6f},1e-5,{2 * np.cos(x):.6f},-1e-5" for i, x in enumerate(el)]
    path.write_text("\n".join(["stepper_deg,exc_re,exc_im,sin_re,sin_im,cos_re,cos_im", *rows]), encoding="utf-8")
    return path


def test_a_good_turn_leaves_with_zero(phasors: Path) -> None:
    """One document on standard output, outcome and figures in it."""
    got = run("phasors", str(phasors), "--pole-pairs", "4", "--json")
    document = json.loads(got.stdout)
    assert got.exit_code == 0 and document["outcome"] == "measured, no limits"
    found = {row["measurand"]: row["estimate"] for row in document["results"]}
    assert found["pole_pairs"] == 4 and found["tr_sin"] == pytest.approx(2 / 7, rel=1e-4)


def test_the_document_has_the_shape_of_a_runs(phasors: Path) -> None:
    """Numbers unrounded, null for what is not known, scatter only and the absent witnesses beside every line."""
    document = json.loads(run("phasors", str(phasors), "--json").stdout)
    keys = {"schema", "simulated", "run", "part", "serial", "outcome", "reasons", "results", "findings", "files"}
    assert keys <= set(document)
    frequency = next(row for row in document["results"] if row["measurand"] == "f_exc_hz")
    assert frequency["estimate"] is None and "frequency" in frequency["note"]
    ratio = next(row for row in document["results"] if row["measurand"] == "tr_sin")
    assert ratio["scatter_only"] and any("recorder" in witness for witness in ratio["lacks"])
    assert all({"witness", "what"} == set(row) for row in document["unknown"]) and document["unknown"]


def test_a_bench_file_vouches_for_the_recorder(phasors: Path) -> None:
    """With a bench and a part file lines are judged with a larger U; without the bench no line has a verdict."""
    alone = json.loads(run("phasors", str(phasors), "--part", "KX4-2207", "--json").stdout)
    both = json.loads(run("phasors", str(phasors), "--part", "KX4-2207", "--bench", "simulated", "--json").stdout)
    rows = [{row["measurand"]: row for row in document["results"]} for document in (alone, both)]
    assert rows[0]["tr_sin"]["limit"] is None and rows[0]["tr_sin"]["verdict"] == "no limit"
    assert any("Limits of part" in note for note in alone["notes"])
    assert rows[1]["tr_sin"]["limit"] is not None and not rows[1]["tr_sin"]["scatter_only"]
    assert rows[1]["tr_sin"]["U"] > 20 * rows[0]["tr_sin"]["U"]
    assert rows[1]["error_max_elec_arcmin"]["U"] > rows[0]["error_max_elec_arcmin"]["U"]


def test_text_says_what_is_not_known(phasors: Path) -> None:
    """The screen lists what the file can't tell, and a part file brings pole pairs and frequency."""
    got = run("phasors", str(phasors))
    assert "not known:" in got.stdout and "frequency" in got.stdout and got.exit_code == 0
    part = run("phasors", str(phasors), "--part", "KX2-1184", "--json")
    assert part.exit_code == 3
    assert "pole-pairs-mismatch" in {reason["code"] for reason in json.loads(part.stdout)["reasons"]}


def test_faults_leave_with_two(tmp_path: Path, phasors: Path) -> None:
    """A missing file, a wrong file, an unknown part and a frequency of zero are usage errors with a message."""
    for words in (
        ("phasors", str(tmp_path / "none.csv")),
        ("waves", str(phasors)),
        ("sweep", str(phasors)),
        ("phasors", str(phasors), "--part", "nothing-of-the-kind"),
        ("phasors", str(phasors), "--frequency", "0"),
    ):
        got = run(*words)
        assert got.exit_code == 2 and got.stderr.startswith("anglewright: "), words


def test_pairs_leave_with_the_status_of_their_report(tmp_path: Path) -> None:
    """A table of resistances goes the same way: text or one document, the exit status of its outcome."""
    path = tmp_path / "pairs.csv"
    table = {("1", "2"): 19.0, ("3", "4"): 6.8, ("5", "6"): 6.8}
    pins = [str(n) for n in range(1, 7)]
    rows = [f"{a},{b},{table.get((a, b), 'OL')}" for a in pins for b in pins if a < b]
    path.write_text("\n".join(["pin_a,pin_b,ohm", *rows]), encoding="utf-8")
    got = CliRunner().invoke(cli, ["pins", "table", str(path), "--json"])
    document = json.loads(got.stdout)
    assert document["kind"] == "pairs" and document["schema"] == "anglewright result 1"
    assert got.exit_code in (0, 3) and CliRunner().invoke(cli, ["pins", "table", str(path)]).stdout.strip()
