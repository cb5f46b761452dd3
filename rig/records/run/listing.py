"""The newest runs of a home, told from their folders alone: a run's id begins with its start, so names sort by time.

Nothing heavy is loaded, so that the list is there at once whatever the size of the home; the index holds the same
columns for questions over all runs (rig/records/index/rows.py; a test holds both against each other).
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.vocabulary import awaits_text

RECORD, JOURNAL, CUT_SHORT = "run.json", "journal.jsonl", "incomplete"


@dataclass(frozen=True, slots=True)
class RunRow:
    """One line of the list of runs."""

    run: str
    started_utc: str
    part: str
    serial: str
    sequence: str
    outcome: str
    simulated: bool
    job: str
    awaits: str = ""


def newest_runs(folder: Path, most: int) -> list[RunRow]:
    """The newest `most` runs under a folder of runs, newest first; a damaged one is listed without its data."""
    try:
        names = [entry.name for entry in os.scandir(folder) if "-" in entry.name and entry.is_dir()]
    except FileNotFoundError:
        return []
    return [listing_of(folder / name) for name in sorted(names, reverse=True)[:most]]


def listing_of(run: Path) -> RunRow:
    """A run's line: header from run.json or the journal's first line, outcome of the newest judgement."""
    record = _read(run / RECORD)
    header = record.get("header") if record else _first_line(run / JOURNAL)
    if not isinstance(header, Mapping):
        return RunRow(run.name, "", "", "", "", CUT_SHORT, False, "")
    part = header.get("part") or {}
    words = [str(header.get(name, "")) for name in ("serial", "sequence", "job")]
    judgement = _judgement(run, record)
    right: dict[str, Any] = {}
    for file in sorted(run.glob("correction*.json"), key=lambda file: (len(file.name), file.name)):
        right |= {name: text for name, text in (_read(file).get("words") or {}).items() if text}
    return RunRow(
        run=run.name,
        started_utc=str(header.get("started_utc", "")),
        part=str(right.get("part", part.get("number", ""))),
        serial=str(right.get("serial", words[0])),
        sequence=words[1],
        outcome=str((judgement or record).get("outcome", CUT_SHORT)),
        simulated=bool(header.get("simulated", False)),
        job=words[2],
        awaits=awaits_text(str(one.get("title", "")) for one in judgement.get("awaits", ())),
    )


def _judgement(run: Path, record: Mapping[str, Any]) -> Mapping[str, Any]:
    """The newest judgement of a closed run; empty where there is none."""
    later = sorted(run.glob("judgement-*.json"), key=lambda file: (len(file.name), file.name))
    newest = _read(later[-1]) if later and record else record.get("judgement")
    return newest or {}


def _first_line(journal: Path) -> Any:
    try:
        with journal.open("rb") as file:
            return json.loads(file.readline()).get("data")
    except (OSError, ValueError, AttributeError):
        return None


def _read(file: Path) -> dict[str, Any]:
    try:
        data = json.loads(file.read_bytes())
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}
