"""A link that shows its traffic: every write and read, with the time since opening, on standard error.

For finding out at the bench who says what. Link addresses: spy+tcp://...
"""

from __future__ import annotations

import sys
import time
from abc import ABC, abstractmethod
from collections.abc import Callable

from drivers.link.base import Link


class ForwardingLink(ABC):
    """inner: the link that does the work; its faults pass unchanged. Bytes that never came are not reported."""

    def __init__(self, inner: Link) -> None:
        self._inner = inner

    @abstractmethod
    def _note_sent(self, data: bytes) -> None: ...  # before it is sent

    @abstractmethod
    def _line(self, data: bytes) -> None: ...  # a line, without its terminator

    @abstractmethod
    def _bytes(self, data: bytes) -> None: ...  # bytes that were counted

    @abstractmethod
    def _note_unasked(self, data: bytes) -> None: ...  # what was here without a question

    @abstractmethod
    def _note_drained(self, data: bytes) -> None: ...  # what was drained

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

    def close(self) -> None:
        self._inner.close()

    def write(self, data: bytes) -> None:
        self._note_sent(data)
        self._inner.write(data)

    def read_line(self, deadline_s: float) -> bytes:
        data = self._inner.read_line(deadline_s)
        self._line(data)
        return data

    def read_exact(self, n: int, deadline_s: float) -> bytes:
        data = self._inner.read_exact(n, deadline_s)
        self._bytes(data)
        return data

    def read_available(self) -> bytes:
        data = self._inner.read_available()
        if data:
            self._note_unasked(data)
        return data

    def drain(self, quiet_s: float = 0.05, limit_s: float = 1.0) -> bytes:
        data = self._inner.drain(quiet_s, limit_s)
        if data:
            self._note_drained(data)
        return data

    def poll_line(self, timeout_s: float) -> bytes | None:
        data = self._inner.poll_line(timeout_s)
        if data is not None:
            self._line(data)
        return data

    def poll_exact(self, n: int, timeout_s: float) -> bytes | None:
        data = self._inner.poll_exact(n, timeout_s)
        if data is not None:
            self._bytes(data)
        return data

    def surplus(self) -> bool:
        return self._inner.surplus()


def _to_stderr(line: str) -> None:
    sys.stderr.write(line + "\n")


class SpyLink(ForwardingLink):
    """Wraps any link; `show` gets one line of text an event."""

    def __init__(self, inner: Link, show: Callable[[str], None] = _to_stderr) -> None:
        super().__init__(inner)
        self._show = show
        self._start_s = time.monotonic()

    def open(self) -> None:
        super().open()
        self._start_s = time.monotonic()
        self._tell("open", self.url.encode())

    def close(self) -> None:
        super().close()
        self._tell("close", b"")

    def _note_sent(self, data: bytes) -> None:
        self._tell("-->", data)

    def _line(self, data: bytes) -> None:
        self._tell("<--", data)

    def _bytes(self, data: bytes) -> None:
        self._tell("<--", data)

    def _note_unasked(self, data: bytes) -> None:
        self._tell("<-- unasked", data)

    def _note_drained(self, data: bytes) -> None:
        self._tell("thrown away", data)

    def _tell(self, what: str, data: bytes) -> None:
        shown = repr(data[:120])[1:] + (f" ... {len(data)} bytes" if len(data) > 120 else "")
        self._show(f"{time.monotonic() - self._start_s:9.4f} {self.name} {what} {shown}")
