"""One token that stops a run, set once by a guard, a signal or the panel and seen by every thread; and the safe state.

It must never know what an instrument is for. Setting the token is safe inside a signal handler: no lock is taken, one
byte goes down a pipe and wakes whoever waits. A stop is latched: the next run starts with a new token.
"""

from __future__ import annotations

import os
import select
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from types import FrameType

from drivers.roles import Instrument
from rig.errors import Cancelled, RigError, SafetyStop

EACH_S = 2.0  # the safe state of any instrument
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


def in_parallel(work: Mapping[str, Callable[[], None]], bound_s: float) -> dict[str, str]:
    """Do all at the same time; name -> "" when done, else the fault. Whoever is not back after bound_s is left."""
    outcome = dict.fromkeys(work, f"not done within {bound_s:g} s")

    def do(name: str, job: Callable[[], None]) -> None:
        try:
            job()
        except (RigError, OSError) as fault:
            outcome[name] = str(fault) or type(fault).__name__
        else:
            outcome[name] = ""

    threads = [threading.Thread(target=do, args=item, name=f"safe: {item[0]}", daemon=True) for item in work.items()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(bound_s)
    return dict(outcome)


def safe_state(first: tuple[Instrument, ...], others: tuple[Instrument, ...]) -> dict[str, str]:
    """Generator and axis (`first`), then relays and the rest; name -> "" when safe, else the fault. Never raises.

    An instrument that fails at the first try gets a fresh link and one more.
    """
    outcome = in_parallel({one.name: _make_safe(one) for one in first}, EACH_S)
    return outcome | in_parallel({one.name: _make_safe(one) for one in others}, EACH_S)


def _make_safe(instrument: Instrument) -> Callable[[], None]:
    def make() -> None:
        try:
            instrument.safe_state()
        except (RigError, OSError):
            instrument.close()
            instrument.open()
            instrument.safe_state()

    return make
