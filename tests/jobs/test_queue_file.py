"""The queue's file: whole or not at all, one writer, one night."""

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from rig.errors import RecordError, UsageError
from rig.jobs.night.planning import seconds_until
from rig.jobs.night.queue import CUT_SHORT, Queue
from rig.jobs.run_job import Request

REQUEST = Request(sequence="quick_screen", part="KX4-2207", serial="Q-1", entries=("visual=clean",))


def test_what_is_added_comes_back(tmp_path: Path) -> None:
    """With every field of the request, in order, numbered on."""
    queue = Queue(tmp_path)
    assert [queue.add(REQUEST).n for _ in range(3)] == [1, 2, 3]
    assert Queue(tmp_path).entries()[2].run_request() == REQUEST
    assert not list(tmp_path.glob("*.part"))


def test_what_a_power_cut_left_running_is_begun_anew_three_times(tmp_path: Path) -> None:
    """Then it is named and passed over; what was finished leaves the file and is never run again."""
    queue = Queue(tmp_path)
    for _ in range(3):
        queue.add(REQUEST)
    first, second, _ = queue.entries()
    data = json.loads(queue.path.read_text())
    data["entries"][0]["state"], data["entries"][1]["state"] = "done", "running"
    queue.path.write_text(json.dumps(data))
    assert queue.begin_night() == []
    assert [(one.n, one.state) for one in queue.entries()] == [(2, "waiting"), (3, "waiting")]
    queue.put(replace(second, state="running", attempts=3))
    cut = queue.begin_night()
    assert [(one.n, one.outcome) for one in cut] == [(second.n, CUT_SHORT)]
    assert [one.n for one in queue.entries()] == [3]
    assert first.n == 1


def test_nothing_in_the_file_arms(tmp_path: Path) -> None:
    """What is kept over a power cut says nothing of an arming."""
    queue = Queue(tmp_path)
    queue.add(REQUEST)
    assert "arm" not in queue.path.read_text()


def test_one_night_at_a_time(tmp_path: Path) -> None:
    """A second is refused; a stop needs a night."""
    queue = Queue(tmp_path)
    with pytest.raises(UsageError, match="no night"):
        queue.ask_to_stop()
    with queue.night():
        with pytest.raises(UsageError, match="running already"), Queue(tmp_path).night():
            pytest.fail("two nights")
        queue.ask_to_stop()
        assert queue.stop_asked()
    queue.begin_night()
    assert not queue.stop_asked()


@pytest.mark.parametrize("text", ["{}", "[", '{"schema": "anglewright queue 1", "entries": [{"m": 1}]}'])
def test_a_damaged_file_is_named(tmp_path: Path, text: str) -> None:
    """Never read as an empty one."""
    queue = Queue(tmp_path)
    queue.path.write_text(text)
    with pytest.raises(RecordError, match=r"queue\.json"):
        queue.entries()


def test_the_stated_end_is_the_next_time_of_that_name() -> None:
    """Within a day, never a moment that is past."""
    evening = datetime(2031, 5, 6, 22, 0)
    assert seconds_until("06:30", evening) == 8.5 * 3600
    assert seconds_until("22:00", evening) == 24 * 3600
    for wrong in ("25:00", "6.30", "", "06:60"):
        with pytest.raises(UsageError):
            seconds_until(wrong, evening)


def test_an_entry_is_taken_out_by_its_number_and_what_runs_stays(tmp_path: Path) -> None:
    """The others keep their numbers; a number that is not there, or that runs, is refused."""
    queue = Queue(tmp_path)
    for _ in range(3):
        queue.add(REQUEST)
    assert queue.remove(2).n == 2
    assert [one.n for one in queue.entries()] == [1, 3]
    with pytest.raises(UsageError, match=r"no entry 2.*1, 3"):
        queue.remove(2)
    queue.put(replace(queue.entries()[0], state="running"))
    with pytest.raises(UsageError, match="running"):
        queue.remove(1)
    assert [one.n for one in queue.entries()] == [1, 3]
