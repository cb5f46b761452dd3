"""The words of the live socket: one JSON object a line; behind a head with `bytes` come that many bytes.

The format is in README.md. It knows no run and no socket: bytes in, messages out, and back.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rig.errors import BadReply

SCHEMA = "anglewright live 1"
LONGEST_LINE = 64 << 20  # a snapshot of a long night
LONGEST_REQUEST = 64 << 10


@dataclass(frozen=True, slots=True)
class Message:
    """One message: its head, and the bytes behind it (b"" for most)."""

    head: Mapping[str, Any]
    body: bytes = b""

    @property
    def kind(self) -> str:
        """What it is."""
        return str(self.head.get("kind", ""))


def encode(head: Mapping[str, Any], body: bytes = b"") -> bytes:
    """A message as bytes; `bytes` is put into the head where a body follows."""
    whole = {**head, "bytes": len(body)} if body else head
    return json.dumps(whole, ensure_ascii=False, separators=(",", ":"), default=str).encode() + b"\n" + body


class Decoder:
    """Bytes as they come from a socket to whole messages. Raises BadReply for a line that is none."""

    def __init__(self, longest: int = LONGEST_LINE) -> None:
        self._pending = bytearray()
        self._head: dict[str, Any] | None = None
        self._longest = longest

    def feed(self, data: bytes) -> Iterator[Message]:
        """Messages that are whole now."""
        self._pending += data
        while (message := self._next()) is not None:
            yield message

    def _next(self) -> Message | None:
        if self._head is None:
            line, end, rest = self._pending.partition(b"\n")
            if len(line) > self._longest:
                raise BadReply(f"a line of more than {self._longest} bytes", instrument="live socket")
            if not end:
                return None
            self._pending = bytearray(rest)
            self._head = _head(bytes(line))
        size = int(self._head.get("bytes", 0))
        if len(self._pending) < size:
            return None
        body = bytes(self._pending[:size])
        del self._pending[:size]
        head, self._head = self._head, None
        return Message(head, body)


def _head(line: bytes) -> dict[str, Any]:
    try:
        head = json.loads(line)
    except (ValueError, RecursionError) as fault:
        raise BadReply("a line that is no JSON", instrument="live socket", exchange=repr(line[:80])) from fault
    size = head.get("bytes", 0) if isinstance(head, dict) else None
    if not isinstance(size, int) or isinstance(size, bool) or not 0 <= size <= LONGEST_LINE:
        raise BadReply("a line that is no message", instrument="live socket", exchange=repr(line[:80]))
    return dict(head)
