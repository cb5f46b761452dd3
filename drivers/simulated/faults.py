"""Faults of wires and instruments on a schedule: what goes wrong, on which command, when.

`WireFault` is one row of a world's [[faults_of_wire]]; `Gate` stands between one instrument and its wire: it sees
every message that comes in and every reply that goes out. It must never know what the instrument measures.
Kinds and what they copy from public reports: instruments of the design pages, "Fault injections"; fixtures/README.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from pydantic import Field, model_validator

from rig.description import Strict

Kind = Literal[
    "delay",  # the reply comes `value` s of bench time later
    "late",  # the reply comes `value` s of wall time later (past a link's deadline)
    "drop",  # no reply
    "duplicate",  # the reply comes twice
    "truncate",  # only the first `value` bytes of the reply (default half), no terminator
    "segments",  # the reply in one-byte segments, `value` s of wall time apart (default 0.002)
    "terminator",  # the reply ends in `value` instead of its own terminator
    "extra",  # `value` is added after the reply
    "decimal_comma",  # 1.5 becomes 1,5
    "overload",  # the reply is `value` (default +9.9E+37)
    "garble",  # one byte of the reply is replaced
    "swallow",  # the command is not executed and not answered
    "output_off_ignored",  # OUTP OFF does nothing
    "error_storm",  # `value` entries (default 30) appear in the error queue
    "reset",  # the connection is reset (TCP RST)
    "close",  # the connection is closed (TCP FIN)
    "mute",  # no reply from here on, for `value` s of bench time (default for ever)
    "alarm",  # grbl: ALARM:`value` (default 1) in place of the reply
]
INSTRUMENTS = ("multimeter", "generator", "sampler", "axis", "encoder", "switch", "interlock", "climate")


class WireFault(Strict):
    """One fault. Without nth, every, at_s and probability it acts on every command.

    nth: on that command of the instrument, counted from 1. every: on each such multiple. at_s: once, on the first
    command at or after that bench time. probability: at random, from the world's seed. match: only commands that
    contain this text are counted.
    """

    instrument: str
    kind: Kind
    nth: int | None = Field(default=None, ge=1)
    every: int | None = Field(default=None, ge=1)
    at_s: float | None = None
    probability: float | None = Field(default=None, ge=0.0, le=1.0)
    match: str = ""
    value: float | str | None = None

    @model_validator(mode="after")
    def _known(self) -> WireFault:
        if self.instrument not in INSTRUMENTS:
            raise ValueError(f"instrument must be one of {', '.join(INSTRUMENTS)}, not {self.instrument!r}")
        return self


KINDS: tuple[str, ...] = get_args(Kind)


@dataclass(frozen=True)
class Outgoing:
    """Bytes for the wire after a delay in bench time and one in wall time."""

    data: bytes
    bench_delay_s: float = 0.0
    wall_delay_s: float = 0.0


@dataclass
class _Row:
    fault: WireFault
    count: int = 0
    spent: bool = False


class Gate:
    """The faults of one instrument. `cut` and `storm` are set by the server and the instrument."""

    def __init__(self, instrument: str = "", faults: Sequence[WireFault] = (), seed: int = 0) -> None:
        self._rows = [_Row(fault) for fault in faults if fault.instrument == instrument]
        self._random = random.Random(f"{seed}/{instrument}")
        self._active: list[WireFault] = []
        self._mute_until_s = float("-inf")
        self.storm: Callable[[int], None] = lambda _entries: None
        self.cut: str = ""  # "reset" or "close": what the server is to do with the connection

    def message(self, text: str, t_s: float) -> str | None:
        """The message as the instrument gets it; None when it gets nothing."""
        if not self._rows:
            return text
        self._active = [row.fault for row in self._rows if self._acts(row, text, t_s)]
        for fault in self._active:
            if fault.kind == "swallow" or (fault.kind == "output_off_ignored" and _is_output_off(text)):
                return None
            if fault.kind == "error_storm":
                self.storm(round(_number(fault, 30)))
            elif fault.kind in ("reset", "close"):
                self.cut = fault.kind
            elif fault.kind == "mute":
                self._mute_until_s = t_s + _number(fault, float("inf"))
        return text

    def reply(self, data: bytes, t_s: float) -> list[Outgoing]:
        """A reply as the wire gets it."""
        if not self._rows:
            return [Outgoing(data)]
        if t_s < self._mute_until_s or self.cut:
            return []
        out = [Outgoing(data)]
        for fault in self._active:
            out = [item for old in out for item in self._spoil(fault, old)]
        return out

    def _acts(self, row: _Row, text: str, t_s: float) -> bool:
        fault = row.fault
        if row.spent or (fault.match and fault.match.upper() not in text.upper()):
            return False
        row.count += 1
        if fault.nth is not None:
            return row.count == fault.nth
        if fault.every is not None:
            return row.count % fault.every == 0
        if fault.at_s is not None:
            row.spent = t_s >= fault.at_s
            return row.spent
        return fault.probability is None or self._random.random() < fault.probability

    def _spoil(self, fault: WireFault, old: Outgoing) -> list[Outgoing]:
        data, text = old.data, fault.value if isinstance(fault.value, str) else ""
        body = data.rstrip(b"\r\n")
        end = data[len(body) :]
        match fault.kind:
            case "delay":
                return [Outgoing(data, old.bench_delay_s + _number(fault, 1.0), old.wall_delay_s)]
            case "late":
                return [Outgoing(data, old.bench_delay_s, old.wall_delay_s + _number(fault, 1.0))]
            case "drop":
                return []
            case "duplicate":
                return [old, old]
            case "truncate":
                return [Outgoing(data[: round(_number(fault, len(data) // 2))])]
            case "segments":
                gap_s = _number(fault, 0.002)
                return [Outgoing(data[i : i + 1], old.bench_delay_s, gap_s * i) for i in range(len(data))]
            case "terminator":
                return [Outgoing(body + text.encode("latin-1"))]
            case "extra":
                return [Outgoing(data + text.encode("latin-1"))]
            case "decimal_comma":
                return [Outgoing(data.replace(b".", b","))]
            case "overload":
                spelling = "+9.9E+37" if fault.value is None else text
                return [Outgoing(spelling.encode("latin-1") + end)]
            case "garble":
                return [Outgoing(self._garbled(body) + end)]
            case "alarm":
                return [Outgoing(f"ALARM:{_number(fault, 1):.0f}\r\n".encode())]
            case _:
                return [old]

    def _garbled(self, body: bytes) -> bytes:
        if not body:
            return body
        place = self._random.randrange(len(body))
        return body[:place] + bytes([self._random.randrange(0x21, 0x7F)]) + body[place + 1 :]


def _number(fault: WireFault, default: float) -> float:
    return float(fault.value) if isinstance(fault.value, int | float) else default


def _is_output_off(text: str) -> bool:
    words = text.upper().replace("STATE", "").split()
    return len(words) == 2 and words[0].lstrip(":").startswith("OUTP") and words[1] in ("OFF", "0")
