"""The journal of a run: one JSON line an entry, flushed and synced before the next step is taken.

A line is {"n": 1, "kind": "...", "data": {...}, "crc": "8 hex digits"}: n counts from 1 without a gap, crc is CRC-32
of the line's bytes before `,"crc"`. A last line without its line feed was cut by a crash: left aside and reported.
Any other damage is an error that names file and line. It knows no step, no quantity and no folder layout.
"""

from __future__ import annotations

import json
import os
import threading
import zlib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.errors import RecordError
from rig.records.files import sync_folder, unwritable


@dataclass(frozen=True, slots=True)
class Entry:
    """One acknowledged line: kind ("header", "reading", "event", ...) and its data."""

    n: int
    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Journalled:
    """What a journal holds. cut: "" or a sentence about a last line that a crash cut short."""

    entries: tuple[Entry, ...]
    cut: str = ""

    def of(self, kind: str) -> list[Mapping[str, Any]]:
        """Data of the entries of one kind, in order."""
        return [entry.data for entry in self.entries if entry.kind == kind]


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
            sync_folder(path.parent)
        except OSError as fault:
            raise unwritable(path, fault) from fault

    @property
    def count(self) -> int:
        """Lines written so far."""
        return self._n

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Write one entry; it is on the disk when this returns."""
        with self._lock:
            line = _line(self.path, self._n + 1, kind, data)
            try:
                self._write(line)
            except OSError as fault:
                self._take_back()
                raise unwritable(self.path, fault) from fault
            self._n += 1
            self._end += len(line)

    def close(self) -> None:
        """Close the file; idempotent."""
        with self._lock:
            if self._file >= 0:
                os.close(self._file)
                self._file = -1

    def _write(self, line: bytes) -> None:
        rest = memoryview(line)
        while rest:
            rest = rest[os.write(self._file, rest) :]
        os.fsync(self._file)

    def _take_back(self) -> None:
        if self._file >= 0:
            with suppress(OSError):
                os.ftruncate(self._file, self._end)


def read_journal(path: Path) -> Journalled:
    """All whole lines of a journal. Raises RecordError with file and line for any damage but a cut last line."""
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as fault:
        raise RecordError(
            f"{path}: can't be read ({fault.strerror or fault}).", next_action="Check that the run folder is whole."
        ) from fault
    tail = lines.pop()
    entries = tuple(_entry(path, number, line) for number, line in enumerate(lines, start=1))
    cut = f"{path}:{len(lines) + 1}: the last line was cut short and is left aside ({len(tail)} bytes)" if tail else ""
    return Journalled(entries, cut)


def _line(path: Path, n: int, kind: str, data: Mapping[str, Any]) -> bytes:
    try:
        text = json.dumps(
            {"n": n, "kind": kind, "data": data}, ensure_ascii=False, allow_nan=False, separators=(",", ":")
        )
    except (ValueError, TypeError) as fault:
        raise RecordError(
            f"{path}: a {kind} holds what JSON can't carry ({fault}).",
            next_action="Store null where there is no number.",
        ) from fault
    body = text[:-1].encode()
    return body + b',"crc":"%08x"}\n' % zlib.crc32(body)


def _entry(path: Path, number: int, line: bytes) -> Entry:
    body, found, tail = line.rpartition(b',"crc":"')
    if not found or tail != b'%08x"}' % zlib.crc32(body):
        raise _damaged(path, number, "its checksum does not fit")
    try:
        data = json.loads(body + b"}")
        entry = Entry(int(data["n"]), str(data["kind"]), dict(data["data"]))
    except (ValueError, KeyError, TypeError) as fault:
        raise _damaged(path, number, f"not a journal line ({fault})") from fault
    if entry.n != number:
        raise _damaged(path, number, f"entry {entry.n} stands where {number} belongs")
    return entry


def _damaged(path: Path, number: int, what: str) -> RecordError:
    return RecordError(
        f"{path}:{number}: the journal is damaged: {what}.", next_action="Restore it from a copy of the run folder."
    )
