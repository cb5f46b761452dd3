"""The words of a TMCL stepper module of the TMCM-1240 kind: nine-byte datagrams, axis parameters, reference search.

Written from the maker's manual: TRINAMIC TMCM-1240 TMCL Firmware Manual (binary format, status codes, ROR, ROL, MST,
MVP, SAP, GAP, SGP, GGP, RFS, SIO, GIO, GFV, axis parameters; speeds in pulses a second), independently of the driver.
A standby current of zero lets the motor go when it stands.
"""

from __future__ import annotations

import math
import struct

from drivers.simulated.instruments.axis_motion import Block, GrblMotion
from drivers.simulated.instruments.queued_session import QueuedSession
from drivers.simulated.wires.faults import Gate
from drivers.simulated.world.safety_chain import SafetyChain

LENGTH = 9
HOST, MODULE = 2, 1
VERSION = 1240 << 16 | 0x0119
VERSION_TEXT = b"1240V119"
SERIAL = int.from_bytes(b"SIM5", "big")
OK, BAD_CHECKSUM, BAD_COMMAND, BAD_TYPE, BAD_VALUE = 100, 1, 2, 3, 4
REPLY_S = 0.002  # two datagrams at 115200 baud and the module's own time
FAR = 2_000_000_000
READ_ONLY = frozenset((3, 8, 9, 10, 11, 29, 197, 206, 208))
# axis parameters at switching on that are kept as they are set and do nothing else here
STORED = {
    2: 0, 6: 128, 7: 32, 9: 0, 10: 0, 11: 0, 12: 1, 13: 1, 14: 0, 15: 0, 16: 0, 17: 50_000, 18: 0, 19: 0, 20: 0,
    21: 0, 22: 0, 23: 0, 24: 0, 25: 0, 26: 0, 27: 0, 28: 0, 29: 0, 31: 0, 32: 0, 33: 0, 127: 0, 160: 1, 161: 0,
    162: 2, 163: 0, 164: 0, 165: 0, 166: 0, 167: 5, 168: 0, 169: 0, 170: 0, 171: 0, 172: 0, 173: 0, 174: 0, 178: 0,
    180: 31, 181: 0, 182: 0, 184: 0, 185: 0, 186: 0, 187: 0, 188: 0, 189: 0, 190: 0, 191: 0, 192: 0, 193: 1,
    194: 1000, 195: 100, 196: 0, 197: 0, 202: 200, 204: 0, 206: 0, 207: 0, 208: 0, 209: 0, 210: 0, 212: 0, 214: 200,
    215: 0, 216: 0, 217: 0, 218: 0, 251: 0, 254: 0, 255: 1,
}  # fmt: skip


