"""Dialogues kept and played back: JSON lines, one event a line, first a header with identity and date.

RecordingLink writes `<file>.new` and renames it when it is closed after a good end; a recording that broke off is
never taken for whole. ReplayLink plays a file back and refuses the first word that differs. Bytes are kept as
Latin-1 text. It must never know which instrument is talking.
"""

from __future__ import annotations

import json
from collections import deque
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from drivers.link.base import BufferedLink, Link
from rig.errors import BadReply, LinkDown, RecordError

SCHEMA = "anglewright dialogue 1"


class RecordingLink:
    """Wraps any link and writes what passes; `keep()` says that the dialogue ended well."""

    def __init__(self, inner: Link, file: Path, **header: str) -> None:
        self._inner = inner
        self._file = file
        self._aside = file.with_name(file.name + ".new")
        self._header = header
        self._out: IO[str] | None = None
        self._good = False

    @property
    def url(self) -> str:
        return self._inner.url

    @property
    def name(self) -> str:
        return self._inner.name

    @property
    def is_open(self) -> bool:
        return self._inner.is_open

    @property
    def dirty(self) -> bool:
        return self._inner.dirty

    @dirty.setter
    def dirty(self, value: bool) -> None:
        self._inner.dirty = value

    def open(self) -> None:
        self._inner.open()
        try:
            self._out = self._aside.open("w", encoding="utf-8")
        except OSError as fault:
            self._inner.close()
            raise RecordError(f"{self._aside}: can't be written: {fault}.") from fault
        date = datetime.now(UTC).isoformat(timespec="seconds")
        self._line({"schema": SCHEMA, "date_utc": date, "link": self.url} | self._header)

    def keep(self) -> None:
        """The dialogue ended as it should: closing will put the file in its place."""
        self._good = True

    def close(self) -> None:
        self._inner.close()
        out, self._out = self._out, None
        if out is None:
            return
        out.close()
        if self._good:
            self._aside.replace(self._file)

    def write(self, data: bytes) -> None:
        self._line({"say": data.decode("latin-1")})
        self._inner.write(data)

    def read_line(self, deadline_s: float) -> bytes:
        data = self._inner.read_line(deadline_s)
        self._line({"line": data.decode("latin-1")})
        return data

    def read_exact(self, n: int, deadline_s: float) -> bytes:
        data = self._inner.read_exact(n, deadline_s)
        self._line({"bytes": data.decode("latin-1")})
        return data

    def read_available(self) -> bytes:
        data = self._inner.read_available()
        if data:
            self._line({"unasked": data.decode("latin-1")})
        return data

    def drain(self, quiet_s: float = 0.05, limit_s: float = 1.0) -> bytes:
        data = self._inner.drain(quiet_s, limit_s)
        if data:
            self._line({"unasked": data.decode("latin-1")})
        return data

    def poll_line(self, timeout_s: float) -> bytes | None:
        data = self._inner.poll_line(timeout_s)
        if data is not None:
            self._line({"line": data.decode("latin-1")})
        return data

    def poll_exact(self, n: int, timeout_s: float) -> bytes | None:
        data = self._inner.poll_exact(n, timeout_s)
        if data is not None:
            self._line({"bytes": data.decode("latin-1")})
        return data

    def surplus(self) -> bool:
        return self._inner.surplus()

    def _line(self, data: dict[str, str]) -> None:
        if self._out is not None:
            self._out.write(json.dumps(data) + "\n")


class ReplayLink(BufferedLink):
    """Plays a recording: the same words must be said in the same order; `left()` counts what was never said."""

    def __init__(self, file: Path, name: str = "replay", terminator: bytes = b"\n") -> None:
        super().__init__(f"replay://{file}", name, terminator)
        self._file = file
        self._events: deque[dict[str, str]] = deque()
        self._open = False

    @property
    def is_open(self) -> bool:
        return self._open

    def left(self) -> int:
        """Events of the recording that were not used."""
        return len(self._events)

    def _connect(self) -> None:
        try:
            lines = [json.loads(line) for line in self._file.read_text(encoding="utf-8").splitlines()]
        except (OSError, ValueError) as fault:
            raise LinkDown(f"{self._file} is no recording: {fault}", instrument=self.name) from fault
        if not lines or lines[0].get("schema") != SCHEMA:
            raise LinkDown(f"{self._file} is no recording ({SCHEMA!r} expected)", instrument=self.name)
        self._events.clear()
        self._events.extend(lines[1:])
        self.url = lines[0].get("link", self.url)  # a session treats sockets and ports differently
        self._open = True

    def _disconnect(self) -> None:
        self._open = False

    def _send(self, data: bytes, deadline_s: float) -> None:
        del deadline_s  # a file takes everything at once
        said = data.decode("latin-1")
        expected = self._events.popleft() if self._events else {}
        if expected.get("say") != said:
            raise BadReply(f"said {said!r} where the recording has {expected!r}", instrument=self.name)

    def _receive(self, timeout_s: float) -> bytes:
        if not self._events or timeout_s <= 0:
            return b""
        event = self._events[0]
        if "say" in event:
            return b""
        self._events.popleft()
        if "line" in event:
            return event["line"].encode("latin-1") + self.terminator
        return next(iter(event.values())).encode("latin-1")
