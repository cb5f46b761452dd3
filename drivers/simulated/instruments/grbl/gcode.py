"""One line of G-code as grbl 1.1 reads it: words, modal groups, the error number of what it refuses.

Pure text. Rotary use: X in degrees (mechanical) in place of millimetres.
Source: gnea/grbl 1.1h, doc/markdown/commands.md and doc/csv/error_codes_en_US.csv; RS274/NGC interpreter, modal
groups. Left out and refused with error:20: arcs, tool offsets, inverse-time feed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+)?)")
_COMMENT = re.compile(r"\([^)]*\)|;.*|\(.*$")

# tenths of the number -> modal group
_G = {
    **dict.fromkeys((0, 10, 382, 383, 384, 385, 800), "motion"),
    **dict.fromkeys((40, 100, 280, 300, 530, 920, 921), "nonmodal"),
    **dict.fromkeys((170, 180, 190), "plane"),
    **dict.fromkeys((900, 910), "distance"),
    911: "arc distance",
    940: "feed",
    **dict.fromkeys((200, 210), "units"),
    **dict.fromkeys((540, 550, 560, 570, 580, 590), "coordinates"),
    400: "cutter",
    490: "length",
    610: "path",
}
_M = {
    **dict.fromkeys((0, 1, 2, 30), "stopping"),
    **dict.fromkeys((3, 4, 5), "spindle"),
    **dict.fromkeys((7, 8, 9), "coolant"),
}


class GrblError(Exception):
    """Answered as error:N."""

    def __init__(self, code: int) -> None:
        super().__init__(f"error:{code}")
        self.code = code


@dataclass
class GcodeLine:
    """groups: modal group -> tenths of the G number (or the M number); values: letter -> number."""

    groups: dict[str, int] = field(default_factory=dict)
    values: dict[str, float] = field(default_factory=dict)

    def g(self, group: str) -> int | None:
        return self.groups.get(group)

    @property
    def axes(self) -> dict[str, float]:
        return {letter: value for letter, value in self.values.items() if letter in "XYZ"}


def clean(line: str) -> str:
    """Without comments and blanks, in upper case."""
    return "".join(_COMMENT.sub("", line).split()).upper()


def parse(text: str) -> GcodeLine:
    """A cleaned line. Raises GrblError 1, 2, 20, 21, 23, 25."""
    line, place = GcodeLine(), 0
    while place < len(text):
        found = _WORD.match(text, place)
        if found is None:
            raise GrblError(1)
        if found[2] in ("", "+", "-"):
            raise GrblError(2)
        _take(line, found[1], float(found[2]))
        place = found.end()
    return line


def _take(line: GcodeLine, letter: str, value: float) -> None:
    if letter in "GM":
        group, number = _command(letter, value)
        if group in line.groups:
            raise GrblError(21)
        line.groups[group] = number
        return
    if letter not in "FIJKLNPRSTXYZ":
        raise GrblError(20)
    if letter in line.values:
        raise GrblError(25)
    if letter in "FNPST" and value < 0:
        raise GrblError(4)
    line.values[letter] = value


def _command(letter: str, value: float) -> tuple[str, int]:
    number = round(value * 10) if letter == "G" else round(value)
    exact = abs(value * (10 if letter == "G" else 1) - number) < 1e-6
    table = _G if letter == "G" else _M
    if not exact:
        raise GrblError(23)
    if number not in table:
        raise GrblError(20)
    return table[number], number
