"""TMCL over a serial wire: nine-byte datagrams with a checksum, one request in flight.

A reply echoes the command but not its type: a late GAP reply looks like a fresh one. So the input is emptied before
each request, a time-out makes the link dirty, a dirty link is drained and synchronised by a marker (SGP with a value
of its own, which the reply repeats), and what matters is read until two readings agree.
Source: TRINAMIC TMCL Reference Manual / TMCM-1240 TMCL Firmware Manual: "Binary command format", "Reply format",
"Status codes", "Overview of command opcodes".
"""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from enum import IntEnum
from itertools import count

from drivers.link.base import Link
from rig.errors import BadReply, InstrumentRefused, NoReply, PositionLost

LENGTH = 9
HOST = 2
SLICE_S = 0.05
DEADLINE_S = 0.5
OK, LOADED = 100, 101
QUIET_S = 0.05
MARKER_BANK, MARKER_VARIABLE = 2, 54
STATUS = {
    1: "wrong checksum",
    2: "invalid command",
    3: "wrong type",
    4: "invalid value",
    5: "EEPROM locked",
    6: "command not available",
}


class Op(IntEnum):
    """Commands of direct mode."""

    MST = 3
    MVP = 4
    SAP = 5
    GAP = 6
    SGP = 9
    GGP = 10
    RFS = 13
    GFV = 136


def request(address: int, op: int, type_: int, motor: int, value: int) -> bytes:
    """A datagram: value is signed 32 bits, big-endian; the last byte is the sum of the others."""
    body = struct.pack(">BBBBi", address, op, type_, motor, value)
    return body + bytes([sum(body) & 0xFF])


def parse(data: bytes, address: int, op: int, exchange: str) -> int:
    """The value of a reply. BadReply for checksum, address or command; InstrumentRefused for a status that is none."""
    if len(data) != LENGTH or sum(data[:8]) & 0xFF != data[8]:
        raise BadReply(f"{data.hex(' ')}: wrong checksum or length", exchange=exchange)
    _, module, status, echoed, value = struct.unpack(">BBBBi", data[:8])
    if module != address or echoed != op:
        raise BadReply(f"{data.hex(' ')} answers another request", exchange=exchange)
    if status not in (OK, LOADED):
        meaning = STATUS.get(status, "see the firmware manual")
        raise InstrumentRefused(f"status {status}, {meaning}", code=status, exchange=exchange)
    return int(value)


class TmclDialogue:
    """One module on one link; the caller holds the instrument's lock."""

    def __init__(self, link: Link, name: str, address: int = 1, motor: int = 0) -> None:
        self._link = link
        self._name = name
        self._address = address
        self._motor = motor
        self._interrupted = threading.Event()
        self.deadline_s = DEADLINE_S
        self.repeated: list[str] = []
        self._markers = count(1)

    def ask(self, op: Op, type_: int = 0, value: int = 0, *, motor: int | None = None) -> int:
        """One request, one reply; returns its value."""
        if self._link.dirty or self._link.read_available():
            self.synchronise()
        return self._exchange(op, type_, value, self._motor if motor is None else motor)

    def read(self, op: Op, type_: int = 0, *, motor: int | None = None) -> int:
        """A request that only reads, once more after a fault of the wire."""
        try:
            return self.ask(op, type_, motor=motor)
        except (NoReply, BadReply) as fault:
            self.repeated.append(str(fault))
            return self.ask(op, type_, motor=motor)

    def get(self, parameter: int) -> int:
        """An axis parameter, read until two readings agree. BadReply when four don't."""
        seen = self.read(Op.GAP, parameter)
        for _ in range(3):
            again = self.read(Op.GAP, parameter)
            if again == seen:
                return seen
            seen = again
        raise BadReply("four readings, no two alike", instrument=self._name, exchange=f"GAP {parameter}")

    def set(self, parameter: int, value: int) -> None:
        """Sets an axis parameter and reads it back."""
        self.ask(Op.SAP, parameter, value)
        got = self.get(parameter)
        if got != value:
            raise InstrumentRefused(
                f"was set to {value} and reads back {got}", instrument=self._name, exchange=f"SAP {parameter}"
            )

    def synchronise(self) -> None:
        """Drains until it is quiet, then a marker: a reply that repeats a value not used before on this link."""
        self._link.drain(QUIET_S)
        self._link.dirty = False
        for _ in range(3):
            marker = next(self._markers) & 0x7FFFFFFF
            try:
                if self._exchange(Op.SGP, MARKER_VARIABLE, marker, MARKER_BANK) == marker:
                    return
            except BadReply:
                pass  # an old reply, or part of one: drained before the next try
            self._link.drain(QUIET_S)
        self._link.dirty = True
        raise BadReply("the marker never came back", instrument=self._name, exchange="SGP")

    @contextmanager
    def interrupting(self) -> Iterator[None]:
        """Says stop at once; whoever waits for a reply is woken while the block lasts."""
        self._interrupted.set()
        try:
            self._link.write(request(self._address, Op.MST, 0, self._motor, 0))
            self._link.dirty = True
            yield
        finally:
            self._interrupted.clear()

    def resume(self) -> None:
        """In the interrupter's own hands: from here on exchanges go through again."""
        self._interrupted.clear()

    def _exchange(self, op: Op, type_: int, value: int, motor: int) -> int:
        exchange = f"{op.name} {type_} {motor} {value}"
        self._link.write(request(self._address, op, type_, motor, value))
        end_s = time.monotonic() + self.deadline_s
        while (data := self._link.poll_exact(LENGTH, SLICE_S)) is None:
            if self._interrupted.is_set():
                self._link.dirty = True
                raise PositionLost("it was halted", instrument=self._name, exchange=exchange, next_action="Index it.")
            if time.monotonic() > end_s:
                self._link.dirty = True
                raise NoReply(
                    f"no whole datagram within {self.deadline_s:g} s",
                    instrument=self._name,
                    exchange=exchange,
                    next_action="Check its supply, its address and the baud rate.",
                )
        if self._link.surplus() or self._interrupted.is_set():
            self._link.dirty = True
        if self._interrupted.is_set():
            raise PositionLost("it was halted", instrument=self._name, exchange=exchange, next_action="Index it.")
        try:
            return parse(data, self._address, op, exchange)
        except BadReply as fault:
            self._link.dirty = True
            raise BadReply(
                fault.message.removesuffix(f" [{exchange}]"), instrument=self._name, exchange=exchange
            ) from fault
        except InstrumentRefused as fault:
            raise InstrumentRefused(
                fault.message.removesuffix(f" [{exchange}]"),
                code=fault.code,
                instrument=self._name,
                exchange=exchange,
                next_action="Compare with the module's firmware manual.",
            ) from fault
