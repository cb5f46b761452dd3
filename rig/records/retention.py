"""What may be deleted of old runs, by the shop's own rule, with a stub that keeps the hashes.

    shop.toml   [retention]  raw_years = 5   faces_years = 10   keep_jobs = ["J-0042"]

Raw files and the faces of reports can go; journal, record, register and proofs stay: what was measured and what was
issued can still be shown, and a copy that somebody kept can still be checked. The stub (deleted.json) names each file
with its hash, who deleted it, when and by which rule. Known-good units, standards and runs without a rule stay whole.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from rig.records.files import read_json, sha256_of, to_json, write_beside
from rig.records.run.stored import RAW, StoredRun

SCHEMA = "anglewright deletion entry 1"
STUB = "deleted.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Files of a run that a rule lets go. rule: in words."""

    run: str
    files: tuple[str, ...]
    rule: str


def due_files(
    runs: Iterable[StoredRun],
    today: date,
    *,
    raw_years: float | None,
    faces_years: float | None,
    keep_jobs: Iterable[str] = (),
    keep_runs: Iterable[str] = (),
) -> list[Due]:
    """What may go today; None: never. Only closed runs, and none of a job or a run that is to be kept."""
    jobs, whole = set(keep_jobs), set(keep_runs)
    found = []
    for run in runs:
        if run.record is None or run.id in whole or run.header.job in jobs:
            continue
        age = (today - date.fromisoformat(run.record.ended_utc[:10])).days / 365.25
        if raw_years is not None and age > raw_years and (run.path / RAW).exists():
            found.append(Due(run=run.id, files=(RAW,), rule=f"raw files after {raw_years:g} years"))
        faces = [*run.path.glob("certificate*"), *run.path.glob("curves*.csv")]
        if faces_years is not None and age > faces_years and faces:
            names = tuple(sorted(file.name for file in faces))
            found.append(Due(run=run.id, files=names, rule=f"reports after {faces_years:g} years"))
    return found


def delete_due(folder: Path, due: Due, *, who: str, at_utc: str) -> Path:
    """Write the stub, then delete the files; the stub. Raises RecordError (disk); a repeat finds nothing left."""
    run = folder / due.run
    hashes = {name: sha256_of(run / name) for name in due.files if (run / name).exists()}
    stub = write_beside(
        run / STUB, to_json({"schema": SCHEMA, "made_utc": at_utc, "who": who, "rule": due.rule, "files": hashes})
    )
    for name in hashes:
        (run / name).unlink()
    return stub


def deleted_files(run: Path) -> dict[str, str]:
    """File name -> SHA-256 of what was deleted of a run by a rule. Raises RecordError for a damaged stub."""
    found: dict[str, str] = {}
    for file in sorted(run.glob("deleted*.json")):
        found |= {str(name): str(value) for name, value in dict(read_json(file).get("files") or {}).items()}
    return found
