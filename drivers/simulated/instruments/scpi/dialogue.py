"""An IEEE 488.2 instrument's common part: status registers, error queue, common commands, one parser a client.

`ScpiInstrument` holds what all clients share, `ScpiSession` one client's message exchange: one message unit after
another in bench time; a query that has to wait holds the units behind it, as a real parser does. Source: IEEE Std
488.2-1992 chapters 6, 10 and 11 (status byte, standard event register, common commands); SCPI-1999 volume 2 21.8
(error queue).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from drivers.simulated.instruments.scpi.words import (
    Busy,
    Call,
    Command,
    HeldReply,
    Path,
    Result,
    ScpiFault,
    find_command,
    split_outside,
    split_unit,
)
from drivers.simulated.wires.faults import Gate

QUEUE_LENGTH = 20
INPUT_LIMIT = 65_536


class ScpiInstrument:
    """What all clients of one instrument share. Subclasses add rows to `table` and say when operations end."""

    identity = ""

    def __init__(self) -> None:
        self.errors: deque[tuple[int, str]] = deque()
        self.esr = 128
        self.ese = 0
        self.sre = 0
        self.remote = False
        self._opc_armed = False
        self._handlers: dict[tuple[str, bool], tuple[Callable[[Call], Result], tuple[int, ...]]] = {}
        self.table: list[Command] = self._common()

    # what subclasses override -----------------------------------------------------------------------------------
    def operations_end_s(self) -> float:
        """Bench time at which overlapped operations are complete; -inf for none, inf while a trigger is missing."""
        return -math.inf

    def reset(self, t_s: float, /) -> None:
        """*RST."""

    def clear(self, t_s: float, /) -> None:
        """Device clear: subclasses abort what is under way."""

    def trigger(self, _t_s: float, /) -> None:
        """*TRG."""
        raise ScpiFault(-211)

    # errors and status -------------------------------------------------------------------------------------
    def push(self, code: int, text: str) -> None:
        """Into the queue; when it is full the last entry becomes -350."""
        bit = 32 if -199 <= code <= -100 else 16 if -299 <= code <= -200 else 4 if -499 <= code <= -400 else 8
        self.esr |= bit
        if len(self.errors) >= QUEUE_LENGTH:
            self.errors[-1] = (-350, "Queue overflow")
        else:
            self.errors.append((code, text))

    def storm(self, entries: int) -> None:
        """Fault injection: that many entries at once."""
        for i in range(entries):
            self.push(-300 - i % 10, "Device-specific error")

    def status_byte(self, t_s: float) -> int:
        self.settle(t_s)
        byte = (4 if self.errors else 0) | (32 if self.esr & self.ese else 0)
        return byte | (64 if byte & self.sre & 0xBF else 0)

    def settle(self, t_s: float) -> None:
        """Sets the operation complete bit once *OPC's operations have ended."""
        if self._opc_armed and self.operations_end_s() <= t_s:
            self._opc_armed = False
            self.esr |= 1

    def execute(self, header: str, query: bool, call: Call) -> Result:
        """One resolved unit. Raises ScpiFault."""
        key = (header, query)
        found = self._handlers.get(key)
        if found is None:
            found = self._handlers[key] = find_command(self.table, header, query)
        handler, suffixes = found
        return handler(Call(call.t_s, call.args, suffixes))

    # common commands ---------------------------------------------------------------------------------------
    def _common(self) -> list[Command]:
        done = self.operations_end_s
        return [
            Command("*IDN", query=lambda _: self.identity),
            Command("*RST", set=self._rst),
            Command("*CLS", set=self._cls),
            Command("*ESR", query=self._take_esr),
            Command("*ESE", set=self._set_ese, query=lambda _: f"{self.ese:+d}"),
            Command("*SRE", set=self._set_sre, query=lambda _: f"{self.sre:+d}"),
            Command("*STB", query=lambda c: f"{self.status_byte(c.t_s):+d}"),
            Command("*OPC", set=self._arm_opc, query=lambda _: HeldReply(lambda: "1", done)),
            Command("*WAI", set=lambda _: HeldReply(lambda: b"", done)),
            Command("*TST", query=lambda _: "+0"),
            Command("*TRG", set=lambda c: self.trigger(c.t_s)),
            Command("SYSTem:ERRor[:NEXT]", query=self._next_error),
            Command("SYSTem:ERRor:COUNt", query=lambda _: f"{len(self.errors):+d}"),
            Command("SYSTem:VERSion", query=lambda _: "1999.0"),
            Command("SYSTem:REMote", set=lambda _: self._set_remote(True)),
            Command("SYSTem:RWLock", set=lambda _: self._set_remote(True)),
            Command("SYSTem:LOCal", set=lambda _: self._set_remote(False)),
            Command("SYSTem:BEEPer[:IMMediate]", set=lambda _: None),
        ]

    def _rst(self, call: Call) -> None:
        self._opc_armed = False
        self.reset(call.t_s)

    def _cls(self, _call: Call) -> None:
        self.errors.clear()
        self.esr = 0
        self._opc_armed = False

    def _take_esr(self, call: Call) -> str:
        self.settle(call.t_s)
        value, self.esr = self.esr, 0
        return f"{value:+d}"

    def _register(self, call: Call) -> int:
        value = round(call.number())
        if not 0 <= value <= 255:
            raise ScpiFault(-222)
        return value

    def _set_ese(self, call: Call) -> None:
        self.ese = self._register(call)

    def _set_sre(self, call: Call) -> None:
        self.sre = self._register(call)

    def _arm_opc(self, call: Call) -> None:
        self._opc_armed = True
        self.settle(call.t_s)

    def _next_error(self, _call: Call) -> str:
        code, text = self.errors.popleft() if self.errors else (0, "No error")
        return f'{code:+d},"{text}"'

    def _set_remote(self, remote: bool) -> None:
        self.remote = remote


