"""SCPI as text in and text out: headers, numbers, overload, blocks, channel lists, the error queue's lines.

A reply becomes a number only if all of it is one number in the instrument's own notation: no decimal comma, no NaN,
nothing before or behind.
Source: IEEE 488.2-1992, 7.7 and 8.7 (NR1/NR2/NR3, arbitrary blocks); SCPI-1999 vol. 1, 6.2.1 (short and long form),
7.2.1.4 and 7.2.1.5 (9.9E37 infinity, 9.91E37 not a number), 21.8 (error queue, -350).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from rig.errors import BadReply

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
OVERLOAD_WORDS = frozenset(
    {"OL", "0L", "OVLD", "OVER", "OVERLOAD", "+OL", "-OL", "OVERRANGE", "INF", "+INF", "-INF", "INFINITY"}
)
QUEUE_LIMIT = 25
QUEUE_OVERFLOW = -350

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?", re.ASCII)
_ERROR = re.compile(r'(?P<code>[+-]?\d+)\s*,\s*"(?P<text>(?:[^"]|"")*)"', re.ASCII)
_NODE = re.compile(r"(?P<short>[A-Z*]+)(?P<rest>[a-z]*)(?P<suffix>#|\d*)")
_MULTIPLIERS = {"": 1.0, "G": 1e9, "MA": 1e6, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12}
_UNITS = ("VRMS", "VPP", "HZ", "OHM", "DEG", "DBM", "V", "A", "S")


@dataclass(frozen=True, slots=True)
class OverloadProfile:
    """How one family says over range besides 9.9E37 and the usual words: magnitudes of its own, such as 1.2E8."""

    magnitudes: tuple[float, ...] = ()

    def holds(self, value: float) -> bool:
        """True when a number is this family's word for over range, of either sign."""
        size = abs(value)
        return size >= INFINITY * 0.999 or any(math.isclose(size, m, rel_tol=1e-6) for m in self.magnitudes)


TRUEVOLT = OverloadProfile()


def parse_number(reply: str, *, of: str = "") -> float:
    """A reply that is one finite number, whole and nothing else. BadReply otherwise, overload included."""
    value = parse_reading(reply, of=of)
    if value is None:
        raise BadReply(f"over range where a number was expected: {reply!r}", exchange=of)
    return value


def parse_reading(reply: str, profile: OverloadProfile = TRUEVOLT, *, of: str = "") -> float | None:
    """One number, or None when the reply says over range in any spelling. BadReply for everything else."""
    text = reply.strip(" \t")
    if text.upper() in OVERLOAD_WORDS:
        return None
    if _COMMA.fullmatch(text):
        raise BadReply(
            f"decimal comma in {reply!r}",
            exchange=of,
            next_action="Set the instrument's locale or number format to a decimal point.",
        )
    if not _NUMBER.fullmatch(text):
        raise BadReply(f"{reply!r} is not a number", exchange=of)
    value = float(text)
    if math.isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-6):
        raise BadReply(f"{reply!r} is the word for not a number", exchange=of)
    if profile.holds(value):
        return None
    return value


def parse_integer(reply: str, *, of: str = "") -> int:
    """A reply that is one whole number, in whatever notation. BadReply otherwise."""
    value = parse_number(reply, of=of)
    if value != int(value):
        raise BadReply(f"{reply!r} is not a whole number", exchange=of)
    return int(value)


def parse_boolean(reply: str, *, of: str = "") -> bool:
    """0, 1, OFF or ON. BadReply otherwise."""
    text = reply.strip().upper()
    if text in ("1", "+1", "ON"):
        return True
    if text in ("0", "+0", "-0", "OFF"):
        return False
    raise BadReply(f"{reply!r} is neither on nor off", exchange=of)


