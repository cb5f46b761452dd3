"""A stored run as rows of the store's tables: pure, from what stands in its folder and nowhere else.

A damaged run gives its own row with the fault in `note`, so that it hides no other. Readings are summed up a step and
quantity; the waveforms and every single reading stay in the folder. It opens no database.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import RecordError
from rig.quantity import Reading
from rig.records.files import read_json, sha256_of
from rig.records.run.remarks import read_remarks
from rig.result import Judgement, finite

if TYPE_CHECKING:
    from rig.records.run.record import RunHeader
    from rig.records.run.stored import StoredRun

Row = dict[str, Any]
Rows = Mapping[str, Sequence[Row]]
EMPTY: tuple[str, ...] = (
    "sequence",
    "part",
    "revision",
    "part_digest",
    "holder",
    "serial",
    "job",
    "customer",
    "condition",
    "operator",
)
EMPTY += ("rotor", "clamping", "bench", "software", "started_utc", "ended_utc", "ended", "retest_of", "note")


def rows_of(stored: StoredRun) -> Rows:
    """Table name -> rows of one run, without the `home` column."""
    row: Row = dict.fromkeys(EMPTY, "")
    row |= {"run": stored.id, "outcome": "incomplete", "simulated": False, "closed": False, "stamp": stamp(stored.path)}
    try:
        row |= _header_row(stored)
        return {"runs": [row], **_parts_of(stored)}
    except RecordError as fault:
        return {"runs": [row | {"note": str(fault)}]}


def stamp(path: Path) -> str:
    """What an open run looked like when it was read; it is read again once this differs."""
    parts = []
    for name in ("journal.jsonl", "run.json"):
        try:
            stat = (path / name).stat()
        except FileNotFoundError:
            parts.append("-")
        else:
            parts.append(f"{stat.st_mtime_ns}.{stat.st_size}")
    return " ".join(parts)


def digest_of(data: Mapping[str, Any]) -> str:
    """16 hex digits that stand for a description's content, whatever the order of its keys."""
    text = json.dumps(data, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _header_row(stored: StoredRun) -> Row:
    h, record = stored.header, stored.record
    known = {name: getattr(h, name) for name in ("sequence", "serial", "job", "customer", "condition", "operator")}
    return known | {
        "part": str(h.part.get("number", "")),
        "revision": str(h.part.get("revision", "")),
        "part_digest": digest_of(h.part),
        "holder": str(h.holder.get("name", "")),
        "rotor": h.rotor,
        "clamping": h.clamping,
        "bench": str(h.bench.get("name", "")),
        "software": h.software,
        "started_utc": h.started_utc,
        "ended_utc": record.ended_utc if record else "",
        "ended": record.ended if record else "",
        "retest_of": h.retest_of,
        "simulated": h.simulated,
        "outcome": stored.outcome,
        "closed": record is not None,
        "note": record.note if record else "cut short",
    }


def _parts_of(stored: StoredRun) -> Rows:
    h, judgement = stored.header, stored.judgement
    return {
        "evaluations": _evaluations(stored),
        "results": _results(stored, judgement) if judgement else [],
        "findings": _findings(stored.id, judgement) if judgement else [],
        "readings": readings_summary(stored.id, stored.readings),
        "certificates": certificates(stored.path),
        "remarks": [
            {"run": stored.id, "file": r.file}
            | {name: getattr(r, name) for name in ("made_utc", "author", "step", "text", "photo", "sha256")}
            for r in read_remarks(stored.path)
        ],
        "parts": [_version(h.part, "number", h) | _titled(h.part)] if h.part.get("number") else [],
        "limits": _limits(h.part),
        "holders": [_version(h.holder, "name", h)] if h.holder.get("name") else [],
        "instruments": [_instrument(role, told, h) for role, told in h.instruments.items()],
        "calibrations": [
            _calibration(told, h) for told in h.instruments.values() if told.get("calibrated") or told.get("due")
        ],
    }


def _evaluations(stored: StoredRun) -> list[Row]:
    return [
        {"run": stored.id, "n": n, "file": e.file, "outcome": e.outcome}
        | {name: getattr(e, name) for name in ("made_utc", "software", "campaign", "part_digest")}
        for n, e in enumerate(stored.evaluations(), start=1)
    ]


def _results(stored: StoredRun, judgement: Judgement) -> list[Row]:
    part, serial = str(stored.header.part.get("number", "")), stored.header.serial
    rows = []
    for n, line in enumerate(judgement.judged, start=1):
        data = line.to_dict()
        limit = data["limit"] or {}
        kept = {key: data[key] for key in ("measurand", "unit", "estimate", "qualifier", "U", "k", "verdict")}
        bounds = {"lower": limit.get("lower"), "upper": limit.get("upper")}
        rows.append({"run": stored.id, "line": n, "part": part, "serial": serial} | kept | bounds)
    return rows


def _findings(run: str, judgement: Judgement) -> list[Row]:
    said: list[Row] = [
        {"kind": "finding", "code": f.code, "evidence": f.evidence, "probability": f.probability}
        for f in judgement.findings
    ]
    said += [{"kind": "reason", "code": r.code, "evidence": r.evidence, "probability": None} for r in judgement.reasons]
    return [{"run": run, "line": n} | row for n, row in enumerate(said, start=1)]


def readings_summary(run: str, readings: Sequence[Reading]) -> list[Row]:
    """One row a step, quantity and unit: how many, how many over range or captures, lowest, highest, mean."""
    groups: dict[tuple[str, str, str], list[Reading]] = {}
    for reading in readings:
        groups.setdefault((reading.step, reading.quantity, reading.unit), []).append(reading)
    rows = []
    for (step, quantity, unit), found in groups.items():
        numbers = [
            float(r.value) for r in found if isinstance(r.value, int | float) and finite(float(r.value)) is not None
        ]
        row = {"run": run, "step": step, "quantity": quantity, "unit": unit, "n": len(found)}
        row |= {"overloads": sum(r.overload for r in found), "captures": sum(bool(r.capture) for r in found)}
        row |= {"lowest": min(numbers, default=None), "highest": max(numbers, default=None)}
        rows.append(row | {"mean": sum(numbers) / len(numbers) if numbers else None})
    return rows


def certificates(path: Path) -> list[Row]:
    """The certificates in a run's folder; number, issue and what it replaces come from the JSON face beside it."""
    rows = []
    for file in sorted(
        (*path.glob("certificate*.pdf"), *path.glob("certificate*.xml"), *path.glob("certificate*.json"))
    ):
        face = file.with_suffix(".json")
        said = read_json(face) if face.exists() else {}
        written = datetime.fromtimestamp(file.stat().st_mtime, UTC).isoformat(timespec="seconds")
        row = {"run": path.name, "file": file.name, "sha256": sha256_of(file)}
        row |= {"written_utc": written.replace("+00:00", "Z")}
        rows.append(row | {name: str(said.get(name) or "") for name in ("number", "issue", "replaces")})
    return rows


# ---- what the run was made with ---------------------------------------------------------------------------------


def _version(data: Mapping[str, Any], key: str, header: RunHeader) -> Row:
    text = json.dumps(data, sort_keys=True, ensure_ascii=False, default=str)
    return {key: str(data[key]), "digest": digest_of(data), "since_utc": header.started_utc, "data": text}


def _titled(part: Mapping[str, Any]) -> Row:
    return {"revision": str(part.get("revision", "")), "title": str(part.get("title") or "")}


def _limits(part: Mapping[str, Any]) -> list[Row]:
    digest = digest_of(part)
    limits = part.get("limits") or {}
    items = limits.items() if isinstance(limits, Mapping) else ((str(item.get("measurand")), item) for item in limits)
    return [
        {"number": str(part.get("number", "")), "digest": digest, "measurand": id_}
        | {key: finite(item.get(key)) for key in ("lower", "upper")}
        | {"origin": str(item.get("origin") or ""), "note": str(item.get("note") or "")}
        | {"required": bool(item.get("required", True))}
        for id_, item in items
    ]


def identity_of(told: Mapping[str, Any]) -> str:
    """Maker, model and serial number in one line."""
    return " ".join(str(told[name]) for name in ("maker", "model", "serial") if told.get(name))


def instrument_key(told: Mapping[str, Any]) -> str:
    """Under which name an instrument is known: its asset number, else what it says of itself."""
    return str(told.get("asset") or identity_of(told) or told.get("name") or told.get("role") or "unnamed")


def _instrument(role: str, told: Mapping[str, Any], header: RunHeader) -> Row:
    row = {"instrument": instrument_key(told), "role": role, "since_utc": header.started_utc}
    return row | {"identity": identity_of(told), "asset": str(told.get("asset") or "")}


def _calibration(told: Mapping[str, Any], header: RunHeader) -> Row:
    names = ("calibrated", "certificate", "due", "issuer")
    row = {"instrument": instrument_key(told), "since_utc": header.started_utc}
    return row | {name: str(told.get(name) or "") for name in names}
