"""A bench proves itself on the simulated bench: what is off is named, what was never taken is never called good."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from rig.certificate.content.particulars import job
from rig.cli.main import cli
from rig.jobs.bench.health import page
from rig.records.store import Store

PART = ("--part", "KX4-2207")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def call(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


def world(folder: Path, text: str) -> str:
    path = folder / "bench_world.toml"
    path.write_text(f"seed = 7\n{text}\n", encoding="utf-8")
    return str(path)


def lines(result: Result) -> dict[str, dict]:
    return {line["id"]: line for line in json.loads(result.stdout)["lines"]}


def test_a_good_bench_is_proven_and_every_line_has_its_U(home: Path) -> None:
    """All lines within limits; the record is dated, names who and which run, and bench check tells it."""
    before = call("bench", "check")
    assert "never proven" in before.stdout
    proven = call("run", "prove", *PART, "--operator", "operator 3", "--json")
    assert proven.exit_code == 0, proven.stderr
    told = lines(proven)
    assert {line["verdict"] for line in told.values()} == {"within limits"}
    assert all(line["U"] > 0 for line in told.values())
    health = json.loads(call("bench", "check", "--json").stdout)["health"]
    assert health["operator"] == "operator 3" and health["run"] == json.loads(proven.stdout)["run"]
    assert Path(health["path"]).is_relative_to(home / "calibrations")
    assert "operator 3" in call("bench", "check").stdout


def test_later_runs_carry_the_proof_in_their_header() -> None:
    """A report can say when the bench was proven, and by which record."""
    health = json.loads(call("run", "prove", *PART, "--json").stdout)
    record = Path(health["path"])
    record.write_text(record.read_text().replace(health["made_utc"], "2026-01-31T08:00:00+00:00"))
    call("run", "check_standard", *PART, "--serial", "S-1")
    run = Store().find(Store().list(sequence="check_standard")[0].run)
    assert run.header.calibration["health"]["run"] == health["run"]
    assert ("Bench proven", f"2026-01-31, record {health['run']}") in job(run.header, "")


@pytest.mark.parametrize(
    ("text", "fallen"),
    [
        ("[sampler]\ngain_error = [0.0, 0.0, 0.0, 0.01]", {"gain_cos"}),
        ("[sampler]\nskew_ns = [0, 0, 200, 0]", {"phase_sin"}),
        ("[sampler]\nexc_divider = 0.51", {"ratio_sin", "ratio_cos"}),
        ("[multimeter]\nlead_ohm = 0.9", {"lead_zero_2w"}),
        ("[multimeter]\ngain_ppm = 900", {"check_resistor"}),
        ("[generator]\namplifier_gain = 1.9", {"generator_level"}),
        ("[axis]\nlost_at_deg = 90\nlost_deg = 7.2", {"index_mech_arcmin"}),
    ],
)
def test_a_fault_of_the_bench_falls_on_its_own_line(tmp_path: Path, text: str, fallen: set[str]) -> None:
    """Status 1; the line named, with what to look at; a channel's gain does not spoil what the loopback corrects."""
    proven = call("run", "prove", *PART, "--world", world(tmp_path, text), "--json")
    assert proven.exit_code == 1, proven.stderr
    assert set(json.loads(proven.stdout)["fell_short"]) == fallen
    shown = page(json.loads(proven.stdout))
    assert shown.count("look at:") == len(fallen)


def poor(folder: Path, extra: str = "") -> str:
    """The simulated bench's file without its axis."""
    text = (Path(__file__).parents[2] / "fixtures" / "benches" / "simulated.toml").read_text()
    axis, encoder = text.index("[axis]"), text.index("[encoder]")
    bench = folder / "poor.toml"
    bench.write_text(text[:axis] + text[encoder:].replace("[interlock]", f"{extra}\n[interlock]"))
    return str(bench)


def test_what_the_bench_has_no_means_for_is_told_as_not_taken(tmp_path: Path) -> None:
    """Without an axis nothing is said of it."""
    proven = call("run", "prove", *PART, "--bench", poor(tmp_path), "--json")
    assert proven.exit_code == 0 and json.loads(proven.stdout)["not_taken"] == ["index_mech_arcmin"]


def test_a_standard_that_reads_over_range_is_outside_and_not_left_out(tmp_path: Path) -> None:
    """A relay that connects nothing: taken, no figure, status 1."""
    proven = call("run", "prove", *PART, "--bench", poor(tmp_path, "check_resistor = 2009"), "--json")
    assert proven.exit_code == 1 and lines(proven)["check_resistor"]["gone"] == "over range"