def parse_quantity(reply: str, unit: str, *, of: str = "") -> float:
    """A number that may carry its unit with a SCPI multiplier ("10kHz", "1.414Vrms"), in `unit`.

    M is milli and MA mega, except MHZ and MOHM, which are mega (IEEE 488.2, 7.7.3). Another unit is BadReply.
    """
    text = reply.strip(" \t")
    match = _NUMBER.match(text)
    if match is None or match.end() == len(text):
        return parse_number(reply, of=of)
    suffix = text[match.end() :].strip().upper()
    if not suffix.endswith(unit.upper()) or unit.upper() not in _UNITS:
        raise BadReply(f"{reply!r} is not in {unit}", exchange=of)
    prefix = suffix.removesuffix(unit.upper())
    factor = 1e6 if prefix == "M" and unit.upper() in ("HZ", "OHM") else _MULTIPLIERS.get(prefix)
    if factor is None:
        raise BadReply(f"{reply!r}: unknown multiplier {prefix!r}", exchange=of)
    return parse_number(match.group(), of=of) * factor


def number(value: float) -> str:
    """A number as it is sent: twelve digits, a decimal point, no unit. BadReply for infinity and NaN."""
    if not math.isfinite(value):
        raise BadReply(f"{value} can't be sent to an instrument")
    return f"{value:.12g}"


def same(sent: float, read: float, *, rel: float = 1e-5, abs_: float = 1e-9) -> bool:
    """True when what was read back is what was sent, within the digits an instrument shows."""
    return math.isclose(sent, read, rel_tol=rel, abs_tol=abs_)


def split_replies(line: str, expected: int, *, of: str = "") -> list[str]:
    """The replies to several queries of one message, separated by semicolons outside quotes (488.2, 8.4.1)."""
    parts, quoted, start = [], False, 0
    for at, char in enumerate(line):
        if char == '"':
            quoted = not quoted
        elif char == ";" and not quoted:
            parts.append(line[start:at])
            start = at + 1
    parts.append(line[start:])
    if len(parts) != expected:
        raise BadReply(f"{len(parts)} replies where {expected} were expected: {line!r}", exchange=of)
    return parts


def parse_error(reply: str) -> tuple[int, str]:
    """Code and text of one entry of the error queue; +0 and 0 are both no error."""
    match = _ERROR.fullmatch(reply.strip())
    if match is None:
        raise BadReply(f"{reply!r} is no entry of an error queue", exchange="SYST:ERR?")
    return int(match["code"]), match["text"].replace('""', '"')


def drain_errors(ask: Callable[[], str]) -> list[tuple[int, str]]:
    """All entries until code 0, at most 25; a queue that repeats -350 (overflow) is left as it is."""
    found: list[tuple[int, str]] = []
    for _ in range(QUEUE_LIMIT):
        code, text = parse_error(ask())
        if code == 0 or (code == QUEUE_OVERFLOW and found and found[-1][0] == QUEUE_OVERFLOW):
            break
        found.append((code, text))
    return found


def block_length(header: bytes) -> int | None:
    """Bytes in a block by its header `#<n><length>`; None for the indefinite form `#0`. BadReply for anything else."""
    if header == b"#0":
        return None
    if len(header) < 3 or header[:1] != b"#" or not header[1:].isdigit() or len(header) != 2 + int(header[1:2]):
        raise BadReply(f"{header[:16]!r} is no header of a block", exchange="block")
    return int(header[2:])


def block(data: bytes) -> bytes:
    """The bytes of a whole block message, definite or indefinite, with or without its end of line."""
    if data[:2] == b"#0":
        return data[2:].removesuffix(b"\n")
    digits = int(data[1:2]) if data[:1] == b"#" and data[1:2].isdigit() else 0
    n = block_length(data[: 2 + digits]) or 0
    body = data[2 + digits :]
    if len(body) < n or body[n:] not in (b"", b"\n", b"\r\n"):
        raise BadReply(f"block of {n} bytes holds {len(body)}", exchange="block")
    return body[:n]


def channel_list(channels: Iterable[int]) -> str:
    """(@1101,1202) of channel numbers."""
    return "(@" + ",".join(str(channel) for channel in channels) + ")"
