"""Modbus RTU boxes with relays (coils) and digital inputs: a relay board, and an interlock with its enable line.

Inputs are read as discrete inputs 0 to 7 (function 02), relays are coils from 0 (functions 01, 05, 0F); relay 1 of the
bench file is coil 0. A change is believed only when the coils read back. Flash and timed words of such boards are not
standard and are not used.
Source: drivers/modbus_rtu.py; manuals of 8-channel Modbus RTU relay and I/O modules (9600 8N1, address 1: relay 1 on
01 05 00 00 FF 00 8C 3A, states 01 01 00 00 00 08 3D CC, inputs 01 02 00 00 00 08 79 CC, optocoupled 5 to 36 V) †.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadCoilsResponse,
    ReadDiscreteInputsRequest,
    ReadDiscreteInputsResponse,
    WriteMultipleCoilsRequest,
    WriteMultipleCoilsResponse,
    WriteSingleCoilRequest,
    WriteSingleCoilResponse,
)

from drivers.link.base import Link
from drivers.modbus_rtu import ModbusDevice
from drivers.roles import InterlockState
from rig.errors import BenchError, InstrumentRefused, UsageError

INPUTS = 8


class SwitchModbus(ModbusDevice):
    """relays: how many the board has."""

    kind: ClassVar[str] = "Modbus RTU relay board"

    def __init__(self, name: str, link: str | Link, *, relays: int = 8, address: int = 1) -> None:
        super().__init__(name, link, address=address)
        self._relays = relays

    def open(self) -> None:
        """Opens, asks who answers, and reads all relays once: a board of fewer refuses that."""
        super().open()
        try:
            self._again(self._states)
        except BenchError:
            self.close()
            raise

    def close_channels(self, channels: Sequence[int]) -> None:
        """Closes relays and reads them back; InstrumentRefused when one stayed open."""
        self._switch(channels, closed=True)

    def open_channels(self, channels: Sequence[int]) -> None:
        """Opens relays and reads them back; InstrumentRefused when one stayed closed."""
        self._switch(channels, closed=False)

    def open_all(self) -> None:
        """Opens every relay in one message and reads them back."""
        with self._lock:
            self._again(self._all_off)
            self._verify(range(1, self._relays + 1), closed=False)

    def closed_channels(self) -> tuple[int, ...]:
        """The relays that the board says are closed."""
        return tuple(relay for relay, closed in enumerate(self._again(self._states), start=1) if closed)

    def safe_state(self) -> None:
        """All relays open. Nothing to do when it was not opened."""
        if self._identity is not None and self._opened:
            self.open_all()

    def _switch(self, channels: Sequence[int], *, closed: bool) -> None:
        unique = list(dict.fromkeys(channels))
        if any(not 1 <= relay <= self._relays for relay in unique):
            raise UsageError(
                f"{self._name}: relays {unique}; it has 1 to {self._relays}.", next_action="Correct the channel map."
            )
        with self._lock:
            for relay in unique:
                self._again(lambda relay=relay: self._one(relay, closed=closed))  # type: ignore[misc]
            if unique:
                self._verify(unique, closed=closed)

    def _one(self, relay: int, *, closed: bool) -> None:
        request = WriteSingleCoilRequest(address=relay - 1, bits=[closed], dev_id=self._address)
        reply = self._request(request, WriteSingleCoilResponse, f"function 05 coil {relay - 1}")
        if reply.address != relay - 1 or list(reply.bits[:1]) != [closed]:
            raise self._bad("confirms another coil", f"function 05 coil {relay - 1}")

    def _all_off(self) -> None:
        request = WriteMultipleCoilsRequest(address=0, bits=[False] * self._relays, dev_id=self._address)
        reply = self._request(request, WriteMultipleCoilsResponse, "function 0F")
        if reply.address != 0 or reply.count != self._relays:
            raise self._bad("confirms other coils", "function 0F")

    def _states(self) -> list[bool]:
        request = ReadCoilsRequest(address=0, count=self._relays, dev_id=self._address)
        reply = self._request(request, ReadCoilsResponse, "function 01")
        return _whole(self, reply.bits, self._relays, "function 01")

    def _verify(self, relays: Sequence[int], *, closed: bool) -> None:
        states = self._again(self._states)
        wrong = [relay for relay in relays if states[relay - 1] != closed]
        if wrong:
            raise InstrumentRefused(
                f"relay {', '.join(map(str, wrong))} stayed {'open' if closed else 'closed'}",
                instrument=self._name,
                exchange="function 01",
                next_action="Listen for the relay and check the board's supply.",
            )


class InputsModbus(ModbusDevice):
    """The interlock: a set guard_bit means guard closed, a set stop_bit means stop pressed.

    arm_bit, bypass_bit, mirror_bit: as for the mainframe's inputs (drivers/switch_scpi.py). enable_channel: the coil
    (from 1) that is pulsed for the enable timer, where one is wired.
    """

    kind: ClassVar[str] = "Modbus RTU inputs"

    def __init__(
        self,
        name: str,
        link: str | Link,
        *,
        address: int = 1,
        guard_bit: int = 0,
        stop_bit: int = 1,
        arm_bit: int | None = None,
        bypass_bit: int | None = None,
        mirror_bit: int | None = None,
        enable_channel: int | None = None,
    ) -> None:
        super().__init__(name, link, address=address)
        self._others = {"key": arm_bit, "bypass": bypass_bit, "mirror": mirror_bit}
        used = [guard_bit, stop_bit, *(bit for bit in self._others.values() if bit is not None)]
        if len(set(used)) < len(used) or not all(0 <= bit < INPUTS for bit in used):
            raise UsageError(f"{name}: guard_bit, stop_bit and the others are different ones of 0 to {INPUTS - 1}.")
        self._guard_bit, self._stop_bit, self._enable = guard_bit, stop_bit, enable_channel

    def open(self) -> None:
        """Opens, asks who answers, and reads the inputs once: a box that has none refuses that."""
        super().open()
        try:
            self._again(self._bits)
        except BenchError:
            self.close()
            raise

    def state(self) -> InterlockState:
        """The two inputs now. A reply that is not whole is BadReply, never a closed guard."""
        bits = self._again(self._bits)
        others = {name: None if bit is None else bits[bit] for name, bit in self._others.items()}
        return InterlockState(
            guard_closed=bits[self._guard_bit],
            emergency_stop=bits[self._stop_bit],
            key=others["key"],
            bypass=others["bypass"],
            mirror=others["mirror"],
        )

    def pulse(self) -> None:
        """One pulse of the enable coil, off to on to off. UsageError without enable_channel."""
        if self._enable is None:
            raise UsageError(f"{self._name}: no enable output is named.", next_action="Set interlock.enable_channel.")
        with self._lock:
            for on in (True, False):
                request = WriteSingleCoilRequest(address=self._enable - 1, bits=[on], dev_id=self._address)
                self._request(request, WriteSingleCoilResponse, f"function 05 coil {self._enable - 1}")

    def safe_state(self) -> None:
        """Nothing to switch off: without pulses the enable timer opens by itself."""

    def _bits(self) -> list[bool]:
        request = ReadDiscreteInputsRequest(address=0, count=INPUTS, dev_id=self._address)
        reply = self._request(request, ReadDiscreteInputsResponse, "function 02")
        return _whole(self, reply.bits, INPUTS, "function 02")


def _whole(device: ModbusDevice, bits: Sequence[bool], count: int, exchange: str) -> list[bool]:
    """The bits that were asked for; a reply is filled up to whole bytes, and those must be as many as they need."""
    if len(bits) != 8 * ((count + 7) // 8):
        raise device._bad(f"{len(bits)} states where {count} were asked for", exchange)
    return [bool(bit) for bit in bits[:count]]
