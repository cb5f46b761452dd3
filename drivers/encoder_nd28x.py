"""Angle displays of the ND 28x kind on a serial port: a position when asked.

The display is set to degrees. Its answer carries a decimal point, or, in the layout without one, `decimals` says
where it stands. The display has its own zero and its own direction.
Source: HEIDENHAIN ND 287 User's Manual, II-5 (A0000 device identification, STX before every text, NAK for a command
it does not know, position 10 to 13 characters, CR LF); ND 281 B Manual, "Output of current value" (sign and nine
digits without a decimal point). † ESC before and CR after a command.
"""

from __future__ import annotations

import re

from drivers.link.base import Link, add_names
from drivers.link.device import LineDevice
from drivers.roles import Identity
from rig.errors import BadReply, InstrumentRefused, NoReply, WrongInstrument

STX, NAK = b"\x02", b"\x15"
_MODEL = re.compile(r"ND-?\s*2\d\d\w*", re.ASCII)
_POSITION = re.compile(r"(?P<sign>[+-]?) *(?P<whole>\d+)(?:\.(?P<part>\d+))?", re.ASCII)


class EncoderNd28x(LineDevice):
    """decimals: digits behind the point when the display sends none. Its software number stands in for a serial."""

    def __init__(self, name: str, link: str | Link, *, decimals: int | None = None) -> None:
        super().__init__(name, link)
        self._decimals = decimals

    def _identify(self) -> Identity:
        lines = [self._ask("A0000")]
        while (more := self._link.poll_line(0.05)) is not None:
            lines.append(more.decode("ascii", "replace").strip())
        return self._parse_identity(lines)

    def angle_mech_deg(self) -> float:
        """The displayed position, mechanical degrees. BadReply for anything that is not one."""
        return self._again(self._angle)

    def safe_state(self) -> None:
        """It only reads: nothing to switch off."""

    def _angle(self) -> float:
        reply = self._ask("A0200")
        match = _POSITION.fullmatch(reply.strip(" "))
        if match is None:
            raise BadReply(
                f"{reply!r} is no position",
                instrument=self._name,
                exchange="A0200",
                next_action="Read the display: it shows what is wrong with the encoder.",
            )
        return self._degrees(match, reply)

    def _degrees(self, match: re.Match[str], reply: str) -> float:
        sign = -1.0 if match["sign"] == "-" else 1.0
        if match["part"] is not None:
            return sign * float(f"{match['whole']}.{match['part']}")
        if self._decimals is None:
            raise BadReply(
                f"{reply!r} has no decimal point",
                instrument=self._name,
                exchange="A0200",
                next_action="Give `decimals` in the bench file.",
            )
        return sign * float(int(match["whole"])) / float(10**self._decimals)

    def _ask(self, command: str) -> str:
        """One command, one line; a second line or an unasked one throws the exchange away."""
        if self._link.dirty or self._link.read_available():
            self._resynchronise()
        self._link.write(b"\x1b" + command.encode("ascii") + b"\r")
        try:
            line = self._link.read_line(1.0)
        except NoReply as fault:
            raise add_names(fault, self._name, command) from fault
        if line.startswith(NAK):
            raise InstrumentRefused("does not know the command", instrument=self._name, exchange=command)
        try:
            return line.removeprefix(STX).decode("ascii")
        except UnicodeDecodeError as fault:
            raise BadReply(f"{line!r} is no text", instrument=self._name, exchange=command) from fault

    def _resynchronise(self) -> None:
        """Throws away what is late: the identification is the marker behind which a position is a new one."""
        self._link.drain()
        self._link.write(b"\x1bA0000\r")
        while not _MODEL.match(self._link.read_line(1.0).removeprefix(STX).decode("ascii", "replace")):
            continue
        self._link.drain()
        self._link.dirty = False

    def _parse_identity(self, lines: list[str]) -> Identity:
        words = " ".join(lines).split()
        if not words or not _MODEL.fullmatch(words[0]):
            raise WrongInstrument(
                f"{lines} answers where an ND 28x was expected", instrument=self._name, exchange="A0000"
            )
        rest = [*words[1:], "", ""]
        return Identity(maker="HEIDENHAIN", model=words[0], serial=rest[0], firmware=rest[1])
