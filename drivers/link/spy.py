"""A link that shows its traffic: every write and read, with the time since opening, on standard error.

For finding out at the bench who says what. It must never change a byte of what passes. Link addresses: spy+tcp://...
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from drivers.link.base import Link
from drivers.link.forwarding import ForwardingLink


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

    def _said(self, data: bytes) -> None:
        self._tell("-->", data)

    def _line(self, data: bytes) -> None:
        self._tell("<--", data)

    def _bytes(self, data: bytes) -> None:
        self._tell("<--", data)

    def _unasked(self, data: bytes) -> None:
        self._tell("<-- unasked", data)

    def _thrown_away(self, data: bytes) -> None:
        self._tell("thrown away", data)

    def _tell(self, what: str, data: bytes) -> None:
        shown = repr(data[:120])[1:] + (f" ... {len(data)} bytes" if len(data) > 120 else "")
        self._show(f"{time.monotonic() - self._start_s:9.4f} {self.name} {what} {shown}")
