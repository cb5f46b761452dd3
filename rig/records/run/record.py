"""What is stored of a run, as plain data with a schema's name: the header, the closed record, the judgement.

The header is the journal's first line, fixed before the first reading (decision rule included). The closed record
(run.json) is written once, when the run is over, with the hashes of journal and raw file. It knows no folder and no
instrument; snapshots of part, holder and bench stay dictionaries here, as they were when the run began.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.answer import Curves, answer_type, dump_answer
from rig.description.traits import Traits
from rig.errors import RecordError
from rig.quantity import STATED_FOR
from rig.records.run.old_traits import OLD_TRAITS
from rig.records.schema import dump, load, plain
from rig.result import OUTCOMES, Judgement

RUN_SCHEMA = "anglewright run 1"
JUDGEMENT_SCHEMA = "anglewright judgement 1"
JUDGE_AGAIN = "Judge the run again."


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """What is known before the first reading.

    run: "" until the store gives it its id. started_utc: ISO 8601 with Z. rotor: "own", "shop master" or "none".
    part, holder, bench: dumps of the description files. instruments: role -> identity, asset, calibrated, due,
    certificate. calibration: the loopback in force, or None. decision: {"rule", "r"}. details: anything else that was
    stated beforehand and is printed (received, complaint, remark). retest_of: the run that this one repeats after a
    re-seat. traits: what the sequence is, None in headers of before (`kind` knows it then).
    learned: the limits that stand behind the part file's own (rig/review/library/frozen.py), or None.
    """

    sequence: str
    started_utc: str
    serial: str
    part: Mapping[str, Any]
    holder: Mapping[str, Any] = field(default_factory=dict)
    bench: Mapping[str, Any] = field(default_factory=dict)
    instruments: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    calibration: Mapping[str, Any] | None = None
    decision: Mapping[str, Any] = field(default_factory=dict)
    run: str = ""
    sequence_version: str = ""
    software: str = ""
    job: str = ""
    customer: str = ""
    condition: str = ""
    operator: str = ""
    rotor: str = "own"
    clamping: str = ""
    simulated: bool = False
    details: Mapping[str, Any] = field(default_factory=dict)
    retest_of: str = ""
    learned: Mapping[str, Any] | None = None
    traits: Traits | None = None
    schema: str = RUN_SCHEMA

    @property
    def kind(self) -> Traits:
        """What its sequence is: as written when the run began, or by the migration table for older headers."""
        return self.traits or OLD_TRAITS.get(self.sequence, Traits())


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """The closed record. ended: "complete" or why the run was cut short. hashes: file name -> sha256 (hex).

    counts: readings, events, captures. judgement: as `dump_judgement` gives it, or None when nothing was judged.
    """

    header: RunHeader
    ended: str
    ended_utc: str
    outcome: str
    hashes: Mapping[str, str]
    counts: Mapping[str, int] = field(default_factory=dict)
    judgement: Mapping[str, Any] | None = None
    note: str = ""
    schema: str = RUN_SCHEMA


def load_record(data: Any, where: str = "run.json") -> RunRecord:
    """Back from JSON data. Raises RecordError naming `where` for another schema, a missing key, no outcome."""
    record = load(RunRecord, data, where, RUN_SCHEMA)
    if record.outcome not in OUTCOMES:
        raise RecordError(f"{where}: {record.outcome!r} is no outcome.", next_action="Restore it from a copy.")
    return record


def dump_judgement(judgement: Judgement) -> dict[str, Any]:
    """Everything of a judgement, budgets and curves included, as JSON-ready data (null never NaN).

    Of a limit, what it was stated for stands there only where it is stated, and what is awaited only
    where something is: the hash of an old report depends on it.
    """
    data = dump(judgement)
    data["curves"] = plain(judgement.curves.to_dict() | dump_answer(judgement.answer))
    del data["answer"]
    for row in data["judged"]:
        if row["limit"] is not None:
            row["limit"] = {
                key: value for key, value in row["limit"].items() if key not in STATED_FOR or value not in (None, "")
            }
    for row in data["judged"]:
        if not row["spoiled"]:
            del row["spoiled"]
    if not judgement.awaits:
        del data["awaits"]
    return {"schema": JUDGEMENT_SCHEMA, **data}


def load_judgement(data: Mapping[str, Any], where: str = "judgement") -> Judgement:
    """Back from JSON data. Raises RecordError naming `where`."""
    rows = data.get("judged")
    if isinstance(rows, list):
        data = {**data, "judged": [_with_infinite_dof(row) for row in rows]}
    curves = data.get("curves")
    if isinstance(curves, Mapping):
        found = answer_type(curves)
        answer = None if found is None else load(found[0], found[1], where, next_action=JUDGE_AGAIN)
        data = {**data, "curves": Curves.from_dict(curves), "answer": answer}
    return load(Judgement, data, where, JUDGEMENT_SCHEMA, next_action=JUDGE_AGAIN)


def _with_infinite_dof(row: Any) -> Any:
    """A judged row; null degrees of freedom of a stated uncertainty are infinite ones, which JSON can't carry."""
    result = row.get("result") if isinstance(row, dict) else None
    if not isinstance(result, dict):
        return row
    budget = [{**line, "dof": _infinite(line.get("dof"))} for line in result.get("budget") or ()]
    dof = None if result.get("k") is None else _infinite(result.get("dof"))
    return {**row, "result": {**result, "dof": dof, "budget": budget}}


def _infinite(dof: float | None) -> float:
    return math.inf if dof is None else dof
