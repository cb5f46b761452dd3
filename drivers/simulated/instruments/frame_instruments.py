"""The words of two small serial boxes: a relay board with four-byte frames, and a Modbus RTU climate probe.

Written from their data sheets and from the MODBUS specifications (V1.1b3; serial line V1.02), independently of the
drivers. The relay board closes, for each of its relays, one channel of the matrix that the world knows. Modbus: input
registers 1 (temperature) and 2 (humidity) in tenths, function 2B/0E tells who it is. It must never know the part.
"""

from __future__ import annotations

import math
import struct
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Sequence

from drivers.simulated.interfaces import Emit, WorldInterface
from drivers.simulated.wires.faults import Gate

PROBE_S = 0.02
BOARD_S = 0.01
IDENTITY = {0: b"Sample Sensors", 1: b"TH10-RTU", 2: b"1.0", 0x80: b"SIM00007"}


class FrameSession(ABC):
    """A client that sends binary frames; each is answered after a latency in bench time."""

    def __init__(self, gate: Gate, latency_s: float) -> None:
        self._gate = gate
        self._latency_s = latency_s
        self._inbox = bytearray()
        self._waiting: deque[tuple[float, bytes]] = deque()

    @abstractmethod
    def take(self) -> bytes | None:
        """The next whole frame out of the inbox, None for none yet."""

    @abstractmethod
    def answer(self, frame: bytes, t_s: float, /) -> bytes:
        """The reply to a frame, empty for none."""

    def receive(self, data: bytes, t_s: float, /) -> None:
        self._inbox += data
        while (frame := self.take()) is not None:
            passed = self._gate.binary(frame, t_s)
            if passed is not None:
                self._waiting.append((t_s + self._latency_s, passed))

    def run(self, t_s: float, /) -> list[bytes]:
        replies = []
        while self._waiting and self._waiting[0][0] <= t_s:
            _, frame = self._waiting.popleft()
            reply = self.answer(frame, t_s)
            if reply:
                replies.append(reply)
        return replies

    def due_s(self) -> float:
        return self._waiting[0][0] if self._waiting else math.inf

    def awaited(self) -> bool:
        return bool(self._waiting)

    def closed(self, _t_s: float, /) -> None:
        self._waiting.clear()
        self._inbox.clear()


class RelayBoard(FrameSession):
    """channels: the matrix channel that each relay closes, relay 1 first."""

    def __init__(self, world: WorldInterface, emit: Emit, channels: Sequence[int], gate: Gate) -> None:
        super().__init__(gate, BOARD_S)
        self._world = world
        self._emit = emit
        self._channels = list(channels)
        self._closed = [False] * len(self._channels)

    def take(self) -> bytes | None:
        inbox = self._inbox
        while inbox and inbox[0] not in (0xA0, 0xFF):
            del inbox[0]
        n = 1 if inbox[:1] == b"\xff" else 4
        if len(inbox) < n:
            return None
        frame = bytes(inbox[:n])
        del inbox[:n]
        return frame

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


class ModbusProbe(FrameSession):
    """Address 1."""

    def __init__(self, world: WorldInterface, gate: Gate, address: int = 1) -> None:
        super().__init__(gate, PROBE_S)
        self._world = world
        self._address = address

    def take(self) -> bytes | None:
        """Frames end by silence; a master's read is eight bytes, an identification seven."""
        inbox = self._inbox
        n = 7 if inbox[1:2] == b"\x2b" else 8
        if len(inbox) < n:
            return None
        frame = bytes(inbox[:n])
        inbox.clear()
        return frame

    def answer(self, frame: bytes, t_s: float, /) -> bytes:
        if frame[0] != self._address or frame[-2:] != _crc(frame[:-2]):
            return b""
        function = frame[1]
        if function == 0x2B:
            return self._framed(self._identification())
        if function != 0x04:
            return self._framed(bytes([function | 0x80, 1]))
        first, count = struct.unpack(">HH", frame[2:6])
        degc, humidity = self._world.climate(t_s)
        values = {1: round(degc * 10) & 0xFFFF, 2: round(humidity * 10)}
        wanted = [values.get(first + i) for i in range(count)]
        if not wanted or None in wanted:
            return self._framed(bytes([function | 0x80, 2]))
        return self._framed(struct.pack(f">BB{count}H", function, 2 * count, *wanted))

    def _identification(self) -> bytes:
        told = b"".join(bytes([key, len(text)]) + text for key, text in IDENTITY.items())
        return bytes([0x2B, 0x0E, 0x03, 0x83, 0x00, 0x00, len(IDENTITY)]) + told

    def _framed(self, body: bytes) -> bytes:
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
