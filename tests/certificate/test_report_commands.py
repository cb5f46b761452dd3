"""The commands about reports: certificate, certificates, verify, new-key and report, with their exit status."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import sample
from click.testing import CliRunner, Result

from rig.cli.main import cli

SHOP = 'schema = "anglewright shop 1"\nname = "Tallow Street Motors (invented)"\ncountry = "GB"\n'


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    made = tmp_path / "home"
    made.mkdir()
    (made / "shop.toml").write_text(SHOP)
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(made))
    monkeypatch.chdir(tmp_path)
    return made


def call(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def told(*words: str | Path) -> Any:
    done = call(*words, "--json")
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_from_issue_to_withdrawal(home: Path, tmp_path: Path) -> None:
    """Issued, written again, amended, verified, listed, withdrawn; each says its number and exits as promised."""
    run = sample.stored(home, sample.good(), sample.a_header(simulated=False, current=True))
    first = told("report", "issue", run.id, "--out", tmp_path / "out")
    assert {Path(path).parent for path in first["files"].values()} == {tmp_path / "out"}
    assert {Path(path).suffix for path in first["files"].values()} == {".pdf", ".json", ".xml", ".csv"}
    assert told("report", "issue", run.id)["again"] is True
    done = call("report", "issue", run.id, "--correct", "customer=Mill")
    assert (done.exit_code, "needs a reason" in done.stderr) == (2, True)
    done = call("report", "issue", run.id, "--reason", "why", "--correct", "customer")
    assert (done.exit_code, "NAME=WORDS" in done.stderr) == (2, True)
    second = told("report", "issue", run.id, "--reason", "name misspelt", "--correct", "customer=Mill")
    assert second["number"] == f"{first['number']}-2"
    done = call("report", "verify", first["files"]["certificate"], run.id)
    assert done.exit_code == 0
    assert "replaced by" in done.stdout
    assert done.stdout.count("UNCHANGED") == 2
    changed = tmp_path / "changed.json"
    text = Path(first["files"]["data"]).read_text(encoding="utf-8")
    changed.write_text(text.replace("9.0134", "9.0135", 1), encoding="utf-8")
    done = call("report", "verify", changed)
    assert done.exit_code == 1
    assert "ALTERED" in done.stdout
    assert "judged.r20_exc" in done.stdout
    assert told("report", "withdraw", run.id, "--reason", "wrong part")["number"] == second["number"]
    listed = told("report", "list")["reports"]
    assert [row["state"].partition(" ")[0] for row in listed] == ["withdrawn", "replaced"]
    assert told("report", "list", "--serial", "nobody")["reports"] == []


def test_verify_away_from_home_is_unknown(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same file in another shop is unknown: exit status 3; what is no report: 2."""
    run = sample.stored(home, sample.good())
    files = told("report", "issue", run.id)["files"]
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "other"))
    done = call("report", "verify", files["data"])
    assert (done.exit_code, "UNKNOWN" in done.stdout, "SIMULATED" in done.stdout) == (3, True, True)
    (tmp_path / "note.txt").write_text("hello")
    assert call("report", "verify", tmp_path / "note.txt").exit_code == 2
    assert call("report", "verify", "20200101-000000-0000").exit_code == 2


def test_a_broken_register_is_told(home: Path) -> None:
    """A line changed by other hands is told, and the list exits with 1."""
    run = sample.stored(home, sample.good())
    told("report", "issue", run.id)
    file = home / "certificates.jsonl"
    file.write_text(file.read_text().replace("93-00417", "93-00418"))
    done = call("report", "list")
    assert done.exit_code == 1
    assert "line 1" in done.stderr


def test_a_key_is_made_once_and_signs(home: Path) -> None:
    """new-key prints the lines for shop.toml; with them a real report is signed; a second key is refused."""
    done = call("panel", "key", "--name", "Tallow Street Motors")
    assert done.exit_code == 0
    (home / "shop.toml").write_text(SHOP + done.stdout)
    run = sample.stored(home, sample.good(), sample.a_header(simulated=False, current=True))
    files = told("report", "issue", run.id)["files"]
    done = call("report", "verify", files["certificate"])
    assert "signed by CN=Tallow Street Motors" in done.stdout
    assert call("panel", "key", "--name", "again").exit_code == 2


def test_reports_of_the_family(home: Path, tmp_path: Path) -> None:
    """Each kind writes a PDF here or where it is told, never over another."""
    for serial in ("A-1", "A-2"):
        sample.stored(home, sample.good(), sample.a_header(serial=serial))
    runs = [row["run"] for row in told("unit")["runs"]]
    sheets = (("unit", "A-1", "--print"), ("unit", "compare", *runs, "--print"))
    for words in (*sheets, ("report", "calibration")):
        made = told(*words)
        assert Path(made["report"]).read_bytes().startswith(b"%PDF")
    again = told("unit", "A-1", "--print")["report"]
    assert Path(again).name == "history-A-1-2.pdf"
    assert call("unit", "nobody", "--print").exit_code == 2
    assert call("unit", "compare", "--print", runs[0]).exit_code == 2
