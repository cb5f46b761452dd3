"""Faults of wires and instruments on a schedule: what goes wrong, on which command, when.

`WireFault` is one row of a world's [[faults_of_wire]]; `Gate` stands between one instrument and its wire: it sees
every message that comes in and every reply that goes out, and tells the instrument what it is to do wrong itself
(`acting`). Binary messages are matched in hexadecimal.
Kinds: drivers/simulated/wires/spoiling.py; what they copy: drivers/simulated/README.md, "Faults of wires".
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers.simulated.wires.spoiling import Outgoing, spoil
from drivers.simulated.worldfile.wire_fault import WireFault

CUTS = ("reset", "close", "silent_drop", "refuse", "slow_open", "accept_mute", "replug")


@dataclass
class _Row:
    fault: WireFault
    count: int = 0
    spent: bool = False


class Gate:
    """The faults of one instrument. `cut` and `unasked` are for the server, `storm` is set by the instrument."""

    def __init__(self, instrument: str = "", faults: Sequence[WireFault] = (), seed: int = 0) -> None:
        self._rows = [_Row(fault) for fault in faults if fault.instrument == instrument]
        self._random = random.Random(f"{seed}/{instrument}")
        self._active: list[WireFault] = []
        self._mute_until_s = -math.inf
        self._text = ""
        self._last_message_s = -math.inf
        self._first_replies: dict[str, bytes] = {}
        self._last = b""
        self.storm: Callable[[int], None] = lambda _entries: None
        self.opened: Callable[[float], None] = lambda _t_s: None  # somebody has opened the serial port
        self.reopen: Callable[[], None] = lambda: None  # set by the server: listens again after a refusal
        self.cut = ""  # what the server is to do with the connection: one of CUTS
        self.cut_s = 0.0  # for how long, wall time
        self.unasked: list[bytes] = []  # what the server is to send before the reply
        self.injected: dict[str, int] = {}  # kind -> how often it has acted
        self.messages = 0  # messages, while any fault is on the schedule

    def has(self, kind: str) -> bool:
        """Whether a kind is on the schedule at all: some change how a wire is laid."""
        return any(row.fault.kind == kind for row in self._rows)

    def acting(self, kind: str) -> WireFault | None:
        """The fault of this kind that acts on the present command, for what an instrument does wrong by itself."""
        return next((fault for fault in self._active if fault.kind == kind), None)

    def message(self, text: str, t_s: float) -> str | None:
        """The message as the instrument gets it; None when it gets nothing, "" when it only acknowledges."""
        if not self._rows:
            return text
        self.messages += 1
        self._text, before_s, self._last_message_s = text, self._last_message_s, time.monotonic()
        self._active = [row.fault for row in self._rows if self._is_due(row, text, t_s)]
        got: str | None = text
        for fault in self._active:
            self.injected[fault.kind] = self.injected.get(fault.kind, 0) + 1
            if fault.kind == "swallow" or (fault.kind == "output_off_ignored" and _is_output_off(text)):
                got = None
            elif fault.kind == "ignored" and "?" not in text:
                got = "" if got is not None else None
            elif fault.kind == "foreign" and got and isinstance(fault.value, str):
                got = f"{fault.value};{'' if got[:1] in '*:' else ':'}{got}"
            else:
                self._note(fault, t_s, self._last_message_s - before_s)
        return got

    def clear(self) -> None:
        """No faults any more."""
        self._rows, self._active, self._mute_until_s = [], [], -math.inf

    def settle(self) -> None:
        """What comes next is no answer to the message before: its faults act no longer."""
        self._active = []

    def binary(self, data: bytes, t_s: float) -> bytes | None:
        """A binary message as the instrument gets it; None when it gets nothing."""
        return None if not self.message(data.hex(" "), t_s) else data

    def reply(self, data: bytes, t_s: float) -> list[Outgoing]:
        """A reply as the wire gets it."""
        if not self._rows:
            return [Outgoing(data)]
        if t_s < self._mute_until_s or self.cut:
            return []
        out = [Outgoing(data)]
        for fault in self._active:
            remembered = self._last if fault.kind == "stale" else self._first_replies.get(self._text, data)
            out = [item for old in out for item in spoil(fault, old, self._random, remembered)]
        self._last = data
        if self.has("stuck"):
            self._first_replies.setdefault(self._text, data)
        return out

    def _note(self, fault: WireFault, t_s: float, gap_s: float) -> None:
        """What a fault does besides spoiling the reply."""
        if fault.kind == "error_storm":
            self.storm(round(fault.number(30)))
        elif fault.kind in CUTS:
            self.cut, self.cut_s = fault.kind, fault.number(0.5)
        elif fault.kind == "mute":
            self._mute_until_s = t_s + fault.number(math.inf)
        elif fault.kind == "hasty" and gap_s < fault.number(0.02):
            self._mute_until_s = math.inf
        elif fault.kind == "chatter":
            text = fault.value if isinstance(fault.value, str) else "OK\r\n"
            self.unasked.append(text.encode("latin-1"))

    def _is_due(self, row: _Row, text: str, t_s: float) -> bool:
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


def _is_output_off(text: str) -> bool:
    words = text.upper().replace("STATE", "").replace("C1:", "").split()
    return len(words) == 2 and words[0].lstrip(":").startswith("OUTP") and words[1] in ("OFF", "0")
