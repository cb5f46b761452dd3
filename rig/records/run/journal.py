"""The journal of a run: one JSON line an entry, flushed and synced before the next step is taken.

A line is {"n": 1, "kind": "...", "data": {...}, "crc": "8 hex digits"}: n counts from 1 without a gap, crc is CRC-32
of the line's bytes before `,"crc"`. A last line without its line feed was cut by a crash: left aside and reported.
Any other damage is an error that names file and line. It knows no step, no quantity and no folder layout.
"""

from __future__ import annotations

import os
import threading
import zlib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import parse_json, read_file, sync, to_json, unwritable


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One acknowledged line: kind ("header", "reading", "event", ...) and its data."""

    n: int
    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class JournalLines:
    """What a journal holds. cut: "" or a sentence about a last line that a crash cut short."""

    lines: tuple[JournalLine, ...]
    cut: str = ""

    def of(self, kind: str) -> list[Mapping[str, Any]]:
        """Data of the lines of one kind, in order."""
        return [line.data for line in self.lines if line.kind == kind]


class Journal:
    """A new journal being written; one process, any thread.

    Raises RecordError when the file exists already, and from `append` when the disk refuses; the part-written line is
    then taken back, so that the file always ends with a whole line.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._n = 0
        self._end = 0
        try:
            self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
            sync(path.parent)
        except OSError as fault:
            raise unwritable(path, fault) from fault

    @property
    def count(self) -> int:
        """Lines written so far."""
        return self._n

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Write one entry; it is on the disk when this returns."""
        with self._lock:
            line = {"n": self._n + 1, "kind": kind, "data": data}
            body = to_json(line, indent=None, where=f"{self.path}: a {kind}")[:-2]
            text = body + b',"crc":"%08x"}\n' % zlib.crc32(body)
            try:
                self._write(text)
            except OSError as fault:
                self._take_back()
                raise unwritable(self.path, fault) from fault
            self._n += 1
            self._end += len(text)

    def close(self) -> None:
        """Close the file; idempotent."""
        with self._lock:
            if self._file >= 0:
                os.close(self._file)
                self._file = -1

    def _write(self, text: bytes) -> None:
        rest = memoryview(text)
        while rest:
            rest = rest[os.write(self._file, rest) :]
        os.fsync(self._file)

    def _take_back(self) -> None:
        if self._file >= 0:
            with suppress(OSError):
                os.ftruncate(self._file, self._end)


def read_journal(path: Path) -> JournalLines:
    """All whole lines of a journal. Raises RecordError with file and line for any damage but a cut last line."""
    lines = read_file(path).split(b"\n")
    tail = lines.pop()
    read = tuple(_line(path, number, line) for number, line in enumerate(lines, start=1))
    cut = f"{path}:{len(lines) + 1}: the last line was cut short and is left aside ({len(tail)} bytes)" if tail else ""
    return JournalLines(read, cut)


def _line(path: Path, number: int, text: bytes) -> JournalLine:
    body, mark, tail = text.rpartition(b',"crc":"')
    if not mark or tail != b'%08x"}' % zlib.crc32(body):
        raise _damage(path, number, "its checksum does not fit")
    try:
        data = parse_json(body + b"}", f"{path}:{number}")
        line = JournalLine(int(data["n"]), str(data["kind"]), dict(data["data"]))
    except (RecordError, KeyError, TypeError, ValueError) as fault:
        raise _damage(path, number, f"not a journal line ({fault})") from fault
    if line.n != number:
        raise _damage(path, number, f"entry {line.n} stands where {number} belongs")
    return line


def _damage(path: Path, number: int, what: str) -> RecordError:
    return RecordError(
        f"{path}:{number}: the journal is damaged: {what}.", next_action="Restore it from a copy of the run folder."
    )
