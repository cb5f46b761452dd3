"""What became suspect of a run after it was closed: an instrument that it used was found out of tolerance.

    <run>/suspect.json, -2 ...   {schema, made_utc, instrument, role, since, until, certificate, who, remark}

Entries beside the run: no estimate, verdict or file of it ever changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import read_json

SCHEMA = "anglewright suspect entry 1"


def suspect_file(run: Path) -> Path:
    """The first entry's file; later ones stand beside it."""
    return run / "suspect.json"


def suspect_entries(run: Path) -> list[Mapping[str, Any]]:
    """What makes a run's results suspect, oldest first. Raises RecordError for a damaged entry."""
    found: list[Mapping[str, Any]] = []
    for file in sorted(run.glob("suspect*.json"), key=lambda f: (len(f.name), f.name)):
        data = read_json(file)
        if data.get("schema") != SCHEMA:
            raise RecordError(f"{file}: is no entry of schema {SCHEMA!r}.", next_action="Restore it from a copy.")
        found.append(data)
    return found


def suspect_words(run: Path) -> str:
    """'suspect: multimeter A-001 was found out of tolerance on 2026-11-30'; "" where nothing is."""
    found = suspect_entries(run)
    said = [f"{one['role']} {one['instrument']} was found out of tolerance on {one['until']}" for one in found]
    return f"suspect: {'; '.join(said)}" if said else ""
