"""A link around a link: every verb goes to the inner one, and what passed is told to the subclass.

It must never change a byte of what passes, nor know what the bytes mean. Source: drivers/link/base.py, Link.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

from drivers.link.base import Link


class ForwardingLink(ABC):
    """inner: the link that does the work; its faults pass unchanged. Bytes that never came are told to nobody."""

    def __init__(self, inner: Link) -> None:
        self._inner = inner

    @abstractmethod
    def _said(self, data: bytes) -> None: ...  # before it is sent

    @abstractmethod
    def _line(self, data: bytes) -> None: ...  # a line, without its terminator

    @abstractmethod
    def _bytes(self, data: bytes) -> None: ...  # bytes that were counted

    @abstractmethod
    def _unasked(self, data: bytes) -> None: ...  # what was here without a question

    @abstractmethod
    def _thrown_away(self, data: bytes) -> None: ...  # what was drained

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
        self._said(data)
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
            self._unasked(data)
        return data

    def drain(self, quiet_s: float = 0.05, limit_s: float = 1.0) -> bytes:
        data = self._inner.drain(quiet_s, limit_s)
        if data:
            self._thrown_away(data)
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
