"""The words of a temperature and humidity transmitter on a serial port, in the manner of the HMT330 series.

Written from the maker's manual: Vaisala HMT330 Series User's Guide, "Serial line communication": SEND, ERRS, VERS, ?,
SERI/FORM left out; STOP mode, echo off. SEND answers `RH=  45.0 %RH T=  22.0 'C` CR LF. `?` answers several lines
whose first is the model and software, the second the serial number (layout from memory, dagger).
It must never know the part: it reads the air.
"""

from __future__ import annotations

from drivers.simulated.interfaces import WorldInterface

MODEL = "HMT330 / SIM-1.0"
SERIAL = "SIM00007"


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
                return f"{MODEL}\r\n".encode()
            case "?":
                return (
                    f"{MODEL}\r\nSerial number  : {SERIAL}\r\nOutput mode    : STOP\r\nAddress        : 0\r\n".encode()
                )
            case _:
                return b"Unknown command\r\n"
