"""Entries of the shop's book: what may be entered, and each as a file.

    <home>/book/<UTC>-<kind>-<hex>.json     {schema, kind, made_utc, data}

Each entry is one file, whole or absent, and never changed; the database holds copies for queries.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from rig.errors import RecordError
from rig.records.book.laboratory import OF_THE_LABORATORY, Correction
from rig.records.book.lot_entries import OF_A_LOT, FittingOutcome, SeverityAct
from rig.records.book.numbered_entry import Numbered
from rig.records.files import read_json, to_json, write_new
from rig.records.names import refer_in, resolve_in
from rig.records.schema import check_texts, dump, load

SCHEMA = "anglewright entry 1"
Record = TypeVar("Record")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job as agreed. decision: the decision rule, agreed before the first reading. reference: the customer's.

    contact: of the customer, as it is printed.
    """

    job: str
    customer: str = ""
    reference: str = ""
    opened_utc: str = ""
    decision: str = ""
    remark: str = ""
    contact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """A unit as it came. complaint, fault_codes: as the customer stated them.

    rotor: "own", "none" or whose. tag: the code on the labels of stator and rotor.
    """

    job: str
    part: str
    serial: str
    received_utc: str = ""
    condition: str = ""
    complaint: str = ""
    fault_codes: str = ""
    rotor: str = "own"
    tag: str = ""
    received_by: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """A unit as it left."""

    job: str
    part: str
    serial: str
    returned_utc: str = ""
    handed_to: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GoodUnit(Numbered):
    """A unit taken in. how: it is known, in words; who says so; values: measurand -> mean over `runs`, in its unit.

    U: measurand -> largest expanded uncertainty over `runs`, over re-clamping where that is known.
    rotor: "own" or "shop master". frequency_hz, level_v_rms: the excitation that its part file asks for.
    """

    part: str
    serial: str
    how: str
    who: str
    runs: tuple[str, ...]
    values: Mapping[str, float]
    U: Mapping[str, float]
    frequency_hz: float
    level_v_rms: float
    rotor: str = "own"
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WithdrawnUnit(Numbered):
    """A unit taken out again for a stated reason; its entry stays."""

    part: str
    serial: str
    why: str
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedLimits(Numbered):
    """A version that a person approved. rule: coverage, confidence, approve_n. units: what each teacher taught then.

    limits: as limits of a part file; rejected: share of good parts that all lines together reject (0 to 1).
    """

    part: str
    version: int
    who: str
    rule: Mapping[str, Any]
    units: Sequence[Mapping[str, Any]]
    limits: Sequence[Mapping[str, Any]]
    rejected: float
    flagged: Mapping[str, str] = field(default_factory=dict)
    frequency_hz: float = 0.0
    level_v_rms: float = 0.0
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BookEntry:
    """An entry as its file holds it."""

    kind: str
    made_utc: str
    data: dict[str, Any]
    schema: str = SCHEMA


OF_A_JOB: Mapping[str, type] = {"job": Job, "intake": Intake, "return": Return}
OF_A_KIND: Mapping[str, type] = {
    **OF_A_JOB,
    "good-unit": GoodUnit,
    "withdrawn-unit": WithdrawnUnit,
    "learned-limits": LearnedLimits,
    **OF_A_LOT,
    "severity": SeverityAct,
    "outcome": FittingOutcome,
    **OF_THE_LABORATORY,
}


NAMES: Mapping[str, tuple[str, ...]] = {
    "job": ("customer", "contact"),
    "return": ("handed_to",),
    "correction": ("new_customer",),
}
"""Kind -> fields that name a customer: an entry holds references in their place (rig/records/names.py)."""


def read_entry(path: Path) -> dict[str, Any]:
    """One entry {schema, kind, made_utc, data}, with the names that it refers to.

    Raises RecordError for a missing file, or one that is damaged.
    """
    found = load(BookEntry, read_json(path), str(path), SCHEMA)
    if found.kind in OF_A_KIND:
        load_data(found.kind, found.data, str(path))
    return dump(replace(found, data=resolve_in(path.parent.parent, found.data, NAMES.get(found.kind, ()))))


def load_data(kind: str, data: Mapping[str, Any], where: str) -> Any:
    """An entry's data as the record of its kind. Raises RecordError naming `where`."""
    return load(OF_A_KIND[kind], data, where)


def read_entries(folder: Path, kind: str) -> list[tuple[Path, dict[str, Any]]]:
    """File and data of all entries of a kind, oldest first. Raises RecordError for a damaged one."""
    return [(path, read_entry(path)["data"]) for path in sorted(folder.glob(f"*-{kind}-*.json"))]


def corrections(folder: Path) -> list[Correction]:
    """Every correction of a book, oldest first; a damaged one is left out (its own row names it)."""
    found = []
    for path in sorted(folder.glob("*-correction-*.json")):
        with suppress(RecordError):
            found.append(load(Correction, read_entry(path)["data"], str(path)))
    return found


def correct_entry(data: dict[str, Any], found: Sequence[Correction]) -> dict[str, Any] | None:
    """An intake or a return as it should have been; None for one that was taken back."""
    for one in found:
        if one.fits(str(data["part"]), str(data["serial"]), str(data["job"])):
            if one.taken_back:
                return None
            right = {"part": one.new_part, "serial": one.new_serial}
            data = data | {name: text for name, text in right.items() if text}
    return data


def write_entry(folder: Path, kind: str, record: Record, time_field: str) -> tuple[Record, str]:
    """Write an entry of a kind, its field `time_field` set to now where it is empty; the record, the entry's name.

    Raises UsageError for a text that holds a control character, RecordError when the disk refuses.
    """
    now = datetime.now(UTC)
    utc = now.isoformat(timespec="seconds").replace("+00:00", "Z")
    if not getattr(record, time_field):
        record = replace(record, **{time_field: utc})  # type: ignore[type-var]
    data = dump(record)
    check_texts(data)
    folder.mkdir(parents=True, exist_ok=True)
    data = refer_in(folder.parent, data, NAMES.get(kind, ()))
    name = f"{now:%Y%m%d-%H%M%S-%f}-{kind}-{secrets.token_hex(2)}"
    write_new(folder / f"{name}.json", to_json(dump(BookEntry(kind=kind, made_utc=utc, data=data))))
    return record, name
