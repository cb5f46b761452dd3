"""A stored run, or an entry of the shop's book, as rows of the store's tables: pure, from its files and nowhere else.

A damaged run or entry gives a row with its fault, so that it hides no other. It opens no database.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.book.entries import load_data, read_entry
from rig.records.index import tables
from rig.records.run.brief import BriefJudgement, brief_judgement
from rig.records.run.header_corrections import correct_words
from rig.records.run.stored import StoredRun
from rig.records.schema import dump

Row = dict[str, Any]
Rows = Mapping[str, Sequence[Row]]


def run_rows(stored: StoredRun) -> Rows:
    """Table name -> rows of one run, without the `home` column."""
    blank: Row = {column.name: "" for column in tables.RUNS.c if column.name != "home"}
    blank |= {"run": stored.id, "outcome": "incomplete", "simulated": False, "closed": False}
    blank |= {"stamp": stamp(stored.path)}
    try:
        instruments = stored.header.instruments.items()
        judgement = brief_judgement(stored)
        return {
            "runs": [blank | _run_row(stored, judgement)],
            "results": _result_rows(stored, judgement),
            "instruments": [_instrument_row(role, facts) for role, facts in instruments],
            "calibrations": [_calibration_row(f) for _, f in instruments if f.get("calibrated") or f.get("due")],
        }
    except RecordError as fault:
        return {"runs": [blank | {"note": str(fault)}]}


def entry_rows(file: Path) -> Rows:
    """Table name -> rows of one entry of the book, without the `home` column."""
    try:
        found = read_entry(file)
    except RecordError as fault:
        return {"entries": [{"entry": file.stem, "kind": "damaged", "made_utc": str(fault)}]}
    rows = {"entries": [{"entry": file.stem, "kind": found["kind"], "made_utc": found["made_utc"]}]}
    if (table := tables.OF_A_KIND.get(found["kind"])) is not None:
        data = {"entry": file.stem, **dump(load_data(found["kind"], found["data"], str(file)))}
        rows[table.name] = [{column.name: data[column.name] for column in table.c}]
    return rows


def stamp(path: Path) -> str:
    """What an open run looked like when it was read; it is read again once this differs."""
    parts = []
    for name in ("journal.jsonl", "run.json"):
        try:
            status = (path / name).stat()
        except FileNotFoundError:
            parts.append("-")
        else:
            parts.append(f"{status.st_mtime_ns}.{status.st_size}")
    return " ".join(parts)


def digest_of(data: Mapping[str, Any]) -> str:
    """16 hex digits that stand for a description's content, whatever the order of its keys."""
    text = json.dumps(data, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _run_row(stored: StoredRun, judgement: BriefJudgement | None) -> Row:
    h, record = stored.header, stored.record
    same = ("sequence", "serial", "job", "customer", "condition", "operator", "rotor", "clamping", "software")
    row: Row = {name: getattr(h, name) for name in (*same, "started_utc", "retest_of", "simulated")}
    row |= {"part": str(h.part.get("number", "")), "revision": str(h.part.get("revision", ""))}
    row |= {"part_digest": digest_of(h.part), "holder": str(h.holder.get("name", ""))}
    row |= {"bench": str(h.bench.get("name", "")), "outcome": "incomplete", "closed": record is not None, "awaits": ""}
    if record is not None:
        row |= {"outcome": judgement.outcome if judgement else record.outcome}
        row |= {"awaits": judgement.awaits_text if judgement else ""}
    row |= correct_words(stored.path)
    if record is None:
        return row | {"note": "cut short"}
    return row | {"ended_utc": record.ended_utc, "ended": record.ended, "note": record.note}


def _result_rows(stored: StoredRun, judgement: BriefJudgement | None) -> list[Row]:
    whose = {"run": stored.id, "part": str(stored.header.part.get("number", "")), "serial": stored.header.serial}
    whose |= {name: text for name, text in correct_words(stored.path).items() if name in whose}
    lines = judgement.judged if judgement else ()
    return [{"line": n, **whose, **line.row()} for n, line in enumerate(lines, start=1)]


def _identity(facts: Mapping[str, Any]) -> str:
    """Maker, model and serial number in one line."""
    return " ".join(str(facts[name]) for name in ("maker", "model", "serial") if facts.get(name))


def instrument_name(facts: Mapping[str, Any]) -> str:
    """Under which name an instrument is known: its asset number, else its identity."""
    return str(facts.get("asset") or _identity(facts) or facts.get("name") or facts.get("role") or "unnamed")


def _instrument_row(role: str, facts: Mapping[str, Any]) -> Row:
    known = {"instrument": instrument_name(facts), "role": role}
    return known | {"identity": _identity(facts), "asset": str(facts.get("asset") or "")}


def _calibration_row(facts: Mapping[str, Any]) -> Row:
    dates = {name: str(facts.get(name) or "") for name in ("calibrated", "certificate", "due")}
    return {"instrument": instrument_name(facts), **dates}
