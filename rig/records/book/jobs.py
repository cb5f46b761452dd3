"""The shop's book: jobs opened, units taken in and handed back, check standards; entries that are only ever added.

    <home>/book/<UTC>-<kind>-<hex>.json     {schema, kind, made_utc, data}

Each entry is one file, whole or absent; the database carries it for queries and is rebuilt from the files. What the
customer said (complaint, fault codes) stands as told. It knows no instrument and judges nothing.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar

from rig.errors import RecordError, UsageError
from rig.records.book.entries import SCHEMA, read_entry
from rig.records.files import to_json, write_new

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from rig.records.store import Store

CODE_DIGITS = "23456789ABCDEFGHJKMNPRSTVWXYZ"  # 29, a prime: without those that are read for one another


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job as agreed. decision: the decision rule, agreed before the first reading. reference: the customer's."""

    job: str
    customer: str = ""
    reference: str = ""
    opened_utc: str = ""
    decision: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """A unit as it came. complaint, fault_codes: as told. rotor: "own", "none" or whose. tag: on stator and rotor."""

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
class CheckStandard:
    """A unit kept to watch the rig, with one reference value (U at 95.45 %) from a certificate or the shop's own."""

    part: str
    serial: str
    measurand: str
    unit: str
    estimate: float
    U: float
    since_utc: str = ""
    certificate: str = ""
    remark: str = ""


T = TypeVar("T", bound="DataclassInstance")


class Book:
    """The book of a store's home."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.folder = store.home / "book"

    def open_job(self, job: Job) -> Job:
        """Open a job, or add to what is known of it. Raises UsageError for a number that can't be a name."""
        if not re.fullmatch(r"\w[\w.-]*", job.job):
            raise UsageError(f"{job.job!r} can't be a job number.", next_action="Use letters, digits, - . and _.")
        return self.add("job", job, "opened_utc")

    def take_in(self, intake: Intake) -> Intake:
        """Take a unit in: it gets one tag for stator and rotor. Raises UsageError for an empty serial or job.

        Ask `history.duplicates` first: a serial that is in the house already is a warning, not an obstacle.
        """
        for name in ("job", "part", "serial"):
            if not getattr(intake, name).strip():
                raise UsageError(f"the intake names no {name}.", next_action="Give it, or the shop's own label.")
        if not intake.tag:
            intake = replace(intake, tag=tag_of(intake.job, intake.part, intake.serial))
        return self.add("intake", intake, "received_utc")

    def hand_back(self, back: Return) -> Return:
        """Hand a unit back. Raises UsageError when it never came in under this job, or has left already."""
        came = [i for i in self.of("intake") if _unit(i) == (back.job, back.part, back.serial)]
        left = [r for r in self.of("return") if _unit(r) == (back.job, back.part, back.serial)]
        if len(came) <= len(left):
            what = "has left already" if came else "never came in"
            raise UsageError(
                f"{back.part} {back.serial} {what} under job {back.job}.", next_action="Look at the job's slip."
            )
        return self.add("return", back, "returned_utc")

    def declare_check_standard(self, standard: CheckStandard) -> CheckStandard:
        """Declare a unit as check standard for one measurand, with its reference value; a later one replaces it."""
        return self.add("check-standard", standard, "since_utc")

    def of(self, kind: str) -> Sequence[Mapping[str, Any]]:
        """Data of all entries of a kind, oldest first, each with its `entry` id; read from the files."""
        return [
            read_entry(path)["data"] | {"entry": path.stem} for path in sorted(self.folder.glob(f"*-{kind}-*.json"))
        ]

    def add(self, kind: str, entry: T, stamped: str) -> T:
        """Write an entry of a kind, its field `stamped` set to now where it is empty. Raises RecordError."""
        now = datetime.now(UTC)
        utc = now.isoformat(timespec="seconds").replace("+00:00", "Z")
        if not getattr(entry, stamped):
            entry = replace(entry, **{stamped: utc})
        self.folder.mkdir(parents=True, exist_ok=True)
        name = f"{now:%Y%m%d-%H%M%S-%f}-{kind}-{secrets.token_hex(2)}"
        data = {"schema": SCHEMA, "kind": kind, "made_utc": utc, "data": asdict(entry)}
        write_new(self.folder / f"{name}.json", to_json(data))
        with suppress(RecordError):  # the entry is kept; the next question mends the database
            self.store.index.put_entry(name)
        return entry


def tag_of(job: str, part: str, serial: str) -> str:
    """The code on the label that keeps stator and rotor together: JOB-XXXXX, the last digit checks the others."""
    digest = int.from_bytes(hashlib.sha256("\0".join((job, part, serial)).encode()).digest()[:8], "big")
    digits = ""
    for _ in range(4):
        digest, rest = divmod(digest, len(CODE_DIGITS))
        digits += CODE_DIGITS[rest]
    return f"{job}-{digits}{_check_digit(job, digits)}"


def tag_is_whole(tag: str) -> bool:
    """Whether a tag was read or typed without a slip (one wrong or two swapped neighbouring characters show)."""
    job, _, digits = tag.strip().upper().rpartition("-")
    return len(digits) == 5 and set(digits) <= set(CODE_DIGITS) and digits[4] == _check_digit(job, digits[:4])


def _check_digit(job: str, digits: str) -> str:
    """Weighted sum modulo a prime of 29 over the digits and the job's characters."""
    values = [ord(c) % 29 for c in job.upper()] + [CODE_DIGITS.index(c) for c in digits]
    return CODE_DIGITS[sum((n % 28 + 1) * value for n, value in enumerate(reversed(values), start=1)) % 29]


def _unit(data: Mapping[str, Any]) -> tuple[str, str, str]:
    return str(data["job"]), str(data["part"]), str(data["serial"])
