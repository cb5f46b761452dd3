"""A client that sends lines to an instrument without SCPI: the encoder display and the climate probe.

One line is answered after another, each after a latency in bench time. It must never know what a line means.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from drivers.simulated.wires.faults import Gate

Answer = Callable[[str, float], bytes]  # (line, bench time at which it is answered) -> reply, empty for none


class LineSession:
    """Lines end in CR, LF or both; empty lines are dropped."""

    def __init__(self, answer: Answer, gate: Gate, *, latency_s: float = 0.0) -> None:
        self._answer = answer
        self._gate = gate
        self._latency_s = latency_s
        self._inbox = bytearray()
        self._waiting: deque[tuple[float, str]] = deque()

    def receive(self, data: bytes, t_s: float, /) -> None:
        self._inbox += data.replace(b"\r", b"\n")
        *lines, rest = bytes(self._inbox).split(b"\n")
        self._inbox = bytearray(rest[-256:])
        for line in lines:
            text = self._gate.message(line.decode("latin-1"), t_s) if line.strip() else None
            if text:
                due_s = max(t_s, self._waiting[-1][0] if self._waiting else t_s) + self._latency_s
                self._waiting.append((due_s, text))

    def run(self, t_s: float, /) -> list[bytes]:
        replies = []
        while self._waiting and self._waiting[0][0] <= t_s:
            due_s, text = self._waiting.popleft()
            reply = self._answer(text, max(due_s, t_s))
            if reply:
                replies.append(reply)
        return replies

    def due_s(self) -> float:
        return self._waiting[0][0] if self._waiting else math.inf

    def awaited(self) -> bool:
        return bool(self._waiting)

    def closed(self, _t_s: float, /) -> None:
        self._waiting.clear()
        self._inbox.clear()
