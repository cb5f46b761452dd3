"""Guard and emergency stop on the modem lines of a USB serial adapter: DTR feeds two contacts, CTS and DSR read them.

Wiring: DTR -> guard contact -> CTS and DTR -> normally closed contact of the emergency stop -> DSR. A broken wire reads
as an open guard or a pressed stop. Every reading takes the feed away once and demands that both inputs fall: an input
that stays up (a driver that reports stuck lines, a wire to another feed) is a fault, never a closed guard. Nothing else
may speak on that port. The lines are polled; this is a witness, and the stop itself stays hard-wired.
Source: TIA-232-F, 4.5 (circuits CD, CC, CB); pyserial documentation, "Serial" (dtr, cts, dsr, ri, cd: one request to
the driver each); hardware/interlock.md.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import serial

from drivers.roles import Identity, InterlockState
from rig.errors import BadReply, InstrumentRefused, LinkDown, UsageError
from rig.system import PORT_FAULTS

LINES = ("cts", "dsr", "ri", "cd")
FEED_S = 0.004  # for line and driver to follow; an adapter that answers by polling needs settle_s longer
Faults = (*PORT_FAULTS, serial.SerialException)


class InterlockModemLines:
    """guard_line, stop_line: which inputs are read. settle_s: how long after a change of DTR they are looked at."""

    make_port: Callable[[], Any] = serial.Serial

    def __init__(
        self,
        name: str,
        link: str,
        *,
        guard_line: str = "cts",
        stop_line: str = "dsr",
        settle_s: float = FEED_S,
    ) -> None:
        if guard_line not in LINES or stop_line not in LINES or guard_line == stop_line:
            raise UsageError(f"{name}: guard_line and stop_line are two of {', '.join(LINES)}.")
        self._name, self._link = name, link
        self._path = link.partition("://")[2].partition("?")[0]
        self._guard_line, self._stop_line, self._settle_s = guard_line, stop_line, settle_s
        self._port: Any = None

    @property
    def name(self) -> str:
        return self._name

    @property
    def retries(self) -> list[str]:
        """Nothing is ever said twice on lines."""
        return []

    def open(self) -> None:
        """Takes the port for itself and proves the lines once. Raising DTR energises nothing but the two contacts."""
        if not self._link.startswith("serial://"):
            raise UsageError(
                f"{self._name}: modem lines are on a serial port, not on {self._link!r}.",
                next_action="Write serial:///dev/serial/by-id/...",
            )
        port = self.make_port()
        port.port, port.exclusive, port.dtr, port.rts = self._path, True, False, False
        try:
            port.open()
        except (*Faults, ValueError) as fault:
            raise self._down("can't open the port", fault) from fault
        self._port = port
        try:
            self.state()
        except (LinkDown, InstrumentRefused):
            self.close()
            raise

    def identity(self) -> Identity:
        """The port: nothing on it can say who it is."""
        if self._port is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return Identity(maker="", model="modem lines", serial="", firmware="")

    def state(self) -> InterlockState:
        """The two contacts, after both inputs were seen down without the feed."""
        without = self._lines(feed=False)
        if stuck := [line for line, up in without.items() if up]:
            raise InstrumentRefused(
                f"{' and '.join(stuck)} stays up without its feed",
                instrument=self._name,
                exchange="DTR off",
                next_action="Check the wiring of the two contacts; a line may be stuck in its driver: try another one.",
            )
        now = self._lines(feed=True)
        return InterlockState(guard_closed=now[self._guard_line], emergency_stop=not now[self._stop_line])

    def safe_state(self) -> None:
        """It only feeds two contacts: nothing to switch off."""

    def close(self) -> None:
        """Never raises."""
        port, self._port = self._port, None
        if port is None:
            return
        try:
            port.close()
        except Faults:
            return  # the port is gone already

    def _lines(self, *, feed: bool) -> dict[str, bool]:
        """Both inputs a while after the feed was set; two readings that agree."""
        if self._port is None:
            raise LinkDown("the port is closed", instrument=self._name, next_action="Open it first.")
        try:
            self._port.dtr = feed
            time.sleep(self._settle_s)
            first, second = self._read(), self._read()
        except Faults as fault:
            raise self._down("the port was lost", fault) from fault
        if first != second:
            raise BadReply(f"{first}, then {second}", instrument=self._name, exchange=f"DTR {'on' if feed else 'off'}")
        return second

    def _read(self) -> dict[str, bool]:
        return {line: bool(getattr(self._port, line)) for line in (self._guard_line, self._stop_line)}

    def _down(self, what: str, fault: Exception) -> LinkDown:
        self.close()
        return LinkDown(
            f"{what}: {self._path} ({fault or type(fault).__name__})",
            instrument=self._name,
            next_action="Check the adapter and its cable, then open it again.",
        )
