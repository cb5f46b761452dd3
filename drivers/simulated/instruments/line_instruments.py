"""Two small serial instruments that answer a line with a line: an angle-encoder display and a climate probe.

Source: HEIDENHAIN ND 280/ND 287 User's Manual, "External operation via the data interface": ESC A0000 CR
identification, ESC A0100 CR error text, ESC A0200 CR actual position; sign, blanks, digits with a decimal point, CR LF
(layout of the ten-digit field from memory, dagger). Vaisala HMT330 Series User's Guide, "Serial line communication":
SEND, ERRS, VERS, ?, in STOP mode with echo off (layout of the lines of `?` from memory, dagger).
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.simulated.instruments.queued_session import QueuedSession
from drivers.simulated.interfaces import WorldInterface
from drivers.simulated.wires.faults import Gate

Answer = Callable[[str, float], bytes]  # (line, bench time at which it is answered) -> reply, empty for none
DISPLAY_IDENTITY = "ND287 SIM00006 SIM-1.0"
PROBE_MODEL = "HMT330 / SIM-1.0"
PROBE_SERIAL = "SIM00007"
LONGEST_LINE = 256


class LineSession(QueuedSession):
    """Lines end in CR, LF or both; empty lines are dropped."""

    def __init__(self, answer: Answer, gate: Gate, *, latency_s: float = 0.0) -> None:
        super().__init__(gate, latency_s)
        self._answer = answer

    def take(self, t_s: float) -> bytes | None:
        ends = [at for end in (b"\r", b"\n") if (at := self._inbox.find(end)) >= 0]
        if not ends:
            del self._inbox[:-LONGEST_LINE]
            return None
        line = self._cut(min(ends) + 1)[:-1].decode("latin-1")
        return (self._gate.message(line, t_s) or "").encode("latin-1") if line.strip() else b""

    def answer(self, message: bytes, t_s: float, /) -> bytes:
        return self._answer(message.decode("latin-1"), t_s)


class EncoderDisplay:
    """Answers ESC commands; anything else is left without an answer, as the display does."""

    def __init__(self, world: WorldInterface) -> None:
        self._world = world

    def answer(self, line: str, t_s: float) -> bytes:
        """The reply to one line, empty for an unknown command."""
        command = line[line.rfind("\x1b") :].strip(" ")
        if command == "\x1bA0000":
            return f"{DISPLAY_IDENTITY}\r\n".encode()
        if command == "\x1bA0100":
            return b"\r\n"
        if command == "\x1bA0200":
            angle_mech_deg = self._world.encoder_deg(t_s)
            if angle_mech_deg is None:
                return b"ERROR: ENCODER\r\n"
            sign = "-" if angle_mech_deg < 0 else "+"
            return f"{sign}{abs(angle_mech_deg):13.5f}\r\n".encode()
        return b""


class ClimateProbe:
    """Commands in upper or lower case; the identification carries the simulated serial."""

    def __init__(self, world: WorldInterface) -> None:
        self._world = world

    def answer(self, line: str, t_s: float) -> bytes:
        """The reply to one line."""
        match line.strip().upper():
            case "SEND":
                temperature_degc, humidity_pct = self._world.climate(t_s)
                return f"RH={humidity_pct:6.1f} %RH T={temperature_degc:6.2f} 'C\r\n".encode()
            case "ERRS":
                return b"PASS\r\nNo errors\r\n"
            case "VERS":
                return f"{PROBE_MODEL}\r\n".encode()
            case "?":
                serial = f"Serial number  : {PROBE_SERIAL}\r\n"
                return f"{PROBE_MODEL}\r\n{serial}Output mode    : STOP\r\nAddress        : 0\r\n".encode()
            case _:
                return b"Unknown command\r\n"
