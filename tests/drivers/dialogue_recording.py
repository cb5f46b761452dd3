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
from drivers.link.spy import ForwardingLink
from rig.errors import BadReply, LinkDown, RecordError

SCHEMA = "anglewright dialogue 1"


class RecordingLink(ForwardingLink):
    """Wraps any link and writes what passes; `keep()` says that the dialogue ended well."""

    def __init__(self, inner: Link, file: Path, **header: str) -> None:
        super().__init__(inner)
        self._file = file
        self._aside = file.with_name(file.name + ".new")
        self._header = header
        self._out: IO[str] | None = None
        self._good = False

    def open(self) -> None:
        super().open()
        try:
            self._out = self._aside.open("w", encoding="utf-8")
        except OSError as fault:
            super().close()
            raise RecordError(f"{self._aside}: can't be written: {fault}.") from fault
        date = datetime.now(UTC).isoformat(timespec="seconds")
        self._note({"schema": SCHEMA, "date_utc": date, "link": self.url} | self._header)

    def keep(self) -> None:
        """The dialogue ended as it should: closing will put the file in its place."""
        self._good = True

    def close(self) -> None:
        super().close()
        out, self._out = self._out, None
        if out is None:
            return
        out.close()
        if self._good:
            self._aside.replace(self._file)

    def _note_sent(self, data: bytes) -> None:
        self._note({"say": data.decode("latin-1")})

    def _line(self, data: bytes) -> None:
        self._note({"line": data.decode("latin-1")})

    def _bytes(self, data: bytes) -> None:
        self._note({"bytes": data.decode("latin-1")})

    def _note_unasked(self, data: bytes) -> None:
        self._note({"unasked": data.decode("latin-1")})

    def _note_drained(self, data: bytes) -> None:
        self._note_unasked(data)

    def _note(self, event: dict[str, str]) -> None:
        if self._out is not None:
            self._out.write(json.dumps(event) + "\n")


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
