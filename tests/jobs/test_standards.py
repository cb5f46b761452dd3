"""Check standards: declared by certificate, charted against it, and what one that was outside makes suspect."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "certificate"))
import sample

from rig.certificate.seal.verify_run import run_verification
from rig.cli.main import cli
from rig.cli.pages.job import job_rows
from rig.errors import UsageError
from rig.jobs.kept.listing import kept_runs
from rig.jobs.night.checks.settling import settle
from rig.jobs.night.checks.standards import declare_standard, mark_suspects, standards_due
from rig.quantity import Limit
from rig.records.book.laboratory import DeclaredStandard
from rig.records.index.history import History
from rig.records.run.suspect import settle_entry, suspect_entries, suspect_state, suspect_words
from rig.records.store import Store
from rig.result import Judged, Judgement, Result
from rig.review.charts import AFTER_ZERO, AS_IT_STANDS, NOT_TAKEN_AGAIN, chart, judge_set, sets_of
from rig.review.witness.given_reasons import confirmed_reasons
from rig.uncertainty.conformity import Verdict
from sequences.registry import find_sequence

LINE = "bench_check_resistor"
KNOWN = DeclaredStandard(
    bench="b1",
    standard="check_resistor",
    serial="R-7",
    value=100.003,
    U=0.004,
    certificate="K-12",
    on="2026-03-02",
    until="2026-11-30",
    who="bench lead",
)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path / "home"))
    return Store(tmp_path / "home")


def take(store: Store, ohm: float, utc: str, bench: str = "b1", **night: str) -> str:
    """A kept take of the check resistor: U 0.003 ohm, the line's own limits 99.5 to 100.5 ohm."""
    result = Result(measurand=LINE, estimate=ohm, unit="ohm", u=0.0015, k=2.0, dof=None)
    limit = Limit(measurand=LINE, lower=99.5, upper=100.5, origin="shop fall-back", note="", required=False)
    line = Judged(measurand=LINE, result=result, limit=limit, verdict=Verdict.PASS)
    judgement = Judgement(outcome="within limits", judged=(line,), reasons=(), findings=())
    traits = find_sequence("check_standard").traits
    header = sample.a_header(
        sequence="check_standard",
        started_utc=utc,
        bench={"name": bench, "title": bench, "shop": ""},
        traits=traits,
        details={"night": night} if night else {},
    )
    return sample.stored(store.home, judgement, header).id


def unit_run(store: Store, utc: str, bench: str = "b1") -> Any:
    header = sample.a_header(started_utc=utc, bench={"name": bench, "title": bench, "shop": ""})
    return sample.stored(store.home, sample.good(), header)


def test_a_take_is_held_against_the_standard_in_force_that_day(store: Store) -> None:
    """By E_n of both U (0.005 ohm here); by the line's own limits on a day without one, and for another bench."""
    declare_standard(store, KNOWN)
    take(store, 100.0075, "2026-11-01T06:00:00Z")  # 0.0045 off
    take(store, 100.0085, "2026-11-02T06:00:00Z")  # 0.0055 off
    take(store, 100.2, "2026-12-01T06:00:00Z")  # the standard's last day is over
    take(store, 100.2, "2026-11-03T06:00:00Z", bench="b2")
    points = chart("check_resistor", "b1", store).points
    assert [point.outside for point in points] == [False, True, False]
    assert "standard R-7, certificate K-12" in points[0].against and "no declared standard" in points[2].against
    assert not chart("check_resistor", "b2", store).points[0].outside


def test_a_newer_declaration_takes_over(store: Store) -> None:
    """The newest that is in force on the day."""
    declare_standard(store, KNOWN)
    declare_standard(store, replace(KNOWN, value=100.2, certificate="K-13", until="2027-11-30"))
    take(store, 100.2, "2026-11-01T06:00:00Z")
    (point,) = chart("check_resistor", "b1", store).points
    assert not point.outside and "K-13" in point.against


