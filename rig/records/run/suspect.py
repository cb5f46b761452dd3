"""What became suspect of a run after it was closed: an instrument that it used was found out of tolerance, or a check
standard of its bench was outside.

    <run>/suspect.json, -2 ...   {schema, made_utc, instrument, role, since, until, certificate, who, remark}
    the same by a standard       {schema, made_utc, standard, bench, take, lines, since, until, who, remark}

Entries beside the run: no estimate, verdict or file of it ever changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import read_json, to_json, write_beside

SCHEMA = "anglewright suspect entry 1"


def suspect_file(run: Path) -> Path:
    """The first entry's file; later ones stand beside it."""
    return run / "suspect.json"


def put_suspect(run: Path, words: Mapping[str, Any]) -> None:
    """Put an entry down beside the run. Raises RecordError when the disk refuses."""
    made = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    write_beside(suspect_file(run), to_json({"schema": SCHEMA, "made_utc": made, **words}))


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
    said = list(map(_words, suspect_entries(run)))
    return f"suspect: {'; '.join(said)}" if said else ""


def _words(one: Mapping[str, Any]) -> str:
    if "standard" in one:
        return f"check standard {one['standard']} was outside at {one['until']} ({', '.join(one['lines'])})"
    return f"{one['role']} {one['instrument']} was found out of tolerance on {one['until']}"
