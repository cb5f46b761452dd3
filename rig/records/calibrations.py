"""Calibrations of this rig's own channels and axis, stored per bench: state of the rig, never fixtures.

    <home>/calibrations/<bench>/<kind>-YYYYMMDD-HHMMSS.json     kind: loopback, positioner, reclamping-PART

Each is written once and stays as history; the newest is in force until it is too old. What stands in one is the
business of evaluation (a loopback: complex gains, frequency, ranges; a positioner: orders of the axis and what they
are tied to; a re-clamping: how a part number's lines scatter); this file only stores it with its time.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.description.benches import BenchFile
from rig.description.places import default_home
from rig.errors import UsageError
from rig.records.files import read_json, to_json, utc_now, write_beside
from rig.records.schema import dump, load

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
    path: str = ""
    schema: str = SCHEMA

    def age_days(self, now_utc: str) -> float:
        """Days from its making to a moment (ISO 8601); negative when made later."""
        made, now = datetime.fromisoformat(self.made_utc), datetime.fromisoformat(now_utc)
        return (now - made).total_seconds() / 86_400.0

    def in_force(self, now_utc: str, valid_days: float) -> bool:
        """Made before the moment and not older than its validity."""
        return 0.0 <= self.age_days(now_utc) <= valid_days


class Calibrations:
    """The calibrations of a home (default: $ANGLEWRIGHT_HOME or the platform's data folder)."""

    def __init__(self, home: Path | None = None) -> None:
        self.folder = (home or default_home()) / "calibrations"

    def save(self, calibration: Calibration) -> Path:
        """Store a calibration; the file. Raises RecordError (disk), UsageError (bench or kind can't be a name)."""
        made = datetime.fromisoformat(calibration.made_utc).astimezone(UTC)
        folder = self.folder / _name(calibration.bench)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{_name(calibration.kind)}-{made:%Y%m%d-%H%M%S}.json"
        return write_beside(path, to_json(_content(calibration)))

    def add(self, bench: str, kind: str, data: Mapping[str, Any], runs: Sequence[str]) -> Path:
        """Store what runs gave just now; the file. Raises as `save`."""
        return self.save(Calibration(kind=kind, bench=bench, made_utc=utc_now(), data=data, run=" ".join(runs)))

    def history(self, bench: str, kind: str) -> list[Calibration]:
        """All of a kind, oldest first. Raises RecordError for a damaged file."""
        files = sorted((self.folder / _name(bench)).glob(f"{_name(kind)}-*.json"))
        read = [_read(file) for file in files]
        return sorted(
            (made for made in read if made.kind == kind), key=lambda made: datetime.fromisoformat(made.made_utc)
        )

    def newest(self, bench: str, kind: str) -> Calibration | None:
        """The newest of a kind, or None; it may be too old to be in force."""
        history = self.history(bench, kind)
        return history[-1] if history else None

    def for_run(
        self, bench: str, now_utc: str, valid_days: Mapping[str, float], *, clock_begins_anew: bool = False
    ) -> dict[str, Any] | None:
        """What is in force when a run begins, as its header carries it; None when nothing is.

        valid_days: kind -> days. The loopback's own keys stand at the top, every other kind under its name (up to the
        first hyphen). clock_begins_anew: as a simulated bench's does with each run: what a fast one kept ahead of now
        counts as made now.
        """
        header: dict[str, Any] = {}
        for kind, days in valid_days.items():
            newest = self.newest(bench, kind)
            if newest is not None and clock_begins_anew and _moment(newest.made_utc) > _moment(now_utc):
                newest = replace(newest, made_utc=now_utc)
            if newest is not None and newest.in_force(now_utc, days):
                content = _content(newest)
                header |= content if kind == LOOPBACK else {kind.partition("-")[0]: content}
        return header or None


def _moment(utc: str) -> datetime:
    return datetime.fromisoformat(utc)


def _read(file: Path) -> Calibration:
    data = read_json(file) | {"path": str(file)}
    return load(Calibration, data, str(file), SCHEMA, next_action="Make the calibration again.")


def _content(calibration: Calibration) -> dict[str, Any]:
    """As it stands in its file and in a run header."""
    content = dump(calibration)
    del content["path"]
    return content


def _name(text: str) -> str:
    if not re.fullmatch(r"[\w.-]+", text) or text.startswith("."):
        raise UsageError(f"{text!r} can't be a folder or file name.", next_action="Use letters, digits, - and _.")
    return text


def calibration_name(bench: BenchFile) -> str:
    """Under which name this bench's calibrations are kept; every world is a bench of its own."""
    if bench.world is None:
        return bench.name
    digest = hashlib.sha256(Path(bench.world).read_bytes() if Path(bench.world).is_file() else bench.world.encode())
    return f"{bench.name}.{Path(bench.world).stem}.{digest.hexdigest()[:8]}"


def reclamping_kind(part_number: str) -> str:
    """Under which kind the re-clamping scatter of a part number is kept."""
    return "reclamping-" + re.sub(r"[^\w.-]", "_", part_number)
