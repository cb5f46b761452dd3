"""What was wrong in a run's header and is right: entries beside the run, applied by lists, histories and reports.

    <run>/correction.json, correction-2.json ...   {schema, made_utc, who, why, words: {serial | part | customer: ...}}

The header itself stays as it was read; a later entry stands above an earlier one.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rig.errors import RecordError
from rig.records.files import read_json, to_json, write_beside
from rig.records.names import refer_in, resolve_in

SCHEMA = "anglewright correction entry 1"
WORDS = ("serial", "part", "customer")
NAMED = ("customer",)  # kept as references (rig/records/names.py)


def add_correction(run: Path, words: Mapping[str, str], *, why: str, who: str, at_utc: str) -> Path:
    """Put a correction beside a run; the file. Raises RecordError (disk)."""
    kept = refer_in(run.parent.parent, words, NAMED)
    data = {"schema": SCHEMA, "made_utc": at_utc, "who": who, "why": why, "words": kept}
    return write_beside(run / "correction.json", to_json(data))


def correct_words(run: Path) -> dict[str, str]:
    """serial, part and customer as they should have been, as far as they were corrected. Raises RecordError."""
    found: dict[str, str] = {}
    for file in sorted(run.glob("correction*.json"), key=lambda f: (len(f.name), f.name)):
        data = read_json(file)
        words = data.get("words")
        if data.get("schema") != SCHEMA or not isinstance(words, Mapping):
            raise RecordError(f"{file}: is no entry of schema {SCHEMA!r}.", next_action="Restore it from a copy.")
        found |= {name: str(words[name]) for name in WORDS if words.get(name)}
    return {name: str(text) for name, text in resolve_in(run.parent.parent, found, NAMED).items()}
