"""A night on the simulated bench: each part judged or named, under one arming that ends."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from rig.description.places import find
from rig.description.soaks import load_soak
from rig.errors import LinkDown
from rig.jobs.night import night as queue_night
from rig.jobs.night.night import Night
from rig.jobs.night.planning import add_looks, add_soak
from rig.jobs.night.queue import Queue
from rig.jobs.run_job import Request
from rig.records.run.stored import StoredRun
from rig.records.store import Store
from rig.result import Judgement
from rig.review import judge as judging

PART = "KX4-2207"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("ANGLEWRIGHT_HOME", str(tmp_path))
    return tmp_path


def quick(serial: str, world: str = "good_4") -> Request:
    return Request(sequence="quick_screen", part=PART, serial=serial, world=world)


def bad_wire(folder: Path) -> str:
    """The good part on a bench whose sampler drops out and refuses to come back."""
    path = folder / "sampler_gone.toml"
    fault = '\n[[faults_of_wire]]\ninstrument = "sampler"\nkind = "refuse"\nnth = 30\nvalue = 120\n'
    path.write_text(find("world", "good_4").read_text(encoding="utf-8") + fault, encoding="utf-8")
    return str(path)


def test_each_part_is_judged_or_named(home: Path) -> None:
    """A fault of the bench ends its part with a reason; the parts after it are run; the file says the same."""
    queue = Queue()
    for request in (quick("N-1"), quick("N-2", bad_wire(home)), quick("N-3", "shorted_sine")):
        queue.add(request)
    outcome = Night(queue, 600.0).run()
    first, second, third = outcome.entries
    assert first.outcome == "within limits" and third.outcome == "outside limits"
    assert second.outcome == "bench fault" and "sampler" in second.reason
    assert outcome.ended == "the queue is empty" and outcome.armed_by == "the simulated bench itself"
    assert outcome.exit_status == 4
    assert queue.entries() == list(outcome.entries)
    assert Store().find(first.run).header.serial == "N-1"


def test_a_fault_of_the_program_ends_its_part_and_not_the_night(monkeypatch: pytest.MonkeyPatch) -> None:
    """A part that can't be judged is kept as it was read, named, and the next one is run."""
    queue = Queue()
    for serial in ("F-1", "F-2"):
        queue.add(quick(serial))
    right = judging.judge_run

    def judge_run(run: StoredRun) -> Judgement:
        if run.header.serial == "F-1":
            raise ValueError("math domain error")
        return right(run)

    monkeypatch.setattr(judging, "judge_run", judge_run)
    outcome = Night(queue, 600.0).run()
    first, second = outcome.entries
    assert first.outcome == "incomplete" and "math domain error" in first.reason
    assert second.outcome == "within limits" and outcome.exit_status == 6
    (kept,) = Store().list(serial="F-1")
    run = Store().find(kept.run)
    assert run.record is not None and "in judging" in run.record.ended and run.readings


def test_the_night_stops_at_its_stated_end() -> None:
    """The part in work is stopped and named, the rest waits for another night."""
    queue = Queue()
    for serial in ("E-1", "E-2"):
        queue.add(replace(quick(serial), speed="2"))  # a part takes far longer than the night, on any machine
    outcome = Night(queue, 6.0).run()
    assert [one.outcome for one in outcome.entries] == ["stopped", "not run"]
    assert "stated end" in outcome.entries[0].reason and "stated end" in outcome.ended
    assert [one.state for one in queue.entries()] == ["done", "waiting"]


def test_a_stop_from_elsewhere_ends_the_night() -> None:
    """At once, in the middle of a part."""
    queue = Queue()
    for serial in ("S-1", "S-2"):
        queue.add(quick(serial))
    asked = []

    def stop_at_first_sweep(told: object) -> None:
        if not asked:
            asked.append(told)
            Queue().ask_to_stop()

    outcome = Night(queue, 600.0, stop_at_first_sweep).run()
    assert [one.outcome for one in outcome.entries] == ["stopped", "not run"]
    assert outcome.exit_status == 5


def test_a_bench_that_comes_back_is_used(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part waits for its bench with growing pauses; past the patience it is named and the next is tried."""
    tries: list[str] = []
    real = queue_night.run_job

    def flaky(request: Request, *args: object, **kwargs: object) -> object:
        tries.append(request.serial)
        if request.serial == "gone" or (request.serial == "B-3" and tries.count("B-3") < 2):
            raise LinkDown("refused", instrument="axis")
        return real(request, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(queue_night, "run_job", flaky)
    monkeypatch.setattr(queue_night, "FIRST_PAUSE_S", 0.05)
    queue = Queue()
    for serial in ("B-1", "gone", "B-3"):
        queue.add(quick(serial))
    outcome = Night(queue, 600.0, patience_s=0.4).run()
    assert [one.outcome for one in outcome.entries] == ["within limits", "bench fault", "within limits"]
    assert tries.count("gone") > 2 and tries.count("B-3") == 2


def test_the_words_of_the_command(home: Path) -> None:
    """plan looks at the files and shows what waits, start prints one table or document."""

    def call(*words: str) -> subprocess.CompletedProcess[str]:
        env = os.environ | {"ANGLEWRIGHT_HOME": str(home)}
        return subprocess.run(
            [sys.executable, "-m", "rig", "night", *words], env=env, capture_output=True, text=True, check=False
        )

    assert call("plan", "quick_screen", "--part", "nobody", "--serial", "C-1").returncode == 2
    assert call("plan", "quick_screen", "--part", PART, "--serial", "C-1", "--world", "good_4").returncode == 0
    assert "waiting" in call("plan").stdout
    assert call("stop").returncode == 2
    until = f"{datetime.now() + timedelta(minutes=10):%H:%M}"
    done = call("start", "--until", until, "--json")
    assert done.returncode == 0, done.stderr
    (part,) = json.loads(done.stdout)["parts"]
    assert part["outcome"] == "within limits" and part["run"]
    assert "within limits" in call("plan").stdout


def test_a_guard_opened_between_two_looks_ends_the_arming(home: Path) -> None:
    """It is closed again minutes before the second look: that one is not run, since nobody has armed after it."""
    world = home / "opened.toml"
    opened = "\n[interlock]\nguard_open_s = [[400.0, 430.0]]\n"
    world.write_text(find("world", "good_4").read_text(encoding="utf-8") + opened, encoding="utf-8")
    queue = Queue()
    add_looks(queue, quick("G-1", str(world)), times=2, every_min=20.0)
    outcome = Night(queue, 600.0).run()
    first, second = outcome.entries
    assert first.outcome == "within limits"
    assert second.outcome == "not run" and "between two runs the guard is open" in second.reason
    assert len(Store().list(serial="G-1")) == 1


def test_a_room_above_the_soaks_ceiling_ends_the_night(home: Path) -> None:
    """22 degC where the soak allows 20: the look that saw it is kept, the next one is not run."""
    soak = load_soak("cool-down")
    cold = soak.ceilings.model_copy(update={"room_degc": 20.0})
    legs = [leg.model_copy(update={"look": "quick_screen", "hunt": False, "longest_min": None}) for leg in soak.leg[:2]]
    queue = Queue()
    add_soak(queue, quick("C-1"), soak.model_copy(update={"ceilings": cold, "leg": tuple(legs), "standards": None}))
    first, second = Night(queue, 600.0).run().entries
    assert first.run and second.outcome == "not run"
    assert "the room is 22.0 degC, above the soak's ceiling of 20 degC" in second.reason
