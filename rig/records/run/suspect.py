"""What became suspect of a run after it was closed: an instrument that it used was found out of tolerance, or a check
standard of its bench was outside.

    <run>/suspect.json, -2 ...   {schema, made_utc, instrument, role, since, until, certificate, who, remark}
    the same by a standard       {schema, made_utc, standard, bench, take, said, lines, since, until, who, remark}
    <run>/settled.json, -2 ...   {schema, made_utc, entry, decision, why, evidence, who}: a person's end of an entry

Entries beside the run: no estimate, verdict or file of it ever changes. An entry that was cleared or confirmed stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import read_json, to_json, utc_now, write_beside

SCHEMA = "anglewright suspect entry 1"
SETTLED = "anglewright suspect settled 1"
CLEARED, CONFIRMED, OPEN = "cleared", "confirmed", "suspect"


def suspect_file(run: Path) -> Path:
    """The first entry's file; later ones stand beside it."""
    return run / "suspect.json"


def put_suspect(run: Path, words: Mapping[str, Any]) -> None:
    """Put an entry down beside the run. Raises RecordError when the disk refuses."""
    write_beside(suspect_file(run), to_json({"schema": SCHEMA, "made_utc": utc_now(), **words}))


def settle_entry(run: Path, entry: str, decision: str, *, why: str, who: str, evidence: str = "") -> None:
    """A person's decision about an entry (its file name): CLEARED or CONFIRMED. Raises RecordError when it can't."""
    words = {"entry": entry, "decision": decision, "why": why, "evidence": evidence, "who": who}
    write_beside(run / "settled.json", to_json({"schema": SETTLED, "made_utc": utc_now(), **words}))


def suspect_entries(run: Path) -> list[Mapping[str, Any]]:
    """What makes a run's results suspect, oldest first; `file`, and `settled`: the newest decision about it, or None.

    Raises RecordError for a damaged entry.
    """
    settled = {str(one["entry"]): one for one in _read(run, "settled", SETTLED)}
    return [{**one, "settled": settled.get(str(one["file"]))} for one in _read(run, "suspect", SCHEMA)]


def suspect_state(run: Path) -> str:
    """ "confirmed", "suspect" or "cleared", the first that fits an entry of the run; "" where there is none."""
    states = {_state(one) for one in suspect_entries(run)}
    return next((state for state in (CONFIRMED, OPEN, CLEARED) if state in states), "")


def suspect_words(run: Path) -> str:
    """'suspect: multimeter A-001 was found out of tolerance on 2026-11-30'; "" where nothing is.

    Each entry that a person settled says so: cleared or confirmed, when, by whom and why.
    """
    return "; ".join(f"{_state(one)}: {_words(one)}" for one in suspect_entries(run))


def _read(run: Path, name: str, schema: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for file in sorted(run.glob(f"{name}*.json"), key=lambda f: (len(f.name), f.name)):
        data = read_json(file)
        if data.get("schema") != schema:
            raise RecordError(f"{file}: is no entry of schema {schema!r}.", next_action="Restore it from a copy.")
        found.append({**data, "file": file.name})
    return found


def _state(one: Mapping[str, Any]) -> str:
    return OPEN if one["settled"] is None else str(one["settled"]["decision"])


def _words(one: Mapping[str, Any]) -> str:
    text = cause_words(one)
    if (end := one["settled"]) is not None:
        text += f" ({end['decision']} {str(end['made_utc'])[:10]} by {end['who']}: {end['why']})"
    return text


def cause_words(one: Mapping[str, Any]) -> str:
    """What was found of the standard or the instrument, with its date."""
    if "standard" in one:
        return f"check standard {one['standard']} was outside at {one['until']} ({', '.join(one['lines'])})"
    return f"{one['role']} {one['instrument']} was found out of tolerance on {one['until']}"
