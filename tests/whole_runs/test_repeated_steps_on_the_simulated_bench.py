"""Whole runs over real wires in which an instrument is lost in mid-step: the step is repeated, and that is told."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from rig.description.places import packaged_fixtures
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.review.judge import judge_run

HERE = Path(__file__).parent
GOOD = packaged_fixtures() / "worlds" / "good_4.toml"


def _ran(tmp_path: Path, *faults: str) -> tuple[dict[str, Any], StoredRun, list[dict[str, Any]]]:
    """A full test with faults of the wire: what the controller said last, its run, the bench's log."""
    world, log, home = tmp_path / "world.toml", tmp_path / "bench.jsonl", tmp_path / "home"
    world.write_text(GOOD.read_text() + "".join(f"\n[[faults_of_wire]]\n{fault}\n" for fault in faults))
    words = [sys.executable, str(HERE / "controller.py"), "full_test", str(world)]
    done = subprocess.run(
        [*words, "--home", str(home), "--log", str(log)], capture_output=True, text=True, timeout=120, check=False
    )
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    return lines[-1], Store(home).find("latest"), [json.loads(line) for line in log.read_text().splitlines()]


@pytest.mark.parametrize(
    ("fault", "step"),
    [
        ('instrument = "axis"\nkind = "alarm"\nmatch = "G53"\nnth = 100\nvalue = 3', "sweep_ccw"),
        pytest.param(
            'instrument = "axis"\nkind = "estop"\nmatch = "G53"\nnth = 500', "sweep_cw", marks=pytest.mark.slow
        ),
        pytest.param(
            'instrument = "sampler"\nkind = "mute"\nmatch = "WAV:DATA"\nnth = 150\nvalue = 1',
            "sweep_ccw",
            marks=pytest.mark.slow,
        ),
    ],
)
def test_an_instrument_lost_in_mid_sweep_costs_a_repeat_and_not_the_run(tmp_path: Path, fault: str, step: str) -> None:
    """Both passes whole and judged from the last attempt only; the first attempt is kept, and the notes tell of it."""
    told, run, log = _ran(tmp_path, fault)
    assert told["complete"], told["fault"]
    for series in ("sweep_ccw", "sweep_cw"):
        points = [r.conditions["point"] for r in run.readings if r.quantity == series]
        assert points == list(range(321))
    lost = [r for r in run.superseded_readings if r.capture]
    assert lost and {r.step for r in run.superseded_readings} == {step}
    assert run.captures.count(step) == 321 + len(lost)
    judged = judge_run(run)
    assert judged.reasons == () and judged.outcome == "within limits"
    (note,) = [note for note in judged.notes if "was repeated" in note]
    assert step.replace("_", " ") in note
    on = False
    for event in log:
        if event["event"] == "relays":
            assert not on, f"relays switched under power at {event['bench_s']} s"
        elif event["event"].startswith("generator"):
            on = event["event"] == "generator_on"
    assert not on


def test_an_instrument_that_is_lost_again_ends_the_run_incomplete(tmp_path: Path) -> None:
    """An axis that alarms at every hundredth move."""
    told, run, _ = _ran(tmp_path, 'instrument = "axis"\nkind = "alarm"\nmatch = "G53"\nevery = 100\nvalue = 3')
    assert not told["complete"] and "ALARM:3" in told["fault"] and told["unsafe"] == {}
    assert run.outcome == "incomplete"
    assert sum(event.get("name") == "step repeated" for event in run.events) == 1
