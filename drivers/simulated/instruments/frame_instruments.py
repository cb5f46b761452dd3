"""The words of two small serial boxes: a relay board with four-byte frames, and a Modbus RTU climate probe.

Written from their data sheets and from the MODBUS specifications (V1.1b3; serial line V1.02), independently of the
drivers. The relay board closes, for each of its relays, one channel of the matrix that the world knows. Modbus: input
registers 1 (temperature) and 2 (humidity) in tenths, function 2B/0E tells who it is.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from drivers.simulated.instruments.queued_session import QueuedSession
from drivers.simulated.interfaces import Emit, WorldInterface
from drivers.simulated.wires.faults import Gate

PROBE_S = 0.02
BOARD_S = 0.01
IDENTITY = {0: b"Sample Sensors", 1: b"TH10-RTU", 2: b"1.0", 0x80: b"SIM00007"}


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


class ModbusProbe(QueuedSession):
    """Address 1."""

    def __init__(self, world: WorldInterface, gate: Gate, address: int = 1) -> None:
        super().__init__(gate, PROBE_S)
        self._world = world
        self._address = address

    def take(self, t_s: float) -> bytes | None:
        """Frames end by silence: what follows one is not looked at. A read is eight bytes, an identification seven."""
        frame = self._frame(7 if self._inbox[1:2] == b"\x2b" else 8, t_s)
        if frame is not None:
            self._inbox.clear()
        return frame

    def answer(self, frame: bytes, t_s: float, /) -> bytes:
        if frame[0] != self._address or frame[-2:] != _crc(frame[:-2]):
            return b""
        function = frame[1]
        if function == 0x2B:
            return self._framed_reply(self._identification())
        if function != 0x04:
            return self._framed_reply(bytes([function | 0x80, 1]))
        first, count = struct.unpack(">HH", frame[2:6])
        degc, humidity = self._world.climate(t_s)
        values = {1: round(degc * 10) & 0xFFFF, 2: round(humidity * 10)}
        wanted = [values.get(first + i) for i in range(count)]
        if not wanted or None in wanted:
            return self._framed_reply(bytes([function | 0x80, 2]))
        return self._framed_reply(struct.pack(f">BB{count}H", function, 2 * count, *wanted))

    def _identification(self) -> bytes:
        objects = b"".join(bytes([key, len(text)]) + text for key, text in IDENTITY.items())
        return bytes([0x2B, 0x0E, 0x03, 0x83, 0x00, 0x00, len(IDENTITY)]) + objects

    def _framed_reply(self, body: bytes) -> bytes:
        data = bytes([self._address]) + body
        return data + _crc(data)


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
