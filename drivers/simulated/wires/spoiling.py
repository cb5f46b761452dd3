"""The kinds of faults, each with what it does, and how those that spoil a reply do so.

Pure. Kinds that an instrument does by itself (the last groups) are asked for by the dialogues through `Gate.acting`;
`value` is the number or text of the fault's row.
Source: drivers/simulated/README.md, "Faults of wires".
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from drivers.simulated.worldfile.wire_fault import WireFault

OTHER_IDN = "Sample Instruments,Model 1,SIM99999,0.1"


@dataclass(frozen=True)
class Outgoing:
    """Bytes for the wire after a delay in bench time and one in wall time."""

    data: bytes
    bench_delay_s: float = 0.0
    wall_delay_s: float = 0.0


def spoil(fault: WireFault, old: Outgoing, chance: random.Random, remembered: bytes) -> list[Outgoing]:
    """What the wire gets in place of one reply. remembered: an earlier reply, for `stuck` and `stale`."""
    data, kind = old.data, fault.kind
    match kind:
        case "delay":
            return [replace(old, bench_delay_s=old.bench_delay_s + fault.number(1.0))]
        case "late" | "quantise":
            return [replace(old, wall_delay_s=old.wall_delay_s + fault.number(1.0 if kind == "late" else 0.016))]
        case "drop":
            return []
        case "duplicate":
            return [old, old]
        case "segments":
            gap_s = fault.number(0.002)
            return [Outgoing(data[i : i + 1], old.bench_delay_s, gap_s * i) for i in range(len(data))]
        case "alarm":
            return [Outgoing(f"ALARM:{fault.number(1):.0f}\r\n".encode())]
        case _:
            return [replace(old, data=_spoil(fault, data, chance, remembered))]


def _spoil(fault: WireFault, data: bytes, chance: random.Random, old: bytes) -> bytes:
    body = data.rstrip(b"\r\n")
    end = data[len(body) :]
    text = fault.value.encode("latin-1") if isinstance(fault.value, str) else None
    match fault.kind:
        case "truncate":
            return data[: round(fault.number(len(data) // 2))]
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
            return _garble(body, chance) + end
        case "drop_chars":
            return _thinned(body, round(fault.number(1)), chance) + end
        case "stuck" | "stale":
            return old or data
        case "checksum":
            return data[:-1] + bytes([(data[-1] + 1) & 0xFF]) if data else data
        case "block_short" | "block_long" | "page_short":
            return _lying(fault.kind, data, round(fault.number(10)))
        case _:
            return data


def _garble(body: bytes, chance: random.Random) -> bytes:
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
        half = n // 2 & ~1
        return before + b"#" + str(digits).encode() + f"{half:0{digits}d}".encode() + rest[:half] + rest[n:]
    stated = max(0, n - by) if kind == "block_short" else n + by
    return before + b"#" + str(digits).encode() + f"{stated:0{digits}d}".encode() + rest
