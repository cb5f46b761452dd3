"""A serial port: serial:///dev/serial/by-id/... or serial:///dev/pts/4, options after a question mark.

Options: baud (115200), bits (8), parity (N, E, O), stop (1, 2), dtr (1, 0: hold the line low so that a board is not
reset). Opened exclusively (a second opener is refused, not garbled); a port that hangs up is LinkDown at once. What
arrived before it was opened is thrown away: the port may open in mid-line.
Source: POSIX general terminal interface (termios, HUPCL); pyserial documentation, "Serial" (exclusive, in_waiting).
"""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import serial

from drivers.link.base import BufferedLink
from drivers.link.same_port import SamePort
from rig.errors import NoReply, UsageError
from rig.system import PORT_FAULTS, keep_line_on_close

OPENING_QUIET_S = 0.02
OPTIONS = {"baud": "115200", "bits": "8", "parity": "N", "stop": "1", "dtr": "1"}


class SerialLink(BufferedLink):
    """One port, held by one owner."""

    def __init__(self, url: str, name: str = "", terminator: bytes = b"\n") -> None:
        super().__init__(url, name, terminator)
        self._path, self._options = path_and_options(url)
        self._port: serial.Serial | None = None
        self._same = SamePort(self._path)

    @property
    def is_open(self) -> bool:
        return self._port is not None

    def _connect(self) -> None:
        port = serial.Serial()
        port.port = self._path
        port.baudrate = int(self._options["baud"])
        port.bytesize = int(self._options["bits"])
        port.parity = self._options["parity"]
        port.stopbits = int(self._options["stop"])
        port.exclusive = True
        port.timeout = 0.1
        port.write_timeout = 2.0
        if self._options["dtr"] == "0":
            port.dtr = False
        try:
            self._same.check()
            port.open()
            if self._options["dtr"] == "0":
                keep_line_on_close(port.fileno())
        except (*PORT_FAULTS, ValueError) as fault:
            port.close()
            raise self._down("can't open the port", _reason(fault)) from fault
        self._port = port
        self.drain(OPENING_QUIET_S)

    def _disconnect(self) -> None:
        port, self._port = self._port, None
        if port is None:
            return
        try:
            port.close()
        except PORT_FAULTS:
            return  # the port is gone already; there is nothing left to close

    def _send(self, data: bytes, deadline_s: float) -> None:
        port = self._wire()
        try:
            port.write_timeout = deadline_s
            port.write(data)
        except serial.SerialTimeoutException as fault:
            raise NoReply(
                f"does not take {len(data)} bytes within {deadline_s:g} s",
                instrument=self.name,
                next_action="Check flow control and that it is switched on.",
            ) from fault
        except PORT_FAULTS as fault:
            raise self._down("the port was lost while writing", _reason(fault)) from fault

    def _receive(self, timeout_s: float) -> bytes:
        port = self._wire()
        try:
            waiting = port.in_waiting
            if waiting:
                return port.read(waiting)
            if timeout_s <= 0:
                return b""
            port.timeout = timeout_s
            first = port.read(1)
            return first + port.read(port.in_waiting) if first else b""
        except (*PORT_FAULTS, TypeError) as fault:
            raise self._down("the port was lost while reading", _reason(fault)) from fault

    def _wire(self) -> serial.Serial:
        if self._port is None:
            raise self._down("the port is closed")
        return self._port


def path_and_options(url: str) -> tuple[str, dict[str, str]]:
    """Device path and options of a serial:// address; UsageError for an unknown or impossible one."""
    parts = urlsplit(url)
    path = parts.netloc + parts.path
    if parts.scheme != "serial" or not path:
        raise UsageError(f"link {url!r} is not serial:///path.", next_action="Write serial:///dev/serial/by-id/...")
    parsed = {key: values[-1] for key, values in parse_qs(parts.query, keep_blank_values=True).items()}
    unknown = sorted(set(parsed) - set(OPTIONS))
    if unknown:
        raise UsageError(f"link {url!r}: unknown option {unknown[0]!r}.", next_action=f"Known: {', '.join(OPTIONS)}.")
    options = OPTIONS | parsed
    options["parity"] = options["parity"].upper()
    fits = (
        options["baud"].isdigit()
        and int(options["baud"]) > 0
        and options["bits"] in ("5", "6", "7", "8")
        and options["parity"] in ("N", "E", "O")
        and options["stop"] in ("1", "2")
        and options["dtr"] in ("0", "1")
    )
    if not fits:
        raise UsageError(f"link {url!r}: an option is out of its range.", next_action="See serial_port.py.")
    return path, options


def _reason(fault: BaseException) -> str:
    return str(fault) or type(fault).__name__
