"""The judge on a recording, as the tests ask it: a table of `recorded_samples`, what a person said, the judgement."""

from __future__ import annotations

from pathlib import Path

from rig.records.elsewhere.csv_files import read_phasors, read_waves
from rig.records.elsewhere.recording import RecordingFacts, phasors_observed, sweep_observed, waves_observed
from rig.records.elsewhere.tables import PhasorTable, SweepFile, WaveTable
from rig.result import Judgement
from rig.review.judge import judge


def judge_phasors(table: PhasorTable, pole_pairs: int | None = None, frequency_hz: float | None = None) -> Judgement:
    """A turn of phasors."""
    return judge(phasors_observed(table, RecordingFacts(pole_pairs=pole_pairs, frequency_hz=frequency_hz)))


def judge_waves(table: WaveTable, pole_pairs: int | None = None, frequency_hz: float | None = None) -> Judgement:
    """One record."""
    return judge(waves_observed(table, RecordingFacts(pole_pairs=pole_pairs, frequency_hz=frequency_hz)))


def judge_sweep(sweep: SweepFile, pole_pairs: int | None = None, frequency_hz: float | None = None) -> Judgement:
    """A sampled turn."""
    return judge(sweep_observed(sweep, RecordingFacts(pole_pairs=pole_pairs, frequency_hz=frequency_hz)))


def judge_file(path: Path, pole_pairs: int | None = None) -> Judgement:
    """A CSV of phasors or waves, by the folder that it stands in."""
    if path.parent.name == "phasors":
        return judge_phasors(read_phasors(path), pole_pairs)
    return judge_waves(read_waves(path), pole_pairs)


def estimate(found: Judgement, id_: str) -> float:
    """The estimate of a line that must be there."""
    row = found.line(id_)
    assert row is not None and row.result is not None and row.result.estimate is not None, id_
    return row.result.estimate


def codes(found: Judgement) -> set[str]:
    """The codes of the reasons."""
    return {reason.code for reason in found.reasons}
