"""The shop's register of reports: every report issued, amended or withdrawn, one line each, chained by hash.

    <home>/certificates.jsonl    {"n", "event", "number", "run", ..., "previous", "chain"}

chain = SHA-256 of the line without it, in canonical form; it holds the line before it, so that a line which was
changed, moved or taken out shows (`Register.broken`). A tree head over all lines is put down after each one (heads.py),
so that last lines cut off show too. Lines are only ever added, under a lock, synced. Registers of other homes that came
with a job are asked after the own one (foreign.py). It renders nothing.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

from rig.certificate.seal import heads
from rig.certificate.seal.canonical import digest
from rig.certificate.seal.entry import SCHEMA_BEFORE_HEADS, RegisterEntry, load_line, state_in
from rig.certificate.seal.foreign import ForeignRegister, foreign_registers
from rig.certificate.seal.merkle import leaf_hash
from rig.certificate.seal.signatures import Key
from rig.errors import RecordError, UsageError
from rig.records.files import read_file, unwritable
from rig.records.schema import check_texts, dump
from rig.system import take_lock

FILE = "certificates.jsonl"


class Register:
    """The register of a home."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.path = home / FILE

    @cached_property
    def lines(self) -> tuple[bytes, ...]:
        """Every line as it stands, without its line feed. A line ends at its line feed alone."""
        lines = read_file(self.path).split(b"\n") if self.path.exists() else []
        return tuple(lines[:-1] if lines and not lines[-1] else lines)

    @cached_property
    def leaves(self) -> list[bytes]:
        """The leaf hash of every line (merkle.py)."""
        return [leaf_hash(line) for line in self.lines]

    @cached_property
    def _content(self) -> tuple[tuple[RegisterEntry, ...], tuple[str, ...]]:
        """(entries, faults). A line is decoded by itself."""
        entries: list[RegisterEntry] = []
        faults: list[str] = []
        chain, headed = "", False
        for n, line in enumerate(self.lines, start=1):
            try:
                data, entry = load_line(line)
            except RecordError:
                faults.append(f"line {n} is damaged")
                continue
            if entry.n != n or entry.previous != chain:
                faults.append(f"a line before line {n} ({entry.number}) is missing, moved or changed")
            if entry.chain != _chain(data):
                faults.append(f"line {n} ({entry.number}) was changed")
            chain, headed = entry.chain, headed or entry.schema != SCHEMA_BEFORE_HEADS
            entries.append(entry)
        return tuple(entries), (*faults, *heads.faults(self.home, self.leaves, expected=headed))

    @cached_property
    def foreign(self) -> tuple[ForeignRegister, ...]:
        """Registers of other homes, as they came with jobs."""
        return foreign_registers(self.home)

    @property
    def entries(self) -> tuple[RegisterEntry, ...]:
        """Every own line that can be read, oldest first."""
        return self._content[0]

    @property
    def faults(self) -> tuple[str, ...]:
        """Where the chain is broken, in words; () when it is whole."""
        return self._content[1]

    def of_run(self, run: str) -> list[RegisterEntry]:
        """The own reports of a run, in order, withdrawals left out."""
        return [entry for entry in self.entries if entry.run == run and entry.event != "withdrawn"]

    def entries_elsewhere(self, run: str) -> list[tuple[RegisterEntry, ForeignRegister]]:
        """The reports of a run that other registers hold, which came with a job."""
        return [(e, one) for one in self.foreign for e in one.entries if e.run == run and e.event != "withdrawn"]

    def find(self, number: str) -> RegisterEntry | None:
        """The line that issued a report, here or in a register that came with a job."""
        return next((e for e in self._every() if e.number == number and e.event != "withdrawn"), None)

    def by_face(self, sha256: str) -> RegisterEntry | None:
        """The line of the report that a file's hash belongs to."""
        return next((entry for entry in self._every() if sha256 in entry.faces.values()), None)

    def by_hash(self, text: str) -> RegisterEntry | None:
        """The line whose data's hash stands somewhere in a text."""
        return next((entry for entry in self._every() if entry.hash and entry.hash in text), None)

    def _every(self) -> Iterator[RegisterEntry]:
        yield from self.entries
        for one in self.foreign:
            yield from one.entries

    def state(self, number: str) -> str:
        """'in force', 'replaced by ...: reason', 'withdrawn: reason' or 'not in the register'.

        Of a report that only another home's register holds: what that one said when it was carried, and whose it is.
        """
        if any(entry.number == number for entry in self.entries):
            return state_in(self.entries, number)
        one = next((one for one in self.foreign if any(e.number == number for e in one.entries)), None)
        return "not in the register" if one is None else f"{state_in(one.entries, number)} {one.words}"

    @property
    def log(self) -> str:
        """The name of this register: the leaf hash of its first line; "" while it is empty."""
        return self.leaves[0].hex() if self.leaves else ""

    def add(self, entry: RegisterEntry, key: Key | None = None) -> RegisterEntry:
        """Append a line, then the tree head over all of them, signed where there is a key; the line with its place.

        Raises UsageError for a control character in its texts, RecordError when the disk refuses.
        """
        check_texts(dump(entry))
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("ab+") as handle:
                take_lock(handle)
                self._forget()
                entries, lines = self.entries, len(self.lines)
                if lines and not self.path.read_bytes().endswith(b"\n"):  # a line that a crash cut short
                    handle.write(b"\n")
                entry = replace(entry, n=lines + 1, previous=entries[-1].chain if entries else "")
                entry = replace(entry, chain=_chain(dump(entry)))
                line = json.dumps(dump(entry), ensure_ascii=False, allow_nan=False).encode()
                handle.write(line + b"\n")
                handle.flush()
                os.fsync(handle.fileno())
                heads.add(self.home, [*self.leaves, leaf_hash(line)], at_utc=entry.at_utc, key=key)
        except RecordError:
            raise
        except OSError as fault:
            raise unwritable(self.path, fault) from fault
        self._forget()
        return entry

    def _forget(self) -> None:
        for name in ("lines", "leaves", "_content"):
            self.__dict__.pop(name, None)

    def withdraw(self, number: str, reason: str, at_utc: str, key: Key | None = None) -> RegisterEntry:
        """Put down that a report is withdrawn; it stays listed. Raises UsageError when it is unknown or was before."""
        issued = next((e for e in self.entries if e.number == number and e.event != "withdrawn"), None)
        if issued is None and self.find(number) is not None:
            raise UsageError(
                f"report {number} is not of this register: it is {self.state(number)}.",
                next_action="Withdraw it where it was issued.",
            )
        if issued is None:
            known = ", ".join(e.number for e in self.entries[-3:]) or "none yet"
            raise UsageError(f"no report {number!r} is in {self.path}.", next_action=f"Give a whole number ({known}).")
        if not reason.strip():
            raise UsageError("a report is withdrawn for a reason.", next_action="Say why.")
        if self.state(number).startswith("withdrawn"):
            raise UsageError(f"report {number} is {self.state(number)}.", next_action="Nothing is left to do.")
        facts = {name: getattr(issued, name) for name in ("run", "issue", "part", "serial", "outcome", "simulated")}
        line = RegisterEntry(event="withdrawn", number=number, at_utc=at_utc, reason=reason.strip(), **facts)
        return self.add(line, key)


def _chain(line: Mapping[str, Any]) -> str:
    return digest({key: value for key, value in line.items() if key != "chain"})


def in_force(entries: Sequence[RegisterEntry], register: Register) -> list[tuple[RegisterEntry, str]]:
    """Issued reports with their state, newest first."""
    return [(e, register.state(e.number)) for e in reversed(entries) if e.event != "withdrawn"]
