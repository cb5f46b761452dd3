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
