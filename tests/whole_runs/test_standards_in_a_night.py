"""Check standards between the looks of a night on the simulated bench: judged, taken again, and what follows."""

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "certificate"))
import sample

from rig.cli.pages.night import morning_rows
from rig.jobs.night.checks.settling import settle
from rig.jobs.night.folder import find_night
from rig.jobs.night.morning import Morning, morning
from rig.jobs.night.night import Night
from rig.jobs.night.notices import send
from rig.jobs.night.outcome import Outcome
from rig.jobs.night.queue import Queue
from rig.jobs.run_job import Request
from rig.quantity import Limit
from rig.records.run.suspect import suspect_entries
from rig.records.store import Store
from rig.result import Judged, Judgement, Result
from rig.statistics.control_chart import BASELINE
from rig.uncertainty.conformity import Verdict
from sequences.registry import find_sequence

LINE = "bench_check_resistor"
PART = "KX4-2207"
GAIN_PPM = 20.0  # of the simulated meter
S_PPM = 10.0


def words_of(page: Morning) -> list[str]:
    """The terminal's page, wherever its lines end."""
    return " ".join(morning_rows(page)).split()


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home with a baseline of the check resistor: 100 ohm by a meter that reads 20 ppm more, s 10 ppm."""
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    for n in range(BASELINE):
        scatter_ppm = S_PPM * 1.128 / 2.0 * (-1) ** n  # moving range 1.128 s
        result = Result(
            measurand=LINE, estimate=100.0 + 1e-4 * (GAIN_PPM + scatter_ppm), unit="ohm", u=0.002, k=2.0, dof=None
        )
        limit = Limit(measurand=LINE, lower=99.5, upper=100.5, origin="shop fall-back", note="", required=False)
        line = Judged(measurand=LINE, result=result, limit=limit, verdict=Verdict.PASS)
        header = sample.a_header(
            sequence="check_standard",
            started_utc=f"2026-01-01T06:{n:02d}:00Z",
            bench={"name": "simulated", "title": "", "shop": "", "world": "good_4"},
            traits=find_sequence("check_standard").traits,
        )
        sample.stored(tmp_path, Judgement(outcome="within limits", judged=(line,), reasons=(), findings=()), header)
    return tmp_path


def standards(shift_s: float = 0.0) -> Request:
    """A take; shift_s: of the check resistor, in s of its baseline (the meter's gain moves it)."""
    settings = {"multimeter.gain_ppm": GAIN_PPM + shift_s * S_PPM}
    return Request(sequence="check_standard", part=PART, serial="standards", world="good_4", settings=settings)


def night_of(
    home: Path, *requests: Request, notices: list[str] | None = None
) -> tuple[Outcome, list[Mapping[str, Any]]]:
    def notify(what: str, figures: Mapping[str, Any]) -> list[str]:
        (notices if notices is not None else []).append(f"{what}: {figures['standards']}")
        return send(what, figures, home, pause_s=0.0)

    (home / "notices.toml").write_text('smtp_host = "127.0.0.1"\nsmtp_port = 1\nfrom = "a"\nto = ["b"]\n', "utf-8")

    queue = Queue()
    for request in requests:
        queue.add(request)
    outcome = Night(queue, 600.0, notify=notify).run()
    return outcome, list(find_night("latest", home).events())


def test_a_shift_of_5_s_stops_the_night_within_3_takes(home: Path) -> None:
    """Taken twice as it stands and twice after a new lead zero; the part's run since the last good take is suspect."""
    notices: list[str] = []
    look = Request(sequence="quick_screen", part=PART, serial="N-1", world="good_4")
    shifted = [standards(5.0)] * 3
    outcome, events = night_of(home, standards(), look, *shifted, notices=notices)
    first, part, bad, *rest = outcome.entries
    assert (first.outcome, first.reason, part.outcome) == ("within limits", "", "within limits")
    assert bad.reason.startswith("check_resistor is out of control") and bad.exit_status == 3
    assert {one.outcome for one in rest} == {"not run"} and "check standard was out of control" in outcome.ended
    assert notices == ["check standard out of control, the night is stopped: check_resistor"]

    store = Store(home)
    said = {one["look"]: one for one in events if one["what"] == "standards"}
    (row,) = (row for row in said[3]["rows"] if row["standard"] == "check_resistor")
    assert row["said"] == "out of control" and len(row["runs"]) == len(row["values"]) == 5
    taken = [store.find(run).header for run in row["runs"]]
    assert [one.sequence for one in taken] == ["check_standard", *["retake_standard"] * 2, *["check_standard"] * 2]
    zero = taken[1].details["lead_zero"]
    assert zero["of"] == row["runs"][0] and abs(zero["four_wire_ohm"]) < 1e-3
    (entry,) = suspect_entries(store.find(part.run).path)
    assert row["marked"] == [part.run] and {line[:4] for line in entry["lines"]} <= {"r20_", "ther"}
    page = morning(find_night("latest", home), store)
    assert page.headline.startswith("Check standard check_resistor is out of control since look 3")
    text = " ".join(words_of(page))
    assert "one run is suspect" in text and "mail refused 3 times" in text

    files = {file: file.read_bytes() for file in store.find(part.run).path.iterdir()}
    settle(store, part.run, "confirmed", why="the meter drifted", who="bench lead")
    again = store.find(part.run).judgement
    assert again is not None and [reason.code for reason in again.reasons] == ["check-standard-out"]
    assert {line.measurand for line in again.judged if line.spoiled} == set(entry["lines"])
    assert all(file.read_bytes() == data for file, data in files.items())


@pytest.mark.slow
def test_a_quiet_standard_and_a_small_shift_stop_nothing(home: Path) -> None:
    """Within 3 s one take each; the EWMA alone stops nothing."""
    outcome, events = night_of(home, standards(), standards(2.6), standards(2.6))
    assert outcome.ended == "the queue is empty" and {one.reason for one in outcome.entries} == {""}
    rows_of = [row for one in events if one["what"] == "standards" for row in one["rows"]]
    assert {row["said"] for row in rows_of} == {"in control"}
    assert any(row["ewma_warns"] for row in rows_of if row["standard"] == "check_resistor")
    page = morning(find_night("latest", home), Store(home))
    assert "EWMA of check_resistor warns" in " ".join(words_of(page))
