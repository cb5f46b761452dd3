"""The audit log of the panel: who, from where, what, on what, with which outcome; numbered, each line chained.

    <home>/access/audit.jsonl    {"n", "at_utc", "who", "address", "act", "what", "outcome", "previous", "chain"}

chain = SHA-256 of the line without it, in canonical form, as in the register of reports. Lines are only ever added.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from rig.certificate.seal.canonical import digest
from rig.errors import RecordError
from rig.records.files import parse_json, read_file, unwritable
from rig.records.schema import dump, load
from rig.system import take_lock


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditLine:
    """One act. outcome: "done", "refused" or why not."""

    at_utc: str
    who: str
    address: str
    act: str
    what: str = ""
    outcome: str = "done"
    n: int = 0
    previous: str = ""
    chain: str = ""


class Audit:
    """The audit log of a home."""

    def __init__(self, home: Path) -> None:
        self.path = home / "access" / "audit.jsonl"

    def add(self, line: AuditLine) -> AuditLine:
        """Append a line, synced. Raises RecordError when the disk refuses."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.with_suffix(".lock").open("w") as lock:
                take_lock(lock)
                n, chain = self._last()
                line = replace(line, n=n + 1, previous=chain)
                line = replace(line, chain=_chain(dump(line)))
                handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
                with os.fdopen(handle, "wb") as file:
                    file.write(json.dumps(dump(line), ensure_ascii=False).encode() + b"\n")
                    file.flush()
                    os.fsync(file.fileno())
        except OSError as fault:
            if isinstance(fault, RecordError):
                raise
            raise unwritable(self.path, fault) from fault
        return line

    def _last(self) -> tuple[int, str]:
        """Number and chain of the last line, read from the file's end."""
        if not self.path.exists():
            return 0, ""
        with self.path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - 65_536))
            lines = file.read().splitlines()
        last = parse_json(lines[-1], str(self.path)) if lines else {}
        return int(last.get("n", 0)), str(last.get("chain", ""))

    def lines(self) -> tuple[tuple[AuditLine, ...], tuple[str, ...]]:
        """(every line, oldest first; where the chain is broken, in words)."""
        if not self.path.exists():
            return (), ()
        lines: list[AuditLine] = []
        faults: list[str] = []
        chain = ""
        for n, raw in enumerate(filter(None, read_file(self.path).split(b"\n")), start=1):
            try:
                data = parse_json(raw, f"{self.path}, line {n}")
                line = load(AuditLine, data, f"{self.path}, line {n}")
            except RecordError as fault:
                faults.append(str(fault))
                continue
            if line.n != n or line.previous != chain or line.chain != _chain(data):
                faults.append(f"line {n} was changed, or a line before it is missing")
            chain = line.chain
            lines.append(line)
        return tuple(lines), tuple(faults)


def _chain(line: Mapping[str, Any]) -> str:
    return digest({key: value for key, value in line.items() if key != "chain"})