def test_suspects_are_exactly_the_lines_and_runs_between(store: Store) -> None:
    """Of that bench, after the last good take, before the bad one; no file that stood there changes; once only."""
    declare_standard(store, KNOWN)
    before = unit_run(store, "2026-10-31T08:00:00Z")
    take(store, 100.003, "2026-11-01T06:00:00Z")
    inside = [unit_run(store, "2026-11-01T08:00:00Z"), unit_run(store, "2026-11-01T09:00:00Z")]
    other = unit_run(store, "2026-11-01T08:30:00Z", bench="b2")
    bad = take(store, 100.1, "2026-11-02T06:00:00Z")
    after = unit_run(store, "2026-11-02T08:00:00Z")
    everything = [before, *inside, other, after]
    files = {file: file.read_bytes() for run in everything for file in run.path.iterdir()}

    marked = mark_suspects(store, "check_resistor", "b1", "bench lead", "plug oxidised")
    assert sorted(run for run, _, _ in marked) == sorted(run.id for run in inside)
    assert {by for _, by, _ in marked} == {bad}
    assert mark_suspects(store, "check_resistor", "b1", "bench lead") == []
    assert all(file.read_bytes() == data for file, data in files.items())
    for run in everything:
        assert len(suspect_entries(run.path)) == (1 if run in inside else 0)
    (entry,) = suspect_entries(inside[0].path)
    judged = {line.measurand for line in sample.good().judged}
    assert set(entry["lines"]) == {name for name in judged if name.startswith(("r20_", "thermistor_"))} != set()
    assert (entry["since"], entry["until"]) == ("2026-11-01T06:00:00Z", "2026-11-02T06:00:00Z")
    said = run_verification(store, inside[0]).register
    assert "check standard check_resistor was outside at 2026-11-02T06:00:00Z" in said and "r20_exc" in said


def outside_on(store: Store, *ohms: tuple[str, float]) -> tuple[str, Any]:
    """A good take, a part's run, then a take outside with retakes (how, ohm); the chart's word, and the part's run."""
    declare_standard(store, KNOWN)
    take(store, 100.003, "2026-11-01T06:00:00Z")
    run = unit_run(store, "2026-11-01T08:00:00Z")
    first = take(store, 100.1, "2026-11-02T06:00:00Z")
    for n, (how, ohm) in enumerate(ohms, start=1):
        take(store, ohm, f"2026-11-02T06:0{n}:00Z", take=how, of=first)
    (_, bad) = sets_of(chart("check_resistor", "b1", store).points)
    return judge_set(bad).said, run


STANDS, ZERO = AS_IT_STANDS, AFTER_ZERO


@pytest.mark.parametrize(
    ("ohms", "said", "in_question"),
    [
        ((), NOT_TAKEN_AGAIN, True),
        (((STANDS, 100.1),), NOT_TAKEN_AGAIN, True),
        (((STANDS, 100.003), (STANDS, 100.003)), "in control", False),
        (((STANDS, 100.1), (STANDS, 100.1), (ZERO, 100.003), (ZERO, 100.003)), "lead zero was off", True),
        (((STANDS, 100.1), (STANDS, 100.1), (ZERO, 100.1), (ZERO, 100.1)), "out of control", True),
        (((STANDS, 100.1), (STANDS, 100.003)), "out of control", True),  # no zero can be taken: two of three
    ],
)
def test_a_take_is_judged_with_its_retakes(
    store: Store, ohms: tuple[tuple[str, float], ...], said: str, in_question: bool
) -> None:
    """Chance leaves nothing in question; the zero, the standard, and what was not taken again to the end do."""
    found, run = outside_on(store, *ohms)
    assert found == said
    assert (chart("check_resistor", "b1", store).suspects == (run.id,)) is in_question
    assert [row[0] for row in mark_suspects(store, "check_resistor", "b1", "bench lead")] == [run.id] * in_question


def test_20_takes_of_one_number_are_no_baseline(store: Store) -> None:
    """They tell no scatter: the declared standard goes on speaking."""
    declare_standard(store, KNOWN)
    for n in range(21):
        take(store, 100.003, f"2026-11-01T06:{n:02d}:00Z")
    found = chart("check_resistor", "b1", store)
    assert found.frozen is None and "certificate K-12" in found.points[-1].against


def test_a_simulated_bench_has_one_name_in_every_night(store: Store) -> None:
    """With its world, however it was served; without the world every one of them is meant."""
    for n, bench in enumerate(("simulated.good_4.0a1b2c3d", "simulated.good_4.99999999", "simulated.good_2.0a1b2c3d")):
        take(store, 100.0, f"2026-11-01T06:0{n}:00Z", bench=bench)
    assert len(chart("check_resistor", "simulated.good_4", store).points) == 2
    assert len(chart("check_resistor", "simulated", store).points) == 3


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ({"standard": "chk"}, "is no standard"),
        ({"U": 0.0}, "with U 0"),
        ({"value": float("nan")}, "nan"),
        ({"certificate": " "}, "certificate is empty"),
        ({"on": "2.3.2026"}, "is no day"),
        ({"on": "2026-12-01"}, "after its last day"),
    ],
)
def test_what_a_declaration_may_not_say(store: Store, words: dict[str, Any], why: str) -> None:
    """Nothing is put down."""
    with pytest.raises(UsageError, match=why):
        declare_standard(store, replace(KNOWN, **words))
    assert not list((store.home / "book").glob("*")) if (store.home / "book").exists() else True


