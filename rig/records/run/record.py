"""What is kept of a run, as plain data with a schema's name: the header, the closed record, the judgement.

The header is the journal's first line, fixed before the first reading (decision rule included). The closed record
(run.json) is written once, when the run is over, with the hashes of journal and raw file. It knows no folder and no
instrument; snapshots of part, holder and bench stay dictionaries here, as they were when the run began.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, TypeVar

from rig.errors import RecordError
from rig.quantity import Limit
from rig.result import OUTCOMES, Finding, Judged, Judgement, Reason, Result, finite
from rig.uncertainty.budget import BudgetLine
from rig.uncertainty.conformity import Verdict

RUN_SCHEMA = "anglewright run 1"
JUDGEMENT_SCHEMA = "anglewright judgement 1"
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """What is known before the first reading.

    run: "" until the store gives it its id. started_utc: ISO 8601 with Z. rotor: "own", "shop master" or "none".
    part, holder, bench: dumps of the description files. instruments: role -> identity, asset, calibrated, due,
    certificate. calibration: the loopback in force, or None. decision: {"rule", "r"}. details: anything else that is
    told beforehand and printed (received, complaint, remark). retest_of: the run that this one repeats after a re-seat.
    learned: the limits that stand behind the part file's own (rig/review/frozen.py), or None.
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
    schema: str = RUN_SCHEMA

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], where: str = "run header") -> RunHeader:
        """Back from JSON data; keys of later versions are left aside. Raises RecordError naming `where`."""
        return _built(cls, data, RUN_SCHEMA, where)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """The closed record. ended: "complete" or why the run was cut short. hashes: file name -> sha256 (hex).

    counts: readings, events, captures. judgement: as `judgement_to_dict`, or None when nothing was judged.
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

    def to_dict(self) -> dict[str, Any]:
        """As JSON-ready data."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], where: str = "run.json") -> RunRecord:
        """Back from JSON data. Raises RecordError naming `where` for another schema, a missing key, no outcome."""
        held = dict(data)
        held["header"] = RunHeader.from_dict(data.get("header", {}), where)
        record = _built(cls, held, RUN_SCHEMA, where)
        if record.outcome not in OUTCOMES:
            raise RecordError(f"{where}: {record.outcome!r} is no outcome.", next_action="Restore it from a copy.")
        return record


def _built(cls: type[T], data: Mapping[str, Any], schema: str, where: str) -> T:
    if data.get("schema") != schema:
        raise RecordError(
            f"{where}: schema {data.get('schema')!r} found, {schema!r} expected.",
            next_action="Read it with the version of the program that wrote it.",
        )
    known = {f.name for f in fields(cls)}  # type: ignore[arg-type]
    try:
        return cls(**{key: value for key, value in data.items() if key in known})
    except TypeError as fault:
        raise RecordError(f"{where}: incomplete ({fault}).", next_action="Restore it from a copy.") from fault


# ---- the judgement ------------------------------------------------------------------------------------------


def judgement_to_dict(judgement: Judgement) -> dict[str, Any]:
    """Everything of a judgement, budgets and curves included, as JSON-ready data (null never NaN)."""
    return {
        "schema": JUDGEMENT_SCHEMA,
        "outcome": judgement.outcome,
        "judged": [_judged_to_dict(line) for line in judgement.judged],
        "reasons": [reason.to_dict() for reason in judgement.reasons],
        "findings": [finding.to_dict() for finding in judgement.findings],
        "curves": plain(judgement.curves),
        "notes": list(judgement.notes),
    }


def judgement_from_dict(data: Mapping[str, Any], where: str = "judgement") -> Judgement:
    """Back from JSON data. Raises RecordError naming `where`."""
    if data.get("schema") != JUDGEMENT_SCHEMA:
        raise RecordError(
            f"{where}: schema {data.get('schema')!r} found, {JUDGEMENT_SCHEMA!r} expected.",
            next_action="Judge the run again.",
        )
    try:
        return Judgement(
            outcome=data["outcome"],
            judged=tuple(_judged_from_dict(row) for row in data["judged"]),
            reasons=tuple(Reason(**{**row, "spoils": tuple(row["spoils"])}) for row in data["reasons"]),
            findings=tuple(Finding(**row) for row in data["findings"]),
            curves=data["curves"],
            notes=tuple(data["notes"]),
        )
    except (KeyError, TypeError, ValueError) as fault:
        raise RecordError(f"{where}: damaged ({fault!r}).", next_action="Judge the run again.") from fault


def plain(value: Any) -> Any:
    """Arrays, tuples, numpy numbers and infinities as what JSON carries; infinities and NaN become None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, complex):
        return [plain(value.real), plain(value.imag)]
    return finite(value) if isinstance(value, float) else value


def _judged_to_dict(line: Judged) -> dict[str, Any]:
    row: dict[str, Any] = {
        "measurand": line.measurand,
        "verdict": line.verdict.value,
        "note": line.note,
        "limit": {"measurand": line.limit.measurand, **line.limit.to_dict()} if line.limit else None,
        "result": None,
    }
    if (r := line.result) is not None:
        row["result"] = plain(
            {
                "measurand": r.measurand,
                "estimate": r.estimate,
                "unit": r.unit,
                "u": r.u,
                "k": r.k,
                "dof": r.dof,
                "coverage": r.coverage,
                "qualifier": r.qualifier,
                "conditions": r.conditions,
                "budget": [asdict(item) for item in r.budget],
                "note": r.note,
                "manual": r.manual,
            }
        )
    return row


def _judged_from_dict(row: Mapping[str, Any]) -> Judged:
    result, limit = row["result"], row["limit"]
    return Judged(
        measurand=row["measurand"],
        result=_result_from_dict(result) if result else None,
        limit=Limit(**limit) if limit else None,
        verdict=Verdict(row["verdict"]),
        note=row["note"],
    )


def _result_from_dict(data: Mapping[str, Any]) -> Result:
    held = dict(data)
    held["budget"] = tuple(BudgetLine(**{**item, "dof": _dof(item["dof"])}) for item in data["budget"])
    if data["k"] is not None:
        held["dof"] = _dof(data["dof"])
    return Result(**held)


def _dof(value: float | None) -> float:
    return math.inf if value is None else value
