"""The shop's book: jobs opened, units taken in and handed back; entries that are only ever added.

What the customer stated (complaint, fault codes) is recorded word for word. It knows no instrument and judges nothing.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from rig.errors import RecordError, UsageError
from rig.records.book.entries import (
    Intake,
    Job,
    Record,
    Return,
    correct_entry,
    corrections,
    read_entries,
    write_entry,
)
from rig.records.schema import check_texts, dump
from rig.records.store import Store

CODE_DIGITS = "23456789ABCDEFGHJKMNPRSTVWXYZ"  # 29, a prime: without those that are read for one another


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
        check_texts(dump(intake))
        for name in ("job", "part", "serial"):
            if not getattr(intake, name).strip():
                raise UsageError(f"the intake names no {name}.", next_action="Give it, or the shop's own label.")
        if not intake.tag:
            intake = replace(intake, tag=tag_of(intake.job, intake.part, intake.serial))
        return self.add("intake", intake, "received_utc")

    def hand_back(self, back: Return) -> Return:
        """Hand a unit back. Raises UsageError when it never came in under this job, or has left already."""
        unit = (back.job, back.part, back.serial)
        came, left = ([_unit(e) for e in self.of(kind)].count(unit) for kind in ("intake", "return"))
        if came <= left:
            what = "has left already" if came else "never came in"
            raise UsageError(
                f"{back.part} {back.serial} {what} under job {back.job}.", next_action="Look at the job's slip."
            )
        return self.add("return", back, "returned_utc")

    def of(self, kind: str) -> Sequence[Mapping[str, Any]]:
        """Data of all entries of a kind, oldest first, corrected, each with its `entry` name; read from the files."""
        found = [data | {"entry": path.stem} for path, data in read_entries(self.folder, kind)]
        if kind not in ("intake", "return"):
            return found
        wrong = corrections(self.folder)
        return [right for data in found if (right := correct_entry(data, wrong)) is not None]

    def add(self, kind: str, record: Record, time_field: str) -> Record:
        """Write an entry (`entries.write_entry`) and tell the index."""
        record, name = write_entry(self.folder, kind, record, time_field)
        with suppress(RecordError):  # the entry is on the disk; the next question mends the database
            self.store.index.put_entry(name)
        return record


def tag_of(job: str, part: str, serial: str) -> str:
    """The code on the label that keeps stator and rotor together: JOB-XXXXX, the last digit checks the others."""
    digest = int.from_bytes(hashlib.sha256("\0".join((job, part, serial)).encode()).digest()[:8], "big")
    digits = ""
    for _ in range(4):
        digest, rest = divmod(digest, len(CODE_DIGITS))
        digits += CODE_DIGITS[rest]
    return f"{job}-{digits}{_check_digit(job, digits)}"


def _check_digit(job: str, digits: str) -> str:
    """Weighted sum modulo a prime of 29 over the digits and the job's characters."""
    values = [ord(c) % 29 for c in job.upper()] + [CODE_DIGITS.index(c) for c in digits]
    return CODE_DIGITS[sum((n % 28 + 1) * value for n, value in enumerate(reversed(values), start=1)) % 29]


def _unit(data: Mapping[str, Any]) -> tuple[str, str, str]:
    return str(data["job"]), str(data["part"]), str(data["serial"])
