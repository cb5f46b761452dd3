"""One token that stops a run: set once by a guard, a signal or the panel, seen by every thread.

It must never know an instrument. Setting it is safe inside a signal handler: no lock is taken, one byte goes down
a pipe and wakes whoever waits. A stop is latched: the next run starts with a new token.
"""

from __future__ import annotations

import os
import select
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from rig.errors import Cancelled, SafetyStop

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class StopToken:
    """Latched reason to stop. The first reason stays."""

    def __init__(self) -> None:
        self._reason: SafetyStop | None = None
        self._read_fd, self._write_fd = os.pipe()
        os.set_blocking(self._write_fd, False)

    @property
    def reason(self) -> SafetyStop | None:
        """Why to stop, or None."""
        return self._reason

    def set(self, reason: SafetyStop) -> None:
        """Ask for the stop; later reasons are left aside."""
        if self._reason is None:
            self._reason = reason
            os.write(self._write_fd, b"!")

    def check(self) -> None:
        """Raise the reason when there is one."""
        if self._reason is not None:
            raise self._reason

    def wait(self, timeout_s: float) -> bool:
        """True as soon as a stop is asked for, False after timeout_s (wall time)."""
        if self._reason is None:
            select.select([self._read_fd], [], [], timeout_s)
        return self._reason is not None

    def close(self) -> None:
        """Give the pipe back; the token may not be set any more."""
        os.close(self._read_fd)
        os.close(self._write_fd)


@contextmanager
def stop_on_signals(token: StopToken) -> Iterator[None]:
    """Ctrl-C, SIGTERM and SIGHUP ask for a stop instead of ending the process; only in the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def on_signal(number: int, _frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        token.set(
            Cancelled(
                f"the run was stopped by {name}.",
                code="cancelled",
                next_action="It is kept, marked incomplete; start a new one.",
            )
        )

    before = {number: signal.signal(number, on_signal) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            if handler is not None:
                signal.signal(number, handler)
