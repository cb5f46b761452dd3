"""Temperature and humidity transmitters of the HMT330 kind on a serial port, in STOP mode.

An echo of the command and the prompt ">" are taken for what they are.
Source: Vaisala HMT330 User's Guide M210566EN, "Serial Line Communication" (SEND; default output "RH= 98.4 %RH T= 31.1
'C"; ERR fields of asterisks †); the lines of "?" † (model, serial number).
"""

from __future__ import annotations

import re
import time

from drivers.link.base import add_names
from drivers.link.device import LineDevice
from drivers.roles import ClimateReading, Identity
from rig.errors import BadReply, NoReply, WrongInstrument

_READING = re.compile(r"RH= *(?P<rh>\d+\.\d+) *%RH\s+T= *(?P<t>-?\d+\.\d+) *'C", re.ASCII)
_SERIAL = re.compile(r"serial number *: *(?P<serial>\S+)", re.IGNORECASE)
_MODEL = re.compile(r"(?P<model>HM[TP]\d+\w*) */ *(?P<firmware>\S+)", re.IGNORECASE)


class ClimateHmt(LineDevice):
    """Metric units; other units are refused, not converted."""

    def read(self) -> ClimateReading:
        """Temperature in degC and relative humidity in percent. BadReply for a fault, another unit or a part of it."""
        return self._again(self._read)

    def safe_state(self) -> None:
        """It only reads: nothing to switch off."""

    def _read(self) -> ClimateReading:
        line = self._send("SEND", 1.0)[0]
        match = _READING.fullmatch(line)
        if match is None:
            raise BadReply(
                f"{line!r} is no reading in %RH and 'C",
                instrument=self._name,
                exchange="SEND",
                next_action="Set UNIT M and FORM / on the transmitter; ERRS tells its faults.",
            )
        degc, percent = float(match["t"]), float(match["rh"])
        if not (-70.0 <= degc <= 180.0 and 0.0 <= percent <= 100.0):
            raise BadReply(f"{line!r} is beyond the transmitter's range", instrument=self._name, exchange="SEND")
        return ClimateReading(temperature_degc=degc, humidity_pct=percent)

    def _identify(self) -> Identity:
        lines = self._send("?", 1.0)
        while (more := self._link.poll_line(0.05)) is not None:
            lines.append(more.decode("ascii", "replace").strip())
        model = next((match for line in lines if (match := _MODEL.search(line))), None)
        if model is None:
            raise WrongInstrument(
                f"{lines} answers where an HMT transmitter was expected", instrument=self._name, exchange="?"
            )
        serial = next((match["serial"] for line in lines if (match := _SERIAL.search(line))), "")
        return Identity(maker="Vaisala", model=model["model"], serial=serial, firmware=model["firmware"])

    def _resynchronise(self) -> None:
        """Throws away what is late: the identification is the marker behind which a reading is a new one."""
        self._link.drain()
        self._link.write(b"?\r")
        while not _MODEL.search(self._link.read_line(1.0).decode("ascii", "replace")):
            continue
        self._link.drain()
        self._link.dirty = False

    def _send(self, command: str, deadline_s: float) -> list[str]:
        """The first line that says something, in a list that the caller may extend."""
        if self._link.dirty:
            self._resynchronise()
        self._link.read_available()
        self._link.write(command.encode("ascii") + b"\r")
        end_s = time.monotonic() + deadline_s
        while (left_s := end_s - time.monotonic()) > 0:
            try:
                line = self._link.read_line(left_s)
            except NoReply as fault:
                raise add_names(fault, self._name, command) from fault
            try:
                text = line.decode("ascii").lstrip("> ").strip()
            except UnicodeDecodeError as fault:
                raise BadReply(f"{line[:16]!r} is no text", instrument=self._name, exchange=command) from fault
            if text and text.upper() != command:
                return [text]
        raise NoReply(f"no answer within {deadline_s:g} s", instrument=self._name, exchange=command)
