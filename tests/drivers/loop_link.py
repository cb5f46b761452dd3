"""A wire in memory: what is written goes to a callable, what it returns can be read. For dialogue tests.

It must never know a socket. The callable gets every write whole and returns the bytes that come back, b"" for none;
it may also return a list of byte strings: read by read, as a port would deliver them (b"" inside a list is a pause
that ends the deadline of the read that meets it).
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence

from drivers.link.base import BufferedLink

Answer = bytes | Sequence[bytes]


class LoopLink(BufferedLink):
    """answer: bytes written -> bytes to read. `sent` keeps every write in order."""

    def __init__(
        self, answer: Callable[[bytes], Answer], name: str = "loop", terminator: bytes = b"\n", greeting: Answer = b""
    ) -> None:
        super().__init__("loop://", name, terminator)
        self._answer = answer
        self._greeting = greeting
        self._coming: deque[bytes] = deque()
        self._open = False
        self.sent: list[bytes] = []

    @property
    def is_open(self) -> bool:
        return self._open

    def deliver(self, data: Answer) -> None:
        """Bytes that arrive without having been asked for."""
        self._coming.extend([data] if isinstance(data, bytes) else data)

    def _connect(self) -> None:
        self._open = True
        self.deliver(self._greeting)

    def _disconnect(self) -> None:
        self._open = False
        self._coming.clear()

    def _send(self, data: bytes, deadline_s: float) -> None:
        del deadline_s  # memory takes everything at once
        self.sent.append(data)
        self.deliver(self._answer(data))

    def _receive(self, timeout_s: float) -> bytes:
        while self._coming:
            data = self._coming.popleft()
            if data:
                return data
            if timeout_s > 0:
                break
        if timeout_s > 0:
            time.sleep(min(timeout_s, 0.01))
        return b""


class Script:
    """A dialogue of (we say, it answers) pairs; anything else that is said, or left unsaid, is told by `check`."""

    def __init__(self, pairs: Iterable[tuple[bytes, Answer]]) -> None:
        self._pairs = deque(pairs)
        self.surprises: list[str] = []

    def __call__(self, said: bytes) -> Answer:
        if not self._pairs:
            self.surprises.append(f"said {said!r} after the end of the dialogue")
            return b""
        expected, answer = self._pairs.popleft()
        if said != expected:
            self.surprises.append(f"said {said!r} where {expected!r} was expected")
        return answer

    def faults(self) -> list[str]:
        """Empty when all was said and nothing else."""
        return self.surprises + [f"never said {expected!r}" for expected, _ in self._pairs]
