"""Calibrations of this rig's own channels and axis, kept per bench: state of the rig, never fixtures.

    <home>/calibrations/<bench>/<kind>-YYYYMMDD-HHMMSS.json     kind: loopback, positioner, reclamping-PART

Each is written once and stays as history; the newest is in force until it is too old. What stands in one is the
business of evaluation (a loopback: complex gains, frequency, ranges; a positioner: orders of the axis and what they
are tied to; a re-clamping: how a part number's lines scatter); this file only keeps it with its time.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.description.loading import home as default_home
from rig.errors import RecordError, UsageError
from rig.records.files import read_json, to_json, write_beside
from rig.records.run.record import plain

SCHEMA = "anglewright calibration 1"
LOOPBACK = "loopback"


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One calibration: kind, bench, when it was made (UTC), in which run, and its data."""

    kind: str
    bench: str
    made_utc: str
    data: Mapping[str, Any]
    run: str = ""
    path: Path | None = None

    def age_days(self, now_utc: str) -> float:
        """Days from its making to a moment (ISO 8601); negative when made later."""
        made, now = datetime.fromisoformat(self.made_utc), datetime.fromisoformat(now_utc)
        return (now - made).total_seconds() / 86_400.0

    def in_force(self, now_utc: str, valid_days: float) -> bool:
        """Made before the moment and not older than its validity."""
        return 0.0 <= self.age_days(now_utc) <= valid_days

    def to_dict(self) -> dict[str, Any]:
        """As it stands in its file and in a run header."""
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "bench": self.bench,
            "made_utc": self.made_utc,
            "run": self.run,
            "data": plain(self.data),
        }


class Calibrations:
    """The calibrations of a home (default: $ANGLEWRIGHT_HOME or the platform's data folder)."""

    def __init__(self, home: Path | None = None) -> None:
        self.folder = (home or default_home()) / "calibrations"

    def save(self, calibration: Calibration) -> Path:
        """Keep a calibration; the file. Raises RecordError (disk), UsageError (bench or kind can't be a name)."""
        made = datetime.fromisoformat(calibration.made_utc).astimezone(UTC)
        folder = self.folder / _name(calibration.bench)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{_name(calibration.kind)}-{made:%Y%m%d-%H%M%S}.json"
        return write_beside(path, to_json(calibration.to_dict()))

    def history(self, bench: str, kind: str) -> list[Calibration]:
        """All of a kind, oldest first. Raises RecordError for a damaged file."""
        files = sorted((self.folder / _name(bench)).glob(f"{_name(kind)}-*.json"))
        found = [made for file in files if (made := _read(file)).kind == kind]
        return sorted(found, key=lambda made: datetime.fromisoformat(made.made_utc))

    def newest(self, bench: str, kind: str) -> Calibration | None:
        """The newest of a kind, or None; whether it is still in force is asked of it."""
        history = self.history(bench, kind)
        return history[-1] if history else None

    def for_run(self, bench: str, now_utc: str, valid_days: Mapping[str, float]) -> dict[str, Any] | None:
        """What is in force when a run begins, as its header carries it; None when nothing is.

        valid_days: kind -> days. The loopback's own keys stand at the top, every other kind under its name (up to the
        first hyphen).
        """
        header: dict[str, Any] = {}
        for kind, days in valid_days.items():
            newest = self.newest(bench, kind)
            if newest is not None and newest.in_force(now_utc, days):
                header |= newest.to_dict() if kind == LOOPBACK else {kind.partition("-")[0]: newest.to_dict()}
        return header or None


def _name(text: str) -> str:
    if not re.fullmatch(r"[\w.-]+", text) or text.startswith("."):
        raise UsageError(f"{text!r} can't be a folder or file name.", next_action="Use letters, digits, - and _.")
    return text


def _read(path: Path) -> Calibration:
    data = read_json(path)
    if data.get("schema") != SCHEMA:
        raise RecordError(
            f"{path}: schema {data.get('schema')!r} found, {SCHEMA!r} expected.",
            next_action="Make the calibration again.",
        )
    try:
        return Calibration(
            kind=data["kind"],
            bench=data["bench"],
            made_utc=data["made_utc"],
            run=data["run"],
            data=data["data"],
            path=path,
        )
    except KeyError as fault:
        raise RecordError(f"{path}: lacks {fault}.", next_action="Make the calibration again.") from fault
