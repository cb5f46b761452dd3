"""The words of an angle-encoder display on a serial port, in the manner of the ND 28x.

Written from the maker's manual: HEIDENHAIN ND 280/ND 287 User's Manual, "External operation via the data interface":
ESC A0000 CR identification, ESC A0100 CR error text, ESC A0200 CR actual position; the position is a sign, blanks,
digits with a decimal point, CR LF (layout of the ten-digit field from memory, dagger). Unit: degrees, mechanical.
It must never know the axis controller: it reads the true shaft through the world's encoder.
"""

from __future__ import annotations

from drivers.simulated.interfaces import WorldInterface

IDENTITY = "ND287 SIM00006 SIM-1.0"


class EncoderDisplay:
    """Answers ESC commands; anything else is left without an answer, as the display does."""

    def __init__(self, world: WorldInterface) -> None:
        self._world = world

    def answer(self, line: str, t_s: float) -> bytes:
        """The reply to one line, empty for an unknown command."""
        command = line[line.rfind("\x1b") :].strip(" ")
        if command == "\x1bA0000":
            return f"{IDENTITY}\r\n".encode()
        if command == "\x1bA0100":
            return b"\r\n"
        if command == "\x1bA0200":
            angle_mech_deg = self._world.encoder_deg(t_s)
            if angle_mech_deg is None:
                return b"ERROR: ENCODER\r\n"
            sign = "-" if angle_mech_deg < 0 else "+"
            return f"{sign}{abs(angle_mech_deg):13.5f}\r\n".encode()
        return b""
