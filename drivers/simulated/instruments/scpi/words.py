"""The grammar of IEEE 488.2 / SCPI-99 as an instrument sees it: messages, headers, parameters, error texts.

Written from the standards, independently of our drivers: headers match in their short or long form only, relative
headers follow the node of the one before, `:` goes back to the root. Pure text; it must never know an instrument.
Source: IEEE Std 488.2-1992 chapter 7; SCPI-1999 volume 1 chapter 6 (path rules), volume 2 chapter 21 (errors).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

ERROR_TEXTS: Mapping[int, str] = {
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
}

# decimal multipliers of SCPI-1999 7.1; M is milli except before HZ and OHM, where it is mega
_MULTIPLIERS = {"": 1.0, "G": 1e9, "MA": 1e6, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12}
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)", re.IGNORECASE)


class ScpiFault(Exception):
    """One entry for the instrument's error queue; it never leaves the dialogue."""

    def __init__(self, code: int, detail: str = "") -> None:
        text = ERROR_TEXTS.get(code, "Device-specific error")
        self.code = code
        self.text = f"{text}; {detail}" if detail else text
        super().__init__(self.text)


@dataclass(frozen=True)
class HeldReply:
    """A query's answer that is not ready: `reply` is called when bench time reaches `until_s()`."""

    reply: Callable[[], str | bytes]
    until_s: Callable[[], float]


@dataclass(frozen=True)
class Busy:
    """A command without answer that keeps the parser until a bench time."""

    until_s: float


Result = str | bytes | HeldReply | Busy | None


@dataclass(frozen=True)
class Call:
    """One program message unit, matched: when, with which parameters and which numeric suffixes (default 1)."""

    t_s: float
    args: tuple[str, ...] = ()
    suffixes: tuple[int, ...] = ()

    def none(self) -> None:
        """Refuses any parameter."""
        if self.args:
            raise ScpiFault(-108)

    def text(self, index: int = 0) -> str:
        """A parameter as upper-case text without quotes; -109 when it is missing."""
        if index >= len(self.args):
            raise ScpiFault(-109)
        return self.args[index].strip("\"'").upper()

    def only(self, count: int) -> None:
        """-108 when there are more parameters than `count`."""
        if len(self.args) > count:
            raise ScpiFault(-108)

    def number(self, units: str = "", words: Mapping[str, float] | None = None, index: int = 0) -> float:
        """A number in the base unit; `words` such as MIN, MAX, DEF, INF have values of their own."""
        text = self.text(index)
        for word, value in (words or {}).items():
            if matches(word, text):
                return value
        return parse_number(text, units)

    def boolean(self, index: int = 0) -> bool:
        text = self.text(index)
        if text in ("ON", "OFF"):
            return text == "ON"
        return round(parse_number(text, "")) != 0

    def choice(self, *words: str, index: int = 0) -> str:
        """The short form of one of `words` (written as SINusoid); -224 for anything else."""
        text = self.text(index)
        for word in words:
            if matches(word, text):
                return short(word)
        raise ScpiFault(-224)


def parse_number(text: str, unit: str) -> float:
    """A decimal number with an optional multiplier and unit. Raises -104, -131 or -138."""
    found = _NUMBER.fullmatch(text.strip())
    if found is None:
        raise ScpiFault(-104)
    suffix = found[2].upper()
    if not suffix:
        return float(found[1])
    if not unit:
        raise ScpiFault(-138)
    if not suffix.endswith(unit):
        raise ScpiFault(-131)
    prefix = suffix[: -len(unit)]
    if prefix == "M" and unit in ("HZ", "OHM"):
        prefix = "MA"
    if prefix not in _MULTIPLIERS:
        raise ScpiFault(-131)
    return float(found[1]) * _MULTIPLIERS[prefix]


def short(word: str) -> str:
    """SINusoid -> SIN."""
    return "".join(c for c in word if not c.islower())


def matches(word: str, text: str) -> bool:
    """Whether text is the short or the long form of a word written as SINusoid."""
    return text.upper() in (short(word).upper(), word.upper())


def header_pattern(spec: str) -> re.Pattern[str]:
    """The header of a manual, such as `[SENSe:]VOLTage[:DC]:NPLC` or `OUTPut#[:STATe]`, as a pattern.

    `#` stands for an optional numeric suffix (a group); brackets for optional nodes.
    """
    out = []
    for token in re.findall(r"[\[\]:#]|\*?[A-Za-z]+[0-9]*", spec):
        if token == "[":
            out.append("(?:")
        elif token == "]":
            out.append(")?")
        elif token == "#":
            out.append(r"(\d*)")
        elif token == ":":
            out.append(":")
        else:
            out.append(f"(?:{re.escape(short(token))}|{re.escape(token.upper())})")
    return re.compile("".join(out))


def split_outside(text: str, separator: str) -> list[str]:
    """Splits at a separator that stands outside quotes and parentheses."""
    if separator not in text:
        return [text]
    parts, depth, quote, start = [], 0, "", 0
    for i, c in enumerate(text):
        if quote:
            quote = "" if c == quote else quote
        elif c in "\"'":
            quote = c
        elif c == "(":
            depth += 1
        elif c == ")":
            depth -= 1
        elif c == separator and depth == 0:
            parts.append(text[start:i])
            start = i + 1
    parts.append(text[start:])
    return parts


@dataclass
class Path:
    """Where relative headers of one message start (SCPI-1999 6.2.4)."""

    node: str = ""

    def resolve(self, header: str) -> str:
        """The full header from the root; remembers the node for the next unit. Common commands leave it alone."""
        if header.startswith("*"):
            return header
        full = header[1:] if header.startswith(":") else self.node + header
        self.node = full[: full.rfind(":") + 1]
        return full


def split_unit(unit: str) -> tuple[str, tuple[str, ...]]:
    """A unit as (upper-case header, parameters)."""
    header, _, rest = unit.strip().partition(" ")
    rest = rest.strip()
    args = tuple(part.strip() for part in split_outside(rest, ",")) if rest else ()
    if any(not part for part in args):
        raise ScpiFault(-103 if len(args) > 1 else -109)
    return header.upper(), args


def channel_list(text: str) -> list[int]:
    """The channels of `(@1101,1202:1204)` in order. Raises -102 for anything that is not one."""
    found = re.fullmatch(r"\(\s*@\s*([0-9,:\s]*)\)", text.strip())
    if found is None:
        raise ScpiFault(-102)
    channels: list[int] = []
    for item in found[1].split(","):
        ends = [end.strip() for end in item.split(":")]
        if not all(end.isdigit() for end in ends) or len(ends) > 2:
            raise ScpiFault(-102)
        first, last = int(ends[0]), int(ends[-1])
        step = 1 if last >= first else -1
        if abs(last - first) > 1000:
            raise ScpiFault(-222)
        channels.extend(range(first, last + step, step))
    return channels


@dataclass(frozen=True)
class Command:
    """One header with what setting and asking do; None where the form does not exist."""

    header: str
    set: Callable[[Call], Result] | None = None
    query: Callable[[Call], Result] | None = None
    pattern: re.Pattern[str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "pattern", header_pattern(self.header))


def find_command(
    table: Sequence[Command], header: str, query: bool
) -> tuple[Callable[[Call], Result], tuple[int, ...]]:
    """The handler of a resolved header and its numeric suffixes. Raises -113."""
    for command in table:
        handler = command.query if query else command.set
        if handler is not None and (found := command.pattern.fullmatch(header)):
            return handler, tuple(int(group or 1) for group in found.groups())
    raise ScpiFault(-113, header + ("?" if query else ""))
