"""Calibrations of the rig's channels are kept with their time, and go out of force."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.errors import RecordError, UsageError
from rig.records.calibrations import Calibration, Calibrations


def made(utc: str, gain: float = 1.0) -> Calibration:
    return Calibration(kind="loopback", bench="b1", made_utc=utc, data={"gain": [[gain, 0.0]]}, run="r")


def test_the_newest_is_in_force_until_it_is_too_old(tmp_path: Path) -> None:
    """The newest calibration of a bench is found; it is in force for its days only, and never before it was made."""
    kept = Calibrations(tmp_path)
    assert kept.newest("b1", "loopback") is None
    kept.save(made("2026-11-25T08:00:00Z", 1.1))
    kept.save(made("2026-11-25T06:00:00Z", 1.0))
    newest = kept.newest("b1", "loopback")
    assert newest is not None
    assert newest.data == {"gain": [[1.1, 0.0]]}
    assert newest.in_force("2026-11-25T19:59:00Z", 0.5)
    assert not newest.in_force("2026-11-25T20:01:00Z", 0.5)
    assert not newest.in_force("2026-11-25T07:59:00Z", 0.5)
    assert kept.newest("b2", "loopback") is None


def test_history_is_never_overwritten(tmp_path: Path) -> None:
    """Two calibrations of one second stand beside each other."""
    kept = Calibrations(tmp_path)
    paths = {kept.save(made("2026-11-25T08:00:00Z", n)) for n in (1.0, 2.0)}
    assert len(paths) == len(kept.history("b1", "loopback")) == 2


def test_names_and_damaged_files_are_refused(tmp_path: Path) -> None:
    """A bench name can't leave the folder; a damaged file is named."""
    kept = Calibrations(tmp_path)
    with pytest.raises(UsageError, match="can't be a folder"):
        kept.newest("../x", "loopback")
    path = kept.save(made("2026-11-25T08:00:00Z"))
    path.write_text("{")
    with pytest.raises(RecordError, match=str(path)):
        kept.newest("b1", "loopback")
    path.write_text("{}")
    with pytest.raises(RecordError, match="schema None found"):
        kept.newest("b1", "loopback")


def test_a_run_carries_every_calibration_that_is_in_force(tmp_path: Path) -> None:
    """Loopback, positioner and re-clamping stand in one header; what has expired or is of another part does not."""
    kept = Calibrations(tmp_path)
    now = "2026-11-26T08:00:00Z"
    assert kept.for_run("b1", now, {"loopback": 2.0, "positioner": 90.0}) is None
    kept.save(made("2026-11-25T08:00:00Z"))
    for kind, utc in (("positioner", "2026-11-20T08:00:00Z"), ("reclamping-P-1-B", "2026-11-25T09:00:00Z")):
        kept.save(Calibration(kind=kind, bench="b1", made_utc=utc, data={"of": kind}))
    days = {"loopback": 2.0, "positioner": 90.0, "reclamping-P-1": 90.0}
    header = kept.for_run("b1", now, days)
    assert header is not None
    assert header["data"] == {"gain": [[1.0, 0.0]]}
    assert header["positioner"]["data"] == {"of": "positioner"}
    assert "reclamping" not in header
    header = kept.for_run("b1", now, {"loopback": 0.5, "positioner": 90.0, "reclamping-P-1-B": 90.0})
    assert header is not None
    assert "data" not in header
    assert header["reclamping"]["data"] == {"of": "reclamping-P-1-B"}
    assert kept.for_run("b1", now, {"positioner": 5.0}) is None


def test_what_a_fast_bench_kept_ahead_of_now_is_as_good_as_new(tmp_path: Path) -> None:
    """Only where the clock begins anew; elsewhere a date ahead is a clock that was changed, and nothing is in force."""
    kept, days = Calibrations(tmp_path), {"loopback": 0.5}
    kept.save(made("2026-11-26T08:02:00Z"))
    now = "2026-11-26T08:00:30+00:00"
    assert kept.for_run("b1", now, days) is None
    header = kept.for_run("b1", now, days, clock_begins_anew=True)
    assert header is not None and header["made_utc"] == now
    assert kept.for_run("b1", "2026-11-26T21:00:00Z", days, clock_begins_anew=True) is None
