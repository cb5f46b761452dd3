"""`library` and `compare` through the command line, as a user types them, on runs made of figures."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from library_samples import GOOD, PART, a_judgement, a_line, a_part, kept

from rig.cli.main import cli
from rig.cli.words.unit import ASPECTS
from rig.quantity import Limit
from rig.records.index.database import VARIABLE
from rig.records.store import Store
from rig.result import Finding, Judged, Judgement
from rig.result import Result as Figure
from rig.review.units.comparing import ASPECTS as KNOWN
from rig.uncertainty.conformity import Verdict


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    monkeypatch.delenv(VARIABLE, raising=False)
    return Store(tmp_path)


def said(*words: str, status: int = 0) -> Result:
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == status, done.output + done.stderr
    return done


def test_a_library_from_the_first_unit_to_an_approved_version(store: Store) -> None:
    """Units in, limits looked at with their warnings, one unit out, approved by a person, all of it in the history."""
    for i, (r20, error) in enumerate(GOOD):
        run = kept(store, f"G-{i}", a_judgement(r20, error))
        made = said("known", "add", run.id, "--how", "new from the maker", "--by", "operator 1").output
        assert f"{PART} G-{i}: 2 lines teach; {i + 1} known-good units" in made
    told = said("known", PART, "--coverage", "0.95").output
    assert "learned from 5 parts, 95 % confident of 95 % of good parts a line; provisional" in told
    assert "a proposal" in told and "5.077" in told and "would pass the limits that it helped to make" in told
    assert "of good parts" in told.splitlines()[-2]
    said("known", "withdraw", PART, "G-4", "--why", "noisy bearing", "--by", "operator 2")
    assert json.loads(said("known", PART, "--units", "--json").stdout)["units"][-1]["serial"] == "G-3"
    document = json.loads(said("known", "approve", PART, "--by", "operator 2", "--family", "0.9", "--json").stdout)
    assert (document["version"], document["approved_by"], document["units"]) == (
        1,
        "operator 2",
        ["G-0", "G-1", "G-2", "G-3"],
    )
    assert document["rule"]["coverage"] == pytest.approx(0.95) and document["provisional"]
    assert document["lines"][0]["k"] == pytest.approx(6.341, abs=5e-4)
    history = said("known", PART, "--history").output
    assert "G-4: noisy bearing" in history and "version 1 from 4 parts, 95/95, provisional" in history
    assert "approved by operator 2" in said("known", PART, "--version", "1").output
    listed = said("known").output
    assert PART in listed and "operator 2" in listed


def test_an_empty_library_says_what_to_do(store: Store) -> None:
    """No library, no unit, no version: each with its next action and status 2."""
    assert "known add" in said("known").output
    assert "3 at least make a limit" in said("known", "approve", PART, "--by", "operator 2", status=2).stderr
    assert "known approve" in said("known", PART, "--version", "1", status=2).stderr


TR = Limit(measurand="tr_sin", lower=0.27, upper=0.33, origin="maker")
ERROR = Limit(measurand="error_max_elec_arcmin", lower=None, upper=60.0, origin="maker")


def limited(limit: Limit, value: float, u: float, verdict: Verdict = Verdict.PASS, **conditions: Any) -> Judged:
    figure = Figure(
        measurand=limit.measurand, estimate=value, unit="1", u=u / 2.0, k=2.0, dof=50.0, conditions=conditions
    )
    return Judged(measurand=limit.measurand, result=figure, limit=limit, verdict=verdict)


def a_unit(store: Store, serial: str, tr: float, error: float, **header: Any) -> str:
    """A judged unit of two lines; a ratio below 0.27 fails. The re-clamping scatter of the error is 1'."""
    verdict = Verdict.PASS if tr >= 0.27 else Verdict.FAIL
    beside = {"reclamping_s": 1.0, "U_reclamped": (4.0 + 4.0) ** 0.5}
    lines = (limited(TR, tr, 0.001, verdict), limited(ERROR, error, 2.0, **beside))
    hints = (Finding(code="gap-or-rotor", probability=0.8, evidence="e", against="a", next_test="n"),)
    judgement = Judgement(
        outcome="within limits" if verdict is Verdict.PASS else "outside limits",
        judged=lines,
        reasons=(),
        findings=hints if verdict is Verdict.FAIL else (),
    )
    return kept(store, serial, judgement, **header).id


