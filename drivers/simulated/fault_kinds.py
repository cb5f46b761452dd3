"""The kinds of faults, each with what it does, and how those that spoil a reply do so. Pure.

It must never know a schedule, a wire or an instrument. Kinds that an instrument does by itself (the last groups) are
asked for by the dialogues through `Gate.acting`; `value` is the number or text of the fault's row.
Source: public reports as listed in the design pages ("Pitfalls from public bug reports", "Fault injections").
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from typing import Literal, get_args

Kind = Literal[
    # the reply
    "delay",  # it comes `value` s of bench time later
    "late",  # it comes `value` s of wall time later (past a link's deadline)
    "quantise",  # it comes `value` s of wall time later (default 0.016: a USB adapter's latency timer)
    "drop",  # it does not come
    "duplicate",  # it comes twice
    "truncate",  # only its first `value` bytes (default half), no terminator
    "segments",  # in one-byte segments, `value` s of wall time apart (default 0.002)
    "terminator",  # it ends in `value` instead of its own terminator
    "extra",  # `value` is added after it
    "decimal_comma",  # 1.5 becomes 1,5
    "overload",  # it is `value` (default +9.9E+37)
    "text",  # it is `value` (default NAN), whatever was asked
    "wrong_idn",  # it is another instrument's identification, `value` or a made-up one
    "garble",  # one byte of it is replaced
    "drop_chars",  # `value` of its characters (default 1) are lost
    "stuck",  # it is what the same question was answered the first time
    "stale",  # it is the reply to the command before
    "checksum",  # its last byte is wrong
    "block_short",  # the header of a block promises `value` bytes less (default 10)
    "block_long",  # the header of a block promises `value` bytes more (default 10)
    "page_short",  # a block holds half of what was asked, with an honest header
    # the command
    "swallow",  # it is not executed and not answered
    "ignored",  # a setting is acknowledged and not executed
    "output_off_ignored",  # OUTP OFF does nothing
    "foreign",  # somebody else sends `value` just before it
    "chatter",  # `value` (default OK) is sent unasked
    "error_storm",  # `value` entries (default 30) appear in the error queue
    "hasty",  # a command that follows the one before within `value` s of wall time (default 0.02) hangs it for ever
    "mute",  # no reply from here on, for `value` s of bench time (default for ever)
    # the connection
    "reset",  # it is reset (TCP RST)
    "close",  # it is closed (TCP FIN)
    "silent_drop",  # it stays, but nothing passes any more
    "refuse",  # it is reset, and refused for `value` s of wall time (default 0.5)
    "slow_open",  # it is reset, and the next one is served `value` s late
    "accept_mute",  # it is reset, and what the next one says within `value` s is lost
    "replug",  # a serial port vanishes and comes back `value` s later under a new name, with the same link to it
    "reset_on_open",  # opening the serial port resets the board
    # the axis
    "alarm",  # grbl: ALARM:`value` (default 1) in place of the reply, and silence after 1 and 2
    "lost_steps",  # `value` full steps (default 4) are lost, silently
    "missed_index",  # the index mark is not seen
    "door",  # the controller's door input opens: held until resumed
    "estop",  # its reset input is touched: position wrong, no alarm
    "eeprom",  # the `value` characters (default 35) that follow a $n= are lost
    "status",  # TMCL: the reply's status is `value` (default 4)
    # the sampler
    "gap",  # `value` samples (default 7) are missing in mid-record
    "overflow",  # the record's buffer has overflowed, and it says so
    "channel_swap",  # sine and cosine are exchanged
    "skew_step",  # cosine is `value` samples later (default 1)
    "gain_step",  # sine is `value` times itself (default 0.5)
    "clip",  # codes beyond `value` of full scale (default 0.25) are cut
]
KINDS: tuple[str, ...] = get_args(Kind)
OTHER_IDN = "Sample Instruments,Model 1,SIM99999,0.1"


@dataclass(frozen=True)
class Outgoing:
    """Bytes for the wire after a delay in bench time and one in wall time."""

    data: bytes
    bench_delay_s: float = 0.0
    wall_delay_s: float = 0.0


def value_of(value: float | str | None, default: float) -> float:
    """The number of a row, or the default."""
    return default if value is None or isinstance(value, str) else float(value)


def spoil(
    kind: str, value: float | str | None, old: Outgoing, chance: random.Random, remembered: bytes
) -> list[Outgoing]:
    """What the wire gets in place of one reply. remembered: an earlier reply, for `stuck` and `stale`."""
    data = old.data
    body = data.rstrip(b"\r\n")
    end = data[len(body) :]
    text = value.encode("latin-1") if isinstance(value, str) else None
    match kind:
        case "delay":
            return [replace(old, bench_delay_s=old.bench_delay_s + value_of(value, 1.0))]
        case "late" | "quantise":
            return [replace(old, wall_delay_s=old.wall_delay_s + value_of(value, 1.0 if kind == "late" else 0.016))]
        case "drop":
            return []
        case "duplicate":
            return [old, old]
        case "segments":
            gap_s = value_of(value, 0.002)
            return [Outgoing(data[i : i + 1], old.bench_delay_s, gap_s * i) for i in range(len(data))]
        case "alarm":
            return [Outgoing(f"ALARM:{value_of(value, 1):.0f}\r\n".encode())]
        case _:
            return [replace(old, data=_changed(kind, value, text, body, end, chance, remembered))]


def _changed(
    kind: str, value: float | str | None, text: bytes | None, body: bytes, end: bytes, chance: random.Random, old: bytes
) -> bytes:
    data = body + end
    match kind:
        case "truncate":
            return data[: round(value_of(value, len(data) // 2))]
        case "terminator":
            return body + (text or b"")
        case "extra":
            return data + (text or b"")
        case "decimal_comma":
            before, block, rest = data.partition(b"#")  # a locale writes numbers; the bytes of a block are none
            return before.replace(b".", b",") + block + rest
        case "overload":
            return (b"+9.9E+37" if text is None else text) + end
        case "text":
            return (b"NAN" if text is None else text) + end
        case "wrong_idn":
            return (OTHER_IDN.encode() if text is None else text) + end
        case "garble":
            return _garbled(body, chance) + end
        case "drop_chars":
            return _thinned(body, round(value_of(value, 1)), chance) + end
        case "stuck" | "stale":
            return old or data
        case "checksum":
            return data[:-1] + bytes([(data[-1] + 1) & 0xFF]) if data else data
        case "block_short" | "block_long" | "page_short":
            return _lying(kind, data, round(value_of(value, 10)))
        case _:
            return data


def _garbled(body: bytes, chance: random.Random) -> bytes:
    if not body:
        return body
    place = chance.randrange(len(body))
    other = [byte for byte in range(0x21, 0x7F) if byte != body[place]]
    return body[:place] + bytes([chance.choice(other)]) + body[place + 1 :]


def _thinned(body: bytes, count: int, chance: random.Random) -> bytes:
    lost = set(chance.sample(range(len(body)), min(count, len(body))))
    return bytes(byte for i, byte in enumerate(body) if i not in lost)


def _lying(kind: str, data: bytes, by: int) -> bytes:
    """A definite block whose header lies, or that is cut short and says so. Other replies stay as they are."""
    at = data.find(b"#")
    before, data = data[: max(at, 0)], data[max(at, 0) :]
    digits = int(data[1:2]) if data[:1] == b"#" and data[1:2].isdigit() else 0
    if not digits or (before and not before.endswith(b";")):  # text units may stand in front, as 488.2 has it
        return before + data
    head, rest = data[2 : 2 + digits], data[2 + digits :]
    n = int(head)
    if kind == "page_short":
        kept = n // 2 & ~1
        return before + b"#" + str(digits).encode() + f"{kept:0{digits}d}".encode() + rest[:kept] + rest[n:]
    told = max(0, n - by) if kind == "block_short" else n + by
    return before + b"#" + str(digits).encode() + f"{told:0{digits}d}".encode() + rest
