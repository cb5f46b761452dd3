"""Entries of the shop's book as files, and as rows of the store's tables; what may be entered is in book.py.

<home>/book/<UTC>-<kind>-<hex>.json     {schema, kind, made_utc, data}
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import read_json

SCHEMA = "anglewright entry 1"
TABLE_OF = {"job": "jobs", "intake": "intakes", "return": "returns", "check-standard": "check_standards"}
LIBRARY = ("good-unit", "withdrawn-unit", "learned-limits")


def entry_rows(home: Path, entry: str) -> Mapping[str, Sequence[dict[str, Any]]]:
    """Table name -> rows of one entry. Raises RecordError for a damaged file."""
    found = read_entry(home / "book" / f"{entry}.json")
    table = TABLE_OF.get(found["kind"])
    rows: dict[str, list[dict[str, Any]]] = {
        "entries": [{"entry": entry, "kind": found["kind"], "made_utc": found["made_utc"]}]
    }
    if found["kind"] in LIBRARY:
        rows["library"] = [_library_row(found["kind"], found["data"]) | {"entry": entry}]
    if table is not None:
        rows[table] = [found["data"] if table == "jobs" else found["data"] | {"entry": entry}]
    return rows


def _library_row(kind: str, data: Mapping[str, Any]) -> dict[str, Any]:
    """One row of the library's history: units in and out, versions approved."""
    rule = data.get("rule") or {}
    row: dict[str, Any] = {
        name: str(data.get(name) or "") for name in ("part", "serial", "how", "who", "why", "rotor", "at_utc")
    }
    row |= {"kind": kind, "n": data["n"], "simulated": bool(data.get("simulated")), "version": data.get("version")}
    row |= {"runs": " ".join(data.get("runs") or ()), "units": len(data["units"]) if "units" in data else None}
    return row | {name: rule.get(name) for name in ("coverage", "confidence")} | {"rejected": data.get("rejected")}


def read_entry(path: Path) -> dict[str, Any]:
    """One entry. Raises RecordError for a missing or damaged file."""
    found = read_json(path)
    if found.get("schema") != SCHEMA or not isinstance(found.get("data"), dict):
        raise RecordError(f"{path}: is no entry of schema {SCHEMA!r}.", next_action="Restore it from a copy.")
    return found
