"""A client of an instrument without SCPI: messages are answered in order, each after a latency in bench time."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections import deque

from drivers.simulated.wires.faults import Gate


class QueuedSession(ABC):
    """A `Session`. A subclass cuts whole messages out of the inbox and answers them."""

    def __init__(self, gate: Gate, latency_s: float) -> None:
        self._gate = gate
        self._latency_s = latency_s
        self._inbox = bytearray()
        self._waiting: deque[tuple[float, bytes]] = deque()

    @abstractmethod
    def take(self, t_s: float) -> bytes | None:
        """The next whole message, as the faults of the wire let it through; b"" for one that is lost, None for none."""

    @abstractmethod
    def answer(self, message: bytes, t_s: float, /) -> bytes:
        """The reply to a message, empty for none."""

    def receive(self, data: bytes, t_s: float, /) -> None:
        self._inbox += data
        while (message := self.take(t_s)) is not None:
            if message:
                due_s = max(t_s, self._waiting[-1][0] if self._waiting else t_s) + self._latency_s
                self._waiting.append((due_s, message))

    def run(self, t_s: float, /) -> list[bytes]:
        replies = []
        while self._waiting and self._waiting[0][0] <= t_s:
            due_s, message = self._waiting.popleft()
            replies.append(self.answer(message, max(due_s, t_s)))
        return [reply for reply in replies if reply]

    def due_s(self) -> float:
        return self._waiting[0][0] if self._waiting else math.inf

    def is_waiting(self) -> bool:
        return bool(self._waiting)

    def disconnect(self, _t_s: float, /) -> None:
        self._waiting.clear()
        self._inbox.clear()

    def _cut(self, n: int) -> bytes:
        message = bytes(self._inbox[:n])
        del self._inbox[:n]
        return message

    def _frame(self, n: int, t_s: float) -> bytes | None:
        """The next n bytes as one binary message."""
        return (self._gate.binary(self._cut(n), t_s) or b"") if len(self._inbox) >= n else None