def hardware_bench(folder: Path, spec: float) -> str:
    """The simulated bench's file with another drift of the channels a day and kelvin, %, and no climate probe."""
    text = (Path(__file__).parents[2] / "fixtures" / "benches" / "simulated.toml").read_text()
    bench = folder / "drifting.toml"
    bench.write_text(text[: text.index("[climate]")].replace("percent_reading = 0.02,", f"percent_reading = {spec},"))
    return str(bench)


@pytest.mark.parametrize(("spec", "verdict", "status"), [(0.002, "within limits", 0), (0.02, "not capable", 3)])
def test_a_line_whose_U_fills_its_limits_is_not_capable(tmp_path: Path, spec: float, verdict: str, status: int) -> None:
    """Without a probe a whole kelvin is allowed for: sine over cosine is told as not capable, never as good."""
    proven = call("run", "prove", *PART, "--bench", hardware_bench(tmp_path, spec), "--json")
    assert proven.exit_code == status, proven.stderr
    told = json.loads(proven.stdout)
    line = lines(proven)["ratio_match"]
    assert line["verdict"] == verdict and (line["U"] > line["upper"] - 1.0) is (status == 3)
    assert told["not_capable"] == (["ratio_match"] if status else []) and told["fell_short"] == []
    assert ("not capable: ratio_match" in page(told)) is bool(status)


def test_sine_over_cosine_is_judged_by_the_drift_since_the_runs_own_loopback() -> None:
    """Seconds and a tenth of a kelvin after the loopback, U is well within the limits it is judged by."""
    line = lines(call("run", "prove", *PART, "--json"))["ratio_match"]
    assert 2e-5 < line["U"] < (line["upper"] - line["lower"]) / 4.0


def test_a_known_part_is_held_against_its_own_record(tmp_path: Path) -> None:
    """First its record is begun; then a bench that still reads the same agrees, and one that drifted does not."""
    known = ("--known", "KP-1", "--json")
    begun = lines(call("run", "prove", *PART, "--world", world(tmp_path, ""), *known))
    assert begun["known_part"]["verdict"] == "not taken" and "begins its record" in begun["known_part"]["text"]
    again = call("run", "prove", *PART, "--world", world(tmp_path, ""), *known)
    agreed = {id_: line for id_, line in lines(again).items() if id_.startswith("known_")}
    assert len(agreed) >= 8 and {line["verdict"] for line in agreed.values()} == {"within limits"}
    assert again.exit_code == 0 and json.loads(again.stdout)["known"] == Store().list(serial="KP-1")[0].run
    drifted = world(tmp_path, "[multimeter]\ngain_ppm = 4000.0")
    off = call("run", "prove", *PART, "--world", drifted, *known)
    assert off.exit_code == 1
    fell = json.loads(off.stdout)["fell_short"]
    assert {"known_r20_exc", "known_r20_sin", "known_r20_cos"} <= set(fell) and "known_tr_sin" not in fell
    assert "look at: Seat it again" in page(json.loads(off.stdout))


def test_check_standard_judges_its_own_lines(tmp_path: Path) -> None:
    """Leads, check resistor, loopback and ratio standard with limit, U and verdict, kept as lines of the run."""
    good = call("run", "check_standard", *PART, "--serial", "BENCH-1", "--json")
    assert good.exit_code == 0, good.stderr
    told = {row["measurand"]: row for row in json.loads(good.stdout)["results"]}
    taken = {"bench_lead_zero_2w", "bench_lead_zero_4w", "bench_check_resistor", "bench_gain_sin", "bench_ratio_cos"}
    assert taken <= set(told) and {told[id_]["verdict"] for id_ in taken} == {"pass"}
    assert all(told[id_]["U"] > 0 and told[id_]["limit"]["upper"] is not None for id_ in taken)
    assert told["bench_index_mech_arcmin"]["verdict"] == "not tested"
    kept = Store().find(json.loads(good.stdout)["run"]).judgement
    assert kept is not None and {line.measurand for line in kept.judged} == set(told)
    off = world(tmp_path, "[multimeter]\ngain_ppm = 900")
    bad = call("run", "check_standard", *PART, "--serial", "BENCH-1", "--world", off)
    assert bad.exit_code == 1, bad.stderr
    assert "Check resistor, four-wire" in bad.stdout and "fail" in bad.stdout
    assert "look at its relay" in bad.stdout and "next  anglewright run check_standard" in bad.stdout
