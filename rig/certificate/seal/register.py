"""The shop's register of reports: every report issued, amended or withdrawn, one line each, chained by hash.

    <home>/certificates.jsonl    {"n", "event", "number", "run", ..., "previous", "chain"}

chain = SHA-256 of the line without it, in canonical form; it holds the line before it, so that a line which was
changed, moved or taken out shows (`Register.broken`). Lines are only ever added, under a lock, synced. It renders
nothing.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.certificate.seal.canonical import digest
from rig.errors import RecordError, UsageError
from rig.records.files import parse_json, read_file, unwritable
from rig.records.schema import check_texts, dump, load
from rig.system import take_lock

FILE = "certificates.jsonl"
SCHEMA = "anglewright register 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterEntry:
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
    def _content(self) -> tuple[tuple[RegisterEntry, ...], tuple[str, ...], int]:
        """(entries, faults, number of lines). A line ends at its line feed alone, and is decoded by itself."""
        lines = read_file(self.path).split(b"\n") if self.path.exists() else []
        lines = lines[:-1] if lines and not lines[-1] else lines
        entries: list[RegisterEntry] = []
        faults: list[str] = []
        chain = ""
        for n, line in enumerate(lines, start=1):
            try:
                data = parse_json(line, "")
                entry = load(RegisterEntry, data, "")
            except RecordError:
                faults.append(f"line {n} is damaged")
                continue
            if entry.n != n or entry.previous != chain:
                faults.append(f"a line before line {n} ({entry.number}) is missing, moved or changed")
            if entry.chain != _chain(data):
                faults.append(f"line {n} ({entry.number}) was changed")
            chain = entry.chain
            entries.append(entry)
        return tuple(entries), tuple(faults), len(lines)

    @property
    def entries(self) -> tuple[RegisterEntry, ...]:
        """Every line that can be read, oldest first."""
        return self._content[0]

    @property
    def faults(self) -> tuple[str, ...]:
        """Where the chain is broken, in words; () when it is whole."""
        return self._content[1]

    def of_run(self, run: str) -> list[RegisterEntry]:
        """The reports of a run, in order, withdrawals left out."""
        return [entry for entry in self.entries if entry.run == run and entry.event != "withdrawn"]

    def find(self, number: str) -> RegisterEntry | None:
        """The line that issued a report."""
        return next((e for e in self.entries if e.number == number and e.event != "withdrawn"), None)

    def by_face(self, sha256: str) -> RegisterEntry | None:
        """The line of the report that a file's hash belongs to."""
        return next((entry for entry in self.entries if sha256 in entry.faces.values()), None)

    def by_hash(self, text: str) -> RegisterEntry | None:
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

    def add(self, entry: RegisterEntry) -> RegisterEntry:
        """Append a line; it comes back with its place in the chain.

        Raises UsageError for a control character in its texts, RecordError when the disk refuses.
        """
        check_texts(dump(entry))
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("ab+") as handle:
                take_lock(handle)
                self.__dict__.pop("_content", None)
                entries, _, lines = self._content
                if lines and not self.path.read_bytes().endswith(b"\n"):  # a line that a crash cut short
                    handle.write(b"\n")
                entry = replace(entry, n=lines + 1, previous=entries[-1].chain if entries else "")
                entry = replace(entry, chain=_chain(dump(entry)))
                handle.write(json.dumps(dump(entry), ensure_ascii=False, allow_nan=False).encode() + b"\n")
                handle.flush()
                os.fsync(handle.fileno())
        except RecordError:
            raise
        except OSError as fault:
            raise unwritable(self.path, fault) from fault
        self.__dict__.pop("_content", None)
        return entry

    def withdraw(self, number: str, reason: str, at_utc: str) -> RegisterEntry:
        """Put down that a report is withdrawn; it stays listed. Raises UsageError when it is unknown or was before."""
        issued = self.find(number)
        if issued is None:
            known = ", ".join(e.number for e in self.entries[-3:]) or "none yet"
            raise UsageError(f"no report {number!r} is in {self.path}.", next_action=f"Give a whole number ({known}).")
        if not reason.strip():
            raise UsageError("a report is withdrawn for a reason.", next_action="Say why.")
        if self.state(number).startswith("withdrawn"):
            raise UsageError(f"report {number} is {self.state(number)}.", next_action="Nothing is left to do.")
        facts = {name: getattr(issued, name) for name in ("run", "issue", "part", "serial", "outcome", "simulated")}
        return self.add(RegisterEntry(event="withdrawn", number=number, at_utc=at_utc, reason=reason.strip(), **facts))


def _chain(line: Mapping[str, Any]) -> str:
    return digest({key: value for key, value in line.items() if key != "chain"})


def in_force(entries: Sequence[RegisterEntry], register: Register) -> list[tuple[RegisterEntry, str]]:
    """Issued reports with their state, newest first."""
    return [(e, register.state(e.number)) for e in reversed(entries) if e.event != "withdrawn"]
