"""Is a kept run what it was? Journal, raw file, record, reports and database rows against their hashes and each other.

    verify_run(store, stored) -> places that differ, in words; [] when everything fits

Hashes of journal and raw file stand in run.json; that of run.json and of every face in the register of reports; the
database's rows are told from run.json again. It changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from rig.certificate.register import Register
from rig.records.files import sha256_of
from rig.records.store import Store, StoredRun
from rig.result import Judged

ROW = ("estimate", "U", "k", "unit", "verdict")


def verify_run(store: Store, stored: StoredRun) -> list[str]:
    """Everything that is missing, altered or at odds. Raises RecordError when run.json can't be read at all."""
    register = Register(store.home)
    told = [_file(stored, name, "run.json says otherwise") for name in stored.altered()]
    told += _faces(stored, register)
    told += [f"register: {fault}" for fault in register.broken]
    return told + _rows(store, stored)


def _file(stored: StoredRun, name: str, why: str) -> str:
    return f"{name}: altered ({why})" if (stored.path / name).exists() else f"{name}: missing"


def _faces(stored: StoredRun, register: Register) -> list[str]:
    told = []
    entries = register.of_run(stored.id)
    for entry in entries:
        record = stored.path / "run.json"
        if entry.record and record.exists() and sha256_of(record) != entry.record:
            told.append(f"run.json: altered since report {entry.number}")
        for name, held in entry.faces.items():
            path = stored.path / name
            if not path.exists() or sha256_of(path) != held:
                told.append(_file(stored, name, f"not as report {entry.number} was issued"))
    known = {name for entry in entries for name in entry.faces}
    stray = sorted(path.name for path in stored.path.glob("certificate*") if path.name not in known)
    return told + [f"{name}: no report in the register has it" for name in stray]


def _rows(store: Store, stored: StoredRun) -> list[str]:
    """Rows of the database that are not what the newest judgement says."""
    judgement = stored.judgement
    rows = {str(row["measurand"]): row for row in store.results(run=stored.id)}
    lines = {line.measurand: line for line in judgement.judged} if judgement else {}
    told = [f"database, {id_}: row is missing" for id_ in lines if id_ not in rows]
    told += [f"database, {id_}: row of a line that was not judged" for id_ in rows if id_ not in lines]
    for id_, line in lines.items():
        told += _row(id_, line, rows[id_]) if id_ in rows else []
    return told


def _row(id_: str, line: Judged, row: Mapping[str, Any]) -> list[str]:
    want = line.to_dict()
    limit = want["limit"] or {}
    want |= {"lower": limit.get("lower"), "upper": limit.get("upper")}
    return [
        f"database, {id_}: {name} is {row[name]!r}, the record says {want[name]!r}"
        for name in (*ROW, "lower", "upper")
        if name in row and not _same(row[name], want[name])
    ]


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, int | float) and isinstance(b, int | float):
        return math.isclose(a, b, rel_tol=1e-15, abs_tol=0.0)
    return bool(a == b)
