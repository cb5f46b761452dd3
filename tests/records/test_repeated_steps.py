"""What is kept of a step that was taken twice: everything, and only the last attempt counts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.errors import RecordError
from rig.observed import Observed
from rig.quantity import Reading
from rig.records.run.journal import Journal
from rig.records.run.raw import RawFile
from rig.records.run.stored import JOURNAL, RAW, StoredRun, _repeat_note
from rig.signal.waveform import Waveform


def _reading(step: str, value: float, capture: str = "") -> Reading:
    return Reading(
        step=step,
        quantity="sweep_cw" if capture else "index_found",
        value=None if capture else value,
        unit="V" if capture else "steps",
        instrument="sampler",
        bench_time_s=value,
        time_utc="2030-01-01T00:00:00Z",
        capture=capture,
    )


def _wave(level: int) -> Waveform:
    return Waveform(
        codes=np.full((4, 8), level, dtype=np.int16),
        scale_v=np.ones(4),
        offset_v=np.zeros(4),
        sample_rate_hz=1e5,
        channels=("exc_v", "exc_i", "sin", "cos"),
        rail_low=-32768,
        rail_high=32767,
    )


def _run(folder: Path, **event: object) -> StoredRun:
    """Two captures of a failed attempt, the index sought again, three of the attempt that counts."""
    journal, raw = Journal(folder / JOURNAL), RawFile(folder / RAW)
    journal.append("event", {"name": "step begun", "step": "sweep_cw"})
    for level in (1, 2):
        where = raw.append("sweep_cw", _wave(level))
        journal.append("reading", _reading("sweep_cw", float(level), where).to_dict())
    journal.append("reading", _reading("sweep_cw", 9.0).to_dict())
    lines = {"from_line": 2, "to_line": 3} | event
    journal.append("event", {"name": "step repeated", "step": "sweep_cw", "why": "axis: reset"} | lines)
    for level in (11, 12, 13):
        where = raw.append("sweep_cw", _wave(level))
        journal.append("reading", _reading("sweep_cw", float(level), where).to_dict())
    journal.close()
    raw.close()
    return StoredRun(folder)


def _observed(run: StoredRun) -> Observed:
    return Observed(
        readings=run.readings,
        superseded=run.superseded_readings,
        captures=run.captures,
        part=load_part("KX4-2207").part(),
        holder=load_holder("adapter_8"),
        bench=load_bench("simulated"),
    )


def test_readings_of_the_failed_attempt_stay_and_do_not_count(tmp_path: Path) -> None:
    """The index that was found before the repeat counts."""
    run = _run(tmp_path)
    assert [r.capture for r in run.superseded_readings] == ["sweep_cw/0", "sweep_cw/1"]
    assert [r.capture for r in run.readings] == ["", "sweep_cw/2", "sweep_cw/3", "sweep_cw/4"]
    assert run.captures.count("sweep_cw") == 5


def test_evaluation_sees_the_captures_of_the_last_attempt_only(tmp_path: Path) -> None:
    """Captures and their readings stay in step, also in a copy of what was observed."""
    obs = _observed(_run(tmp_path))
    for seen in (obs, replace(obs, header={"rotor": "own"})):
        assert [int(c[0, 0]) for c in seen.captures.stack("sweep_cw").codes] == [11, 12, 13]
        assert len(seen.capture_readings("sweep_cw")) == 3
    assert obs.has("sweep_cw")


def test_a_series_of_failed_attempts_only_is_not_there(tmp_path: Path) -> None:
    """A run that ended before the repeat came to it."""
    obs = _observed(_run(tmp_path, to_line=8))
    assert not obs.has("sweep_cw")
    with pytest.raises(KeyError):
        obs.captures.stack("sweep_cw")


def test_a_repeat_that_does_not_say_its_lines_is_a_damaged_record(tmp_path: Path) -> None:
    """Named by file and line; nothing is guessed."""
    with pytest.raises(RecordError, match=r"journal.jsonl:5: .*which lines"):
        _ = _run(tmp_path, to_line=None).readings


def test_the_words_name_step_cause_and_count(tmp_path: Path) -> None:
    """One sentence each."""
    again = {"name": "said again", "step": "leak", "instrument": "multimeter", "times": 2, "why": "no answer"}
    assert [_repeat_note(event) for event in (*_run(tmp_path).events, again) if _repeat_note(event)] == [
        "Step sweep cw was repeated; its first attempt is kept and not used. Why: axis: reset",
        "Step leak: multimeter was asked again 2 times. Why: no answer",
    ]