def test_readiness_names_what_is_not_declared_or_ends(store: Store) -> None:
    """To the day of the night's end."""
    declare_standard(store, KNOWN)
    assert [row.split()[0] for row in standards_due(store, "b1", date(2026, 11, 30))] == ["ratio_sin", "ratio_cos"]
    assert "check_resistor ended 2026-11-30" in standards_due(store, "b1", date(2026, 12, 1))


def test_by_command(store: Store) -> None:
    """Declared, charted, marked; a mark without a bench is refused, and one by a standard that stands for no line."""
    words = ["--bench", "b1", "--serial", "R-7", "--value", "100.003", "--U", "0.004", "--certificate", "K-12"]
    words += ["--on", "2026-03-02", "--until", "2027-03-01", "--by", "bench lead"]
    done = CliRunner().invoke(cli, ["bench", "standard", "check_resistor", *words], catch_exceptions=False)
    assert done.exit_code == 0 and "100.003 ohm, U 0.004 ohm (k = 2)" in done.output
    take(store, 100.003, "2026-11-01T06:00:00Z")
    run = unit_run(store, "2026-11-01T08:00:00Z")
    take(store, 100.1, "2026-11-02T06:00:00Z")
    asked = ["night", "chart", "check_resistor", "--mark-suspects", "bench lead"]
    done = CliRunner().invoke(cli, [*asked, "--bench", "b1"], catch_exceptions=False)
    assert f"lines of run {run.id} are suspect" in done.output and "certificate K-12" in done.output
    refused = CliRunner().invoke(cli, asked)
    assert refused.exit_code == 2 and "marked for one bench" in refused.output
    with pytest.raises(UsageError, match="stands for no line"):
        mark_suspects(store, "generator_level", "b1", "bench lead")


def a_suspect(store: Store) -> Any:
    """A part's run that a standard makes suspect."""
    declare_standard(store, KNOWN)
    take(store, 100.003, "2026-11-01T06:00:00Z")
    run = unit_run(store, "2026-11-01T08:00:00Z")
    take(store, 100.1, "2026-11-02T06:00:00Z")
    mark_suspects(store, "check_resistor", "b1", "bench lead")
    return run


def files_of(run: Any) -> dict[Path, bytes]:
    return {file: file.read_bytes() for file in run.path.iterdir()}


def test_a_suspect_is_cleared_with_a_reason_and_a_name(store: Store) -> None:
    """Nothing that stood there changes; it says so wherever a suspect is shown, and nothing is open any more."""
    run = a_suspect(store)
    before = files_of(run)
    for words, why in (({"why": " "}, "without a reason"), ({"who": ""}, "without a name"), ({"evidence": "x"}, "'x'")):
        with pytest.raises(UsageError, match=why):
            settle(store, run.id, "cleared", **{"why": "the resistor's plug", "who": "operator 2"} | words)
    assert kept_runs()[-2]["suspect"] == "suspect" and suspect_state(run.path) == "suspect"
    made = settle(store, run.id, "cleared", why="the resistor's plug", who="operator 2", evidence=run.id[:13])
    assert made["settled"] == ["suspect.json"] and made["outcome"] == "within limits"
    assert {file: file.read_bytes() for file in before} == before
    assert suspect_state(run.path) == "cleared"
    told = suspect_words(run.path)
    assert told.startswith("cleared: check standard check_resistor") and "by operator 2: the resistor's plug" in told
    assert "cleared: " in run_verification(store, run).register
    assert {row["run"]: row["suspect"] for row in kept_runs(most=9)}[run.id] == "cleared"
    shown = CliRunner().invoke(cli, ["unit", "suspect"], catch_exceptions=False).output
    assert run.id in shown and "cleared by operator 2" in shown
    with pytest.raises(UsageError, match="it is cleared"):
        settle(store, run.id, "confirmed", why="no", who="operator 2")


def test_a_confirmed_suspect_spoils_its_lines_when_judged_again(store: Store) -> None:
    """Those lines alone, by a reason of its own; an open or a cleared one gives none."""
    run = a_suspect(store)
    assert confirmed_reasons(run) == []
    settle_entry(run.path, "suspect.json", "cleared", why="first guess", who="operator 2")
    assert confirmed_reasons(run) == []
    settle_entry(run.path, "suspect.json", "confirmed", why="resistor cracked", who="bench lead")
    (reason,) = confirmed_reasons(run)
    (entry,) = suspect_entries(run.path)
    assert reason.code == "check-standard-out" and set(reason.spoils) == set(entry["lines"])
    assert "confirmed by bench lead: resistor cracked" in reason.evidence


def test_a_job_tells_its_suspects(store: Store) -> None:
    """In the row of the run."""
    run = a_suspect(store)
    rows = History(store).job(run.header.job)
    (row,) = (row for row in rows["runs"] if row["run"] == run.id)
    assert row["suspect"] == "suspect" and any("suspect" in line for line in job_rows(rows))