def test_a_failed_unit_and_two_donors_side_by_side(store: Store) -> None:
    """Every line with U, differences with U over re-clamping, and the donor with the larger margin, in figures."""
    a_unit(store, "OLD", 0.25, 20.0)
    a_unit(store, "A", 0.30, 40.0)
    a_unit(store, "B", 0.31, 15.0)
    told = json.loads(said("unit", "compare", "OLD", "A", "B", "--json").stdout)
    error = next(line for line in told["lines"] if line["measurand"] == "error_max_elec_arcmin")
    apart = error["units"][2]["difference"]
    assert apart["value"] == pytest.approx(-5.0) and apart["U"] == pytest.approx(4.0) and apart["beyond_U"]
    ratio = next(line for line in told["lines"] if line["measurand"] == "tr_sin")["units"]
    assert ratio[0]["difference"] is None and ratio[1]["difference"]["U"] == pytest.approx(0.001 * 2**0.5)
    assert [unit["margin"] for unit in told["units"]] == [
        pytest.approx(1 - (0.05 + 0.001) / 0.03),
        pytest.approx(1 - 42 / 60),
        pytest.approx(1 - (0.01 + 0.001) / 0.03),
    ]
    advice = told["advice"]
    assert advice["fit"] == ["B"] and "fit B, with its own rotor" in advice["text"]
    assert any("A: within limits, 30 % of the tolerance free" in reason for reason in advice["reasons"])
    assert any("not OLD: outside limits" in reason and "hint: gap-or-rotor" in reason for reason in advice["reasons"])
    page = said("unit", "compare", "OLD", "A", "B").output
    assert "Opinion: fit B, with its own rotor." in page and "beyond" in page and "U over re-clamping" in page


def test_donors_that_can_not_be_told_apart_are_both_named(store: Store) -> None:
    """A margin that differs by less than the uncertainty decides nothing; where none is sound, none is fitted."""
    a_unit(store, "A", 0.30, 22.0)
    a_unit(store, "B", 0.30, 20.0)
    advice = json.loads(said("unit", "compare", "A", "B", "--json").stdout)["advice"]
    assert advice["fit"] == ["B", "A"] and any("no more than its uncertainty" in r for r in advice["reasons"])
    a_unit(store, "X", 0.20, 20.0)
    a_unit(store, "Y", 0.21, 20.0)
    assert "fit none" in said("unit", "compare", "X", "Y").output


def test_what_was_measured_differently_is_refused_until_it_is_said(store: Store) -> None:
    """Another rotor, excitation or condition: refused with what differs, then told on the page."""
    a_unit(store, "OLD", 0.25, 20.0, rotor="shop master")
    other = {**a_part()["excitation"], "frequency_hz": 5000.0}
    a_unit(store, "A", 0.30, 40.0, part=a_part(excitation=other), condition="after cleaning")
    refused = said("unit", "compare", "OLD", "A", status=2).stderr
    assert "rotor (OLD: the shop's master rotor, A: its own rotor)" in refused and "5000 Hz, 7 V" in refused
    assert "--despite rotor --despite excitation --despite condition" in refused
    assert tuple(ASPECTS) == KNOWN
    leave = ("--despite", "rotor", "--despite", "excitation", "--despite", "condition")
    page = said("unit", "compare", "OLD", "A", *leave).output
    unjudged = replace(a_judgement(9.0, 10.0), judged=(replace(limited(TR, 0.3, 0.001), limit=None),))
    kept(store, "B", unjudged, rotor="shop master")
    assert "limits (of tr_sin)" in said("unit", "compare", "OLD", "B", status=2).stderr
    assert "NOT MEASURED ALIKE: rotor" in page and "measured differently, by leave: rotor" in page


def test_a_serial_stands_for_its_newest_full_test(store: Store) -> None:
    """Not for a later quick screen, nor for a run that was cut short; simulated units never stand beside real ones."""
    full = a_unit(store, "A", 0.30, 20.0, started_utc="2026-11-25T08:00:00Z")
    a_unit(store, "A", 0.29, 20.0, started_utc="2026-11-26T08:00:00Z", sequence="quick_screen")
    a_unit(store, "B", 0.30, 30.0)
    told = json.loads(said("unit", "compare", "A", "B", "--json").stdout)
    assert told["units"][0]["run"] == full
    a_unit(store, "C", 0.30, 30.0, simulated=True)
    assert "simulated and real" in said("unit", "compare", "A", "C", status=2).stderr
    lone = replace(a_judgement(9.0, 10.0), judged=(a_line("r20_exc", 9.0),))
    kept(store, "A", lone, part=a_part(number="PX-2"))
    assert "known under 2 parts" in said("unit", "compare", "A", "B", status=2).stderr
