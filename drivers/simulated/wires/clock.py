"""Bench time: who owns it, how it runs (real) or jumps (fast), and the words of the clock socket.

Real: bench time is wall time since the start, or a stated factor of it. Fast: it stands still and jumps to the
earliest thing that is due when every registered party waits (in a clock sleep, or for a reply that an instrument
holds). With no party registered any waiter lets it jump at once.
Words (newline JSON, one request a line, one reply a line): drivers/simulated/README.md.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta


class BenchTime:
    """Seconds since the bench started. `jump` moves fast time forward; real time can't be moved."""

    def __init__(self, *, fast: bool, wall: Callable[[], float] = time.monotonic, factor: float = 1.0) -> None:
        self.fast = fast
        self.factor = factor
        self._wall = wall
        self._wall_start_s = wall()
        self._fast_s = 0.0
        self._utc_start = datetime.now(UTC)

    def now_s(self) -> float:
        return self._fast_s if self.fast else self.factor * (self._wall() - self._wall_start_s)

    def jump(self, t_s: float) -> None:
        """Fast time forward to t_s; never back, never on real time."""
        if self.fast and math.isfinite(t_s):
            self._fast_s = max(self._fast_s, t_s)

    def utc(self) -> str:
        """Bench time as UTC, ISO 8601 with a Z."""
        moment = self._utc_start + timedelta(seconds=self.now_s())
        return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


def may_jump(*, parties: int, waiting: int) -> bool:
    """Whether fast time may move: someone waits, and so does every registered party."""
    return waiting > 0 and waiting >= parties


class ClockSession:
    """One client of the clock socket; a party from `register` until it closes."""

    def __init__(self, clock: BenchTime, hands: Callable[[float, dict[str, object]], None] | None = None) -> None:
        """hands: what a person does at the bench, told by a test or a rehearsal: guard_closed, emergency_stop, key."""
        self._clock = clock
        self._hands = hands
        self._inbox = bytearray()
        self._until_s: float | None = None
        self.registered = False

    def receive(self, data: bytes, _t_s: float, /) -> None:
        self._inbox += data

    def run(self, t_s: float, /) -> list[bytes]:
        replies: list[bytes] = []
        while True:
            if self._until_s is not None:
                if self._until_s > t_s:
                    return replies
                self._until_s = None
                replies.append(self._now())
            line, found, rest = self._inbox.partition(b"\n")
            if not found:
                return replies
            self._inbox = bytearray(rest)
            reply = self._answer(bytes(line), t_s)
            if reply is not None:
                replies.append(reply)

    def due_s(self) -> float:
        return math.inf if self._until_s is None else self._until_s

    def is_waiting(self) -> bool:
        return self._until_s is not None

    def disconnect(self, _t_s: float, /) -> None:
        self.registered = False
        self._until_s = None

    def _now(self, **more: object) -> bytes:
        return json.dumps({"now_s": self._clock.now_s(), "utc": self._clock.utc(), **more}).encode() + b"\n"

    def _answer(self, line: bytes, t_s: float) -> bytes | None:
        try:
            request = json.loads(line)
            op = request["op"]
            if op == "sleep":
                self._until_s = t_s + max(0.0, float(request["s"]))
            elif op == "sleep_until":
                self._until_s = float(request["t_s"])
        except (ValueError, KeyError, TypeError) as fault:
            return self._error(f"not a request: {fault!r}; expected one JSON object a line, such as {{'op': 'now'}}")
        if op in ("sleep", "sleep_until"):
            return None
        if op == "register":
            self.registered = True
            return self._now(registered=True)
        if op == "now":
            return self._now()
        if op == "hands" and self._hands is not None:
            try:
                self._hands(t_s, {key: value for key, value in request.items() if key != "op"})
            except (TypeError, ValueError) as fault:
                return self._error(f"hands: {fault}")
            return self._now()
        return self._error(f"unknown op {op!r}; known: now, register, sleep, sleep_until, hands")

    @staticmethod
    def _error(text: str) -> bytes:
        return json.dumps({"error": text}).encode() + b"\n"