class TmclFault(Exception):
    """A status that is no success; it never leaves the dialogue."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


class TmclAxis(QueuedSession):
    """The module and its one serial client. microsteps: a power of two."""

    def __init__(
        self, chain: SafetyChain, gate: Gate, *, steps_per_turn: int, microsteps: int, has_index: bool = True
    ) -> None:
        super().__init__(gate, REPLY_S)
        self._values = dict(STORED)
        self._values[140] = round(math.log2(microsteps))
        self._globals = {(2, 55): SERIAL}
        # the motion engine's settings: $1 hold, $22 no homing lock, $25 search speed a minute, $100 steps a step
        self._settings: dict[int, float] = {1: 255, 22: 0, 25: 60_000.0, 100: 1.0, 120: 50_000.0, 130: steps_per_turn}
        self._motion = GrblMotion(chain, self._settings, has_index=has_index)
        self._max_speed = 51_200
        self._target = 0
        self._seek_s = math.inf

    def take(self, t_s: float) -> bytes | None:
        return self._frame(LENGTH, t_s)

    def run(self, t_s: float, /) -> list[bytes]:
        self._advance(t_s)
        return super().run(t_s)

    def due_s(self) -> float:
        return min(super().due_s(), self._motion.due_s(), self._seek_s)

    def _advance(self, t_s: float) -> None:
        self._motion.advance(t_s)
        if self._seek_s <= t_s:
            self._end_of_search(t_s)
        if not self._values[7] and self._motion.at_rest and self._motion.state == "Idle":
            self._motion.sleep(t_s)

    # datagrams ---------------------------------------------------------------------------------------------
    def answer(self, datagram: bytes, t_s: float, /) -> bytes:
        address, op, type_, motor, value = struct.unpack(">BBBBi", datagram[:8])
        status, result = OK, value
        if sum(datagram[:8]) & 0xFF != datagram[8]:
            status = BAD_CHECKSUM
        elif address != MODULE:
            return b""
        elif op == 136 and type_ == 0:
            return bytes([HOST]) + VERSION_TEXT
        else:
            try:
                self._misbehave()
                result = self._execute(op, type_, motor, value, t_s)
            except TmclFault as fault:
                status = fault.status
        body = struct.pack(">BBBBi", HOST, MODULE, status, op, _signed(result))
        return body + bytes([sum(body) & 0xFF])

    def _misbehave(self) -> None:
        if fault := self._gate.acting("status"):
            raise TmclFault(round(fault.number(BAD_VALUE)))
        if fault := self._gate.acting("lost_steps"):
            self._motion.slip(fault.number(4) * 2 ** self._values[140])

    def _execute(self, op: int, type_: int, motor: int, value: int, t_s: float) -> int:
        match op:
            case 1 | 2:
                return self._rotate(value if op == 1 else -value, t_s)
            case 3:
                self._stop(t_s)
                return value
            case 4:
                return self._move(type_, motor, value, t_s)
            case 5:
                return self._set(type_, motor, value, t_s)
            case 6:
                return self._get(type_, motor, t_s)
            case 7 | 8 | 11 | 12:
                return value
            case 9:
                self._globals[(motor, type_)] = value
                return value
            case 10:
                return self._globals.get((motor, type_), 0)
            case 13:
                return self._search(type_, motor, t_s)
            case 14 | 15:
                return value if op == 14 else 0
            case 136 if type_ == 1:
                return VERSION
            case _:
                raise TmclFault(BAD_COMMAND)

    # motion ------------------------------------------------------------------------------------------------
    def _drive(self, target: float, speed: float, t_s: float) -> None:
        """A new target, also in motion: it brakes first and then goes there."""
        motion = self._motion
        if motion.state in ("Sleep", "Alarm"):
            motion.state = "Idle"
            motion.wake(t_s)
        if motion.state == "Jog":
            motion.cancel_jog(t_s)
        motion.add(Block(float(target), max(1.0, speed), jog=True), t_s)

    def _rotate(self, speed: int, t_s: float) -> int:
        self._values[2] = speed
        if speed:
            self._drive(self._motion.position_steps(t_s) + math.copysign(FAR, speed), abs(speed), t_s)
        else:
            self._stop(t_s)
        return abs(speed)

    def _stop(self, t_s: float) -> None:
        if self._seek_s < math.inf:
            self._seek_s = math.inf
            self._motion.halt(t_s)
            self._motion.state = "Idle"
        self._motion.cancel_jog(t_s)
        self._values[2] = 0

    def _move(self, type_: int, motor: int, value: int, t_s: float) -> int:
        if motor or type_ not in (0, 1):
            raise TmclFault(BAD_TYPE)
        self._target = value if type_ == 0 else round(self._motion.position_steps(t_s)) + value
        self._drive(self._target, self._max_speed, t_s)
        return self._target

    def _search(self, type_: int, motor: int, t_s: float) -> int:
        if motor or type_ not in (0, 1, 2):
            raise TmclFault(BAD_TYPE)
        if type_ == 2:
            return 0 if math.isinf(self._seek_s) else 1
        self._stop(t_s)
        if type_ == 0:
            self._motion.halt(t_s)
            self._settings[25] = self._values[194] * 60.0
            self._seek_s = self._motion.seek(t_s, "Home")
            if self._gate.acting("missed_index"):
                self._motion.touched = False
        return 0

    def _end_of_search(self, t_s: float) -> None:
        if not self._motion.touched:
            self._seek_s = t_s + 1.0  # it goes on turning, and searching
            return
        self._seek_s = math.inf
        self._values[197] = round(self._motion.found_steps())
        self._motion.rest(t_s, 0.0)
        self._target = 0

    # axis parameters ---------------------------------------------------------------------------------------
    def _get(self, number: int, motor: int, t_s: float) -> int:
        if motor:
            raise TmclFault(BAD_TYPE)
        speed = self._motion.speed_steps_s(t_s)
        own = {
            0: self._target,
            1: round(self._motion.position_steps(t_s)),
            3: round(speed),
            4: self._max_speed,
            5: round(self._settings[120]),
            8: int(self._motion.at_rest and round(self._motion.position_steps(t_s)) == self._target),
        }
        if number in own:
            return own[number]
        if number not in self._values:
            raise TmclFault(BAD_TYPE)
        return self._values[number]

    def _set(self, number: int, motor: int, value: int, t_s: float) -> int:
        if motor or number in READ_ONLY:
            raise TmclFault(BAD_TYPE)
        if number in (4, 5, 6, 7, 140) and not 0 <= value <= {6: 255, 7: 255, 140: 8}.get(number, 8_000_000):
            raise TmclFault(BAD_VALUE)
        if number == 0:
            self._move(0, 0, value, t_s)
        elif number == 1:
            self._motion.rest(t_s, float(value))
            self._target = value
        elif number == 4:
            self._max_speed = value
        elif number == 5:
            self._settings[120] = float(max(1, value))
        elif number in self._values:
            self._values[number] = value
            if number == 7 and value and self._motion.state == "Sleep":
                self._motion.state = "Idle"
                self._motion.wake(t_s)
        else:
            raise TmclFault(BAD_TYPE)
        return value


def _signed(value: int) -> int:
    return (value + 0x80000000 & 0xFFFFFFFF) - 0x80000000
