"""The leaks of a unit over its kept runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from library_samples import a_judgement, a_line, kept

from rig.cli.pages.leaks import rows_of
from rig.records.index.database import VARIABLE
from rig.records.store import Store
from rig.review.units.leak_history import leaks_until


def test_the_trend_is_of_this_unit_up_to_this_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another serial, a later run and a run that measures no leaks count not; a line above the range is told so."""
    monkeypatch.delenv(VARIABLE, raising=False)
    store = Store(tmp_path)

    def run(serial: str, core: float, qualifier: str = "", hour: int = 8, sequence: str = "full_test") -> str:
        line = a_line("leak_sin_core", core, qualifier)
        started = f"2026-11-25T{hour:02d}:00:00Z"
        return kept(
            store, serial, a_judgement(9.0, 5.0, "outside limits", line), started_utc=started, sequence=sequence
        ).id

    first = run("W-1", 3e5)
    run("OTHER", 1e3, hour=9)
    run("W-1", 1e3, hour=10, sequence="witness")
    second = run("W-1", 4e6, hour=12)
    last = run("W-1", 1e8, ">", hour=16)
    assert leaks_until(store.find(first), store) is None
    rising, gone = leaks_until(store.find(second), store), leaks_until(store.find(last), store)
    assert rising is not None and rising.answer == "rising" and [one.run for one in rising.runs] == [first, second]
    assert gone is not None and gone.answer == "gone" and gone.hours == 8.0
    rows = rows_of(gone)
    assert "3 runs in 8.0 h" in rows[0] and "0.3 → 4 → > range MΩ" in rows[1]
