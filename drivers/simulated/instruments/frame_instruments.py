"""The words of small serial boxes: a relay board with four-byte frames, and Modbus RTU: climate probe, relays, inputs.

Written from their data sheets and from the MODBUS specifications (V1.1b3; serial line V1.02), independently of the
drivers. The relay board closes, for each of its relays, one channel of the matrix that the world knows. Modbus: input
registers 1 (temperature) and 2 (humidity) in tenths, function 2B/0E tells who it is; relays are coils 0 to 7 (01, 05,
0F), inputs are discrete inputs 0 to 7 (02): 0 guard closed, 1 emergency stop pressed; coil 7 of the inputs' box is the
enable line.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence

from drivers.simulated.instruments.queued_session import QueuedSession
from drivers.simulated.interfaces import Emit, WorldInterface
from drivers.simulated.wires.faults import Gate

PROBE_S = 0.02
BOARD_S = 0.01
IDENTITY = {0: b"Sample Sensors", 1: b"TH10-RTU", 2: b"1.0", 0x80: b"SIM00007"}
IO_IDENTITY = {0: b"Sample Controls", 1: b"IO8-RTU", 2: b"1.0", 0x80: b"SIM00008"}
IO_S = 0.004
COILS = 8
ENABLE = 7


class RelayBoard(QueuedSession):
    """channels: the matrix channel that each relay closes, relay 1 first."""

    def __init__(self, world: WorldInterface, emit: Emit, channels: Sequence[int], gate: Gate) -> None:
        super().__init__(gate, BOARD_S)
        self._world = world
        self._emit = emit
        self._channels = list(channels)
        self._closed = [False] * len(self._channels)

    def take(self, t_s: float) -> bytes | None:
        while self._inbox and self._inbox[0] not in (0xA0, 0xFF):
            self._cut(1)
        return self._frame(1 if self._inbox[:1] == b"\xff" else 4, t_s)

    def answer(self, frame: bytes, t_s: float, /) -> bytes:
        if frame == b"\xff":
            return b"".join(f"CH{i}:{'ON' if on else 'OFF'}\r\n".encode() for i, on in enumerate(self._closed, 1))
        start, relay, state, check = frame
        if (start + relay + state) & 0xFF == check and 1 <= relay <= len(self._closed) and state in (0, 1):
            self._closed[relay - 1] = bool(state)
            closed = frozenset(c for c, on in zip(self._channels, self._closed, strict=True) if on)
            self._world.relays_set(t_s, closed)
            self._emit(t_s, "relays", closed=sorted(closed))
        return b""


class ModbusBox(QueuedSession):
    """One box at an address: frames in, framed replies out. A subclass answers the functions that it has."""

    identity = IDENTITY

    def __init__(self, gate: Gate, answer_s: float, address: int = 1) -> None:
        super().__init__(gate, answer_s)
        self._address = address

    def take(self, t_s: float) -> bytes | None:
        """Frames end by silence: what follows one is not looked at. A read is eight bytes, an identification seven."""
        length = 7 if self._inbox[1:2] == b"\x2b" else 8
        if self._inbox[1:2] == b"\x0f":
            length = 9 + self._inbox[6] if len(self._inbox) > 6 else 10
        frame = self._frame(length, t_s)
        if frame is not None:
            self._inbox.clear()
        return frame

    def answer(self, frame: bytes, t_s: float, /) -> bytes:
        if frame[0] != self._address or frame[-2:] != _crc(frame[:-2]):
            return b""
        function = frame[1]
        if function == 0x2B:
            return self._framed_reply(self._identification())
        return self._framed_reply(self.reply(function, frame, t_s))

    def reply(self, function: int, frame: bytes, t_s: float, /) -> bytes:
        """The body of a reply; here: a function that it has not."""
        del frame, t_s
        return bytes([function | 0x80, 1])

    def _identification(self) -> bytes:
        objects = b"".join(bytes([key, len(text)]) + text for key, text in self.identity.items())
        return bytes([0x2B, 0x0E, 0x03, 0x83, 0x00, 0x00, len(self.identity)]) + objects

    def _framed_reply(self, body: bytes) -> bytes:
        data = bytes([self._address]) + body
        return data + _crc(data)


class ModbusProbe(ModbusBox):
    """Temperature and humidity."""

    def __init__(self, world: WorldInterface, gate: Gate) -> None:
        super().__init__(gate, PROBE_S)
        self._world = world

    def reply(self, function: int, frame: bytes, t_s: float, /) -> bytes:
        if function != 0x04:
            return super().reply(function, frame, t_s)
        first, count = struct.unpack(">HH", frame[2:6])
        degc, humidity = self._world.climate(t_s)
        values = {1: round(degc * 10) & 0xFFFF, 2: round(humidity * 10)}
        wanted = [values.get(first + i) for i in range(count)]
        if not wanted or None in wanted:
            return bytes([function | 0x80, 2])
        return struct.pack(f">BB{count}H", function, 2 * count, *wanted)


class ModbusCoils(ModbusBox):
    """Eight relays; `changed` gets their states, as a set of numbers from 1."""

    identity = IO_IDENTITY

    def __init__(self, gate: Gate, changed: Callable[[float, frozenset[int]], None]) -> None:
        super().__init__(gate, IO_S)
        self._changed = changed
        self._coils = [False] * COILS

    def reply(self, function: int, frame: bytes, t_s: float, /) -> bytes:
        first, count = struct.unpack(">HH", frame[2:6])
        if function == 0x01:
            return _bits(function, self._coils, first, count)
        if function == 0x05:
            if first >= COILS:
                return bytes([function | 0x80, 2])
            if count not in (0x0000, 0xFF00):
                return bytes([function | 0x80, 3])
            self._set(t_s, first, [count == 0xFF00])
            return frame[1:6]
        if function == 0x0F:
            if first + count > COILS or not count or frame[6] != (count + 7) // 8:
                return bytes([function | 0x80, 2])
            self._set(t_s, first, [bool(frame[7 + i // 8] >> (i % 8) & 1) for i in range(count)])
            return frame[1:6]
        return super().reply(function, frame, t_s)

    def _set(self, t_s: float, first: int, states: Sequence[bool]) -> None:
        self._coils[first : first + len(states)] = states
        self._changed(t_s, frozenset(i for i, on in enumerate(self._coils, 1) if on))


class ModbusInputs(ModbusCoils):
    """Guard and emergency stop, and coils of its own of which one is the enable line."""

    def __init__(self, world: WorldInterface, gate: Gate, pulsed: Callable[[float], None]) -> None:
        super().__init__(gate, self._edge)
        self._world = world
        self._pulsed = pulsed
        self._high = False

    def _edge(self, t_s: float, closed: frozenset[int]) -> None:
        high = ENABLE + 1 in closed
        if high and not self._high:
            self._pulsed(t_s)
        self._high = high

    def reply(self, function: int, frame: bytes, t_s: float, /) -> bytes:
        if function != 0x02:
            return super().reply(function, frame, t_s)
        guard_closed, emergency_stop = self._world.interlock(t_s)
        first, count = struct.unpack(">HH", frame[2:6])
        return _bits(function, [guard_closed, emergency_stop, *[False] * 6], first, count)


def _bits(function: int, states: Sequence[bool], first: int, count: int) -> bytes:
    """States as a reply carries them: eight a byte, the first in bit 0."""
    if first + count > len(states) or not count:
        return bytes([function | 0x80, 2])
    wanted = states[first : first + count]
    packed = [sum(on << i for i, on in enumerate(wanted[at : at + 8])) for at in range(0, count, 8)]
    return bytes([function, len(packed), *packed])


def _crc(data: bytes) -> bytes:
    """CRC-16 of MODBUS over Serial Line V1.02, 6.2.2, by the polynomial; low byte first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return struct.pack("<H", register)