class ClientSession:
    """One client's message exchange with an instrument.

    terminator: what ends a reply. clear_byte: a byte that is a device clear (0x03 on RS-232), or none.
    command_s: bench time that every message costs before it is executed.
    """

    def __init__(
        self,
        instrument: ScpiInstrument,
        gate: Gate,
        *,
        terminator: bytes = b"\n",
        clear_byte: bytes = b"",
        command_s: float = 0.0,
    ) -> None:
        self._instrument = instrument
        self._gate = gate
        self._terminator = terminator
        self._clear_byte = clear_byte
        self._command_s = command_s
        self._inbox = bytearray()
        self._units: deque[str] = deque()
        self._path = Path()
        self._answers: list[bytes] = []
        self._in_message = False
        self._held: HeldReply | None = None
        self._free_s = -math.inf

    def receive(self, data: bytes, t_s: float, /) -> None:
        if self._clear_byte and self._clear_byte in data:
            data = data[data.rindex(self._clear_byte) + 1 :]
            self._device_clear(t_s)
        self._inbox += data
        if len(self._inbox) > INPUT_LIMIT:
            self._inbox.clear()
            self._instrument.push(-363, "Input buffer overrun")

    def run(self, t_s: float, /) -> list[bytes]:
        replies: list[bytes] = []
        while self._blocked_until_s() <= t_s:
            if self._held is not None:
                self._answer(self._held.reply())
                self._held = None
            elif self._units:
                self._execute(self._units.popleft(), t_s)
            elif self._in_message:
                self._in_message = False
                if self._answers:
                    replies.append(b";".join(self._answers) + self._terminator)
            elif not self._begin(t_s):
                break
        return replies

    def due_s(self) -> float:
        return self._blocked_until_s() if self._busy() else math.inf

    def is_waiting(self) -> bool:
        if not self._busy():
            return False
        rest = b"?" in self._inbox and b"\n" in self._inbox
        return bool(self._answers) or self._held is not None or any("?" in u for u in self._units) or rest

    def disconnect(self, _t_s: float, /) -> None:
        self._forget()

    def _busy(self) -> bool:
        return self._in_message or b"\n" in self._inbox

    def _blocked_until_s(self) -> float:
        return self._free_s if self._held is None else max(self._free_s, self._held.until_s())

    def _begin(self, t_s: float) -> bool:
        end = self._inbox.find(b"\n")
        if end < 0:
            return False
        line = self._inbox[:end].decode("latin-1").strip()
        del self._inbox[: end + 1]
        text = self._gate.message(line, t_s)
        if not text:
            return True
        self._units = deque(part for part in split_outside(text, ";") if part.strip())
        self._path = Path()
        self._answers = []
        self._in_message = True
        if self._command_s:
            self._free_s = t_s + self._command_s
        return True

    def _execute(self, unit: str, t_s: float) -> None:
        try:
            header, args = split_unit(unit)
            query = header.endswith("?")
            full = self._path.resolve(header.rstrip("?"))
            self._take(self._instrument.execute(full, query, Call(t_s, args)))
        except ScpiFault as fault:
            self._instrument.push(fault.code, fault.text)
            if -199 <= fault.code <= -100:  # a command error: the parser drops the rest of the message
                self._units.clear()

    def _take(self, result: Result) -> None:
        if isinstance(result, HeldReply):
            self._held = result
        elif isinstance(result, Busy):
            self._free_s = result.until_s
        elif result is not None:
            self._answer(result)

    def _answer(self, answer: str | bytes) -> None:
        data = answer if isinstance(answer, bytes) else answer.encode("latin-1")
        if data:
            self._answers.append(data)

    def _device_clear(self, t_s: float) -> None:
        self._forget()
        self._instrument.clear(t_s)

    def _forget(self) -> None:
        self._inbox.clear()
        self._units.clear()
        self._answers = []
        self._in_message = False
        self._held = None
        self._free_s = -math.inf
