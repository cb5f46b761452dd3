"""The shop's register of reports: every report issued, amended or withdrawn, one line each, chained by hash.

    <home>/certificates.jsonl    {"n", "event", "number", "run", ..., "previous", "chain"}

chain = SHA-256 of the line without it, in canonical form; it holds the line before it, so that a line which was
changed, moved or taken out shows (`Register.broken`). Lines are only ever added, under a lock, synced. It renders
nothing.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.certificate.seal.canonical import digest
from rig.errors import RecordError, UsageError
from rig.records.files import unwritable

FILE = "certificates.jsonl"
SCHEMA = "anglewright register 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line. event: "issued", "amended" or "withdrawn". faces: file name -> sha256. hash: of the JSON face's parts.

    record: sha256 of run.json. changed: what an amendment says differently. sealed: with code and hash, not simulated.
    """

    event: str
    number: str
    run: str
    issue: int
    at_utc: str
    replaces: str = ""
    reason: str = ""
    changed: tuple[str, ...] = ()
    corrections: Mapping[str, str] = field(default_factory=dict)
    part: str = ""
    serial: str = ""
    outcome: str = ""
    simulated: bool = False
    sealed: bool = False
    signed: bool = False
    hash: str = ""
    record: str = ""
    faces: Mapping[str, str] = field(default_factory=dict)
    n: int = 0
    previous: str = ""
    chain: str = ""
    schema: str = SCHEMA


class Register:
    """The register of a home."""

    def __init__(self, home: Path) -> None:
        self.path = home / FILE

    @cached_property
    def _lines(self) -> tuple[tuple[Entry, ...], tuple[str, ...], int]:
        if not self.path.exists():
            return (), (), 0
        try:
            text = self.path.read_text(encoding="utf-8")
        except OSError as fault:
            raise RecordError(
                f"{self.path}: can't be read ({fault.strerror}).", next_action="Mend its permissions."
            ) from fault
        entries: list[Entry] = []
        faults: list[str] = []
        chain, n = "", 0
        for n, line in enumerate(text.splitlines(), start=1):
            entry = _entry(line)
            if entry is None:
                faults.append(f"line {n} is damaged")
                continue
            if entry.n != n or entry.previous != chain:
                faults.append(f"a line before line {n} ({entry.number}) is missing, moved or changed")
            if entry.chain != _chain(entry):
                faults.append(f"line {n} ({entry.number}) was changed")
            chain = entry.chain
            entries.append(entry)
        return tuple(entries), tuple(faults), n

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Every line that can be read, oldest first."""
        return self._lines[0]

    @property
    def broken(self) -> tuple[str, ...]:
        """Where the chain is broken, in words; () when it is whole."""
        return self._lines[1]

    def of_run(self, run: str) -> list[Entry]:
        """The reports of a run, in order, withdrawals left out."""
        return [entry for entry in self.entries if entry.run == run and entry.event != "withdrawn"]

    def find(self, number: str) -> Entry | None:
        """The line that issued a report."""
        return next((e for e in self.entries if e.number == number and e.event != "withdrawn"), None)

    def by_face(self, sha256: str) -> tuple[Entry, str] | None:
        """(line, file name) of the report that a file's hash belongs to."""
        for entry in self.entries:
            for name, held in entry.faces.items():
                if held == sha256:
                    return entry, name
        return None

    def by_hash(self, text: str) -> Entry | None:
        """The line whose data's hash stands somewhere in a text."""
        return next((entry for entry in self.entries if entry.hash and entry.hash in text), None)

    def state(self, number: str) -> str:
        """'in force', 'replaced by ...: reason', 'withdrawn: reason' or 'not in the register'."""
        for entry in reversed(self.entries):
            if entry.event == "withdrawn" and entry.number == number:
                return f"withdrawn on {entry.at_utc[:10]}: {entry.reason}"
            if entry.replaces == number:
                return f"replaced by {entry.number}: {entry.reason}"
        return "in force" if self.find(number) else "not in the register"

    def add(self, entry: Entry) -> Entry:
        """Append a line; it comes back with its place in the chain. Raises RecordError when the disk refuses."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a+", encoding="utf-8") as handle:
                fcntl.flock(handle, fcntl.LOCK_EX)
                self.__dict__.pop("_lines", None)
                entries, _, lines = self._lines
                if lines and not self.path.read_bytes().endswith(b"\n"):  # a line that a crash cut short
                    handle.write("\n")
                held = asdict(entry) | {"n": lines + 1, "previous": entries[-1].chain if entries else ""}
                made = Entry(**{**held, "changed": tuple(entry.changed), "chain": _chain(Entry(**held))})
                handle.write(json.dumps(asdict(made), ensure_ascii=False, allow_nan=False) + "\n")
                handle.flush()
                os.fsync(handle.fileno())
        except OSError as fault:
            raise unwritable(self.path, fault) from fault
        self.__dict__.pop("_lines", None)
        return made

    def withdraw(self, number: str, reason: str, at_utc: str) -> Entry:
        """Put down that a report is withdrawn; it stays listed. Raises UsageError when it is unknown or was before."""
        issued = self.find(number)
        if issued is None:
            known = ", ".join(e.number for e in self.entries[-3:]) or "none yet"
            raise UsageError(f"no report {number!r} is in {self.path}.", next_action=f"Give a whole number ({known}).")
        if not reason.strip():
            raise UsageError("a report is withdrawn for a reason.", next_action="Say why.")
        if self.state(number).startswith("withdrawn"):
            raise UsageError(f"report {number} is {self.state(number)}.", next_action="Nothing is left to do.")
        kept = {name: getattr(issued, name) for name in ("run", "issue", "part", "serial", "outcome", "simulated")}
        return self.add(Entry(event="withdrawn", number=number, at_utc=at_utc, reason=reason.strip(), **kept))


def _entry(line: str) -> Entry | None:
    try:
        data: dict[str, Any] = json.loads(line)
        known = {f.name for f in fields(Entry)}
        held = {key: value for key, value in data.items() if key in known}
        return Entry(**{**held, "changed": tuple(held.get("changed", ()))})
    except (ValueError, TypeError, AttributeError):
        return None


def _chain(entry: Entry) -> str:
    held = asdict(entry)
    del held["chain"]
    held["changed"] = list(held["changed"])
    return digest(held)


def in_force(entries: Sequence[Entry], register: Register) -> list[tuple[Entry, str]]:
    """Issued reports with their state, newest first."""
    return [(e, register.state(e.number)) for e in reversed(entries) if e.event != "withdrawn"]
