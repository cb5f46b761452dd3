"""The clock a run lives by: wall time on a real bench, bench time on the simulated one.

It must never know what is being waited for. Deadlines of links, the heartbeat and the watchdog never use it: they
run on wall time. Bench time is owned by the simulated bench, which answers one JSON line a request
(drivers/simulated/README.md). A connection that registers counts as a party until it closes; time jumps
only when every party waits, so each thread that sleeps has a connection of its own (`another`).
"""

from __future__ import annotations

import json
import socket
import time
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Protocol
from urllib.parse import urlsplit

from rig.errors import BadReply, LinkDown, NoReply, UsageError

ANSWER_S = 10.0  # wall time for an answer that needs no waiting
LONGEST_WAIT_S = 600.0  # wall time for a sleep: bench time may run slower than the wall


class Clock(Protocol):
    """Seconds that only grow, the date, and a way to wait."""

    def now_s(self) -> float: ...

    def utc(self) -> str: ...  # ISO 8601, ends in "Z"

    def stamp(self) -> tuple[float, str]: ...  # both at once

    def sleep(self, s: float) -> float: ...  # the time afterwards

    def another(self) -> Clock: ...  # for another thread

    def close(self) -> None: ...


class WallClock:
    """Wall time since it was made."""

    def __init__(self) -> None:
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Seconds since the clock was made."""
        return time.monotonic() - self._start_s

    def utc(self) -> str:
        """The date in UTC, to the millisecond."""
        return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def stamp(self) -> tuple[float, str]:
        """Seconds and date."""
        return self.now_s(), self.utc()

    def sleep(self, s: float) -> float:
        """Wait, not at all for zero and less; the time afterwards."""
        if s > 0:
            time.sleep(s)
        return self.now_s()

    def another(self) -> WallClock:
        """The same clock: it may be shared between threads."""
        return self

    def close(self) -> None:
        """Nothing to give back."""


class BenchClock:
    """One party's connection to the simulated bench's clock; not to be shared between threads.

    url: "tcp://host:port". register: whether time has to wait for this connection. Raises LinkDown when the bench
    is gone, NoReply when it does not answer.
    """

    def __init__(self, url: str, *, register: bool = True) -> None:
        self._url = url
        place = urlsplit(url)
        if place.scheme != "tcp" or place.hostname is None or place.port is None:
            raise UsageError(
                f"clock {url!r} is not an address.", next_action="Write it as tcp://host:port in the bench file."
            )
        try:
            self._socket = socket.create_connection((place.hostname, place.port), timeout=ANSWER_S)
        except OSError as fault:
            raise self._down(str(fault)) from fault
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._buffer = b""
        if register:
            self._ask({"op": "register"})

    def now_s(self) -> float:
        """Bench time, seconds."""
        return float(self._ask({"op": "now"})["now_s"])

    def utc(self) -> str:
        """The bench's date in UTC."""
        return str(self._ask({"op": "now"})["utc"])

    def stamp(self) -> tuple[float, str]:
        """Bench time and the bench's date, of one instant."""
        answer = self._ask({"op": "now"})
        return float(answer["now_s"]), str(answer["utc"])

    def sleep(self, s: float) -> float:
        """Wait until bench time has advanced by s, not at all for zero and less; the time afterwards."""
        if s <= 0:
            return self.now_s()
        return float(self._ask({"op": "sleep", "s": s}, LONGEST_WAIT_S)["now_s"])

    def another(self) -> BenchClock:
        """A further party, for another thread."""
        return BenchClock(self._url)

    def close(self) -> None:
        """No party any more; a sleep that goes on in another thread ends with LinkDown."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    def _down(self, why: str) -> LinkDown:
        return LinkDown(
            f"no connection to the bench clock at {self._url} ({why}).",
            instrument="clock",
            next_action="Start the simulated bench again.",
        )

    def _ask(self, request: dict[str, Any], wait_s: float = ANSWER_S) -> dict[str, Any]:
        try:
            self._socket.settimeout(wait_s)
            self._socket.sendall(json.dumps(request).encode() + b"\n")
            while b"\n" not in self._buffer:
                got = self._socket.recv(4096)
                if not got:
                    raise self._down("it ended the connection")
                self._buffer += got
        except TimeoutError as fault:
            raise NoReply(f"no answer within {wait_s:g} s", instrument="clock", exchange=json.dumps(request)) from fault
        except OSError as fault:
            if isinstance(fault, LinkDown):
                raise
            raise self._down(str(fault)) from fault
        line, _, self._buffer = self._buffer.partition(b"\n")
        try:
            answer = json.loads(line)
        except ValueError as fault:
            raise BadReply("an answer that is no JSON", instrument="clock", exchange=repr(line)) from fault
        if not isinstance(answer, dict) or "error" in answer:
            raise BadReply("the request was refused", instrument="clock", exchange=repr(line))
        return answer
