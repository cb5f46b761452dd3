"""Relay matrix and digital inputs of a 34980A-class mainframe.

Channel numbers are the box's own: slot, row, column (srcc). Every change is read back; relays are opened before
others are closed by the caller's order (break before make). The inputs are a driver of their own on a link of their
own, so that polling never waits for a relay.
Source: Keysight 34980A Programmer's Reference (ROUTe:CLOSe, ROUTe:OPEN, ROUTe:OPEN:ALL, ROUTe:CLOSe?,
SENSe:DIGital:DATA:BYTE?, SOURce:DIGital:DATA:BYTE, SOURce:DIGital:LEVel: 1.66 V after reset, 5 V at most); Keysight
34931A-34933A User's Guide (channel addressing).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from drivers import scpi
from drivers.link.base import Link
from drivers.link.device import ScpiDevice
from drivers.roles import InterlockState
from rig.errors import BadReply, InstrumentRefused, UsageError

ACTION = "Listen for the relay and check the module in its slot."
LEVEL_V = 5  # of a logic 1: the enable timer's trigger takes no 1.66 V


class SwitchScpi(ScpiDevice):
    """Remembers what it closed, and believes only what the box says of it."""

    models: ClassVar[str] = "34980A"
    not_mine: ClassVar[str] = (
        "Relays of a 34970A, 34972A, DAQ970A or DAQ973A (no ROUTe:OPEN:ALL) are driver daq-switch; for an interlock "
        "take a Modbus box or modem lines (`anglewright bench families`)."
    )

    def __init__(self, name: str, link: str | Link) -> None:
        super().__init__(name, link)
        self._touched: set[int] = set()

    def close_channels(self, channels: Sequence[int]) -> None:
        """Closes relays and reads them back; InstrumentRefused when one stayed open."""
        wanted = _check_channels(channels)
        if not wanted:
            return
        with self._session.lock:
            self._touched |= set(wanted)
            self._again(lambda: self._switch("ROUT:CLOS", wanted, closed=True))

    def open_channels(self, channels: Sequence[int]) -> None:
        """Opens relays and reads them back; InstrumentRefused when one stayed closed."""
        wanted = _check_channels(channels)
        if not wanted:
            return
        with self._session.lock:
            self._again(lambda: self._switch("ROUT:OPEN", wanted, closed=False))
            self._touched -= set(wanted)

    def open_all(self) -> None:
        """Opens every relay of the box; those that were closed from here are read back."""
        with self._session.lock:
            self._again(lambda: self._session.set("ROUT:OPEN:ALL"))
            self._again(self._all_open)

    def _switch(self, word: str, channels: Sequence[int], *, closed: bool) -> None:
        """A relay command may be repeated: its result is the same."""
        self._session.set(f"{word} {scpi.channel_list(channels)}")
        self._verify(channels, closed=closed)

    def closed_channels(self) -> tuple[int, ...]:
        """Of the channels closed from here, those that the box says are closed."""
        with self._session.lock:
            channels = sorted(self._touched)
            states = self._again(lambda: self._states(channels))
            return tuple(channel for channel, closed in zip(channels, states, strict=True) if closed)

    def safe_state(self) -> None:
        """All relays open."""
        with self._for_safety() as is_open:
            if is_open:
                self._session.write("ROUT:OPEN:ALL")
                self._all_open()
                self._session.check("ROUT:OPEN:ALL")

    def _all_open(self) -> None:
        self._verify(sorted(self._touched), closed=False)
        self._touched.clear()

    def _states(self, channels: Sequence[int]) -> list[bool]:
        if not channels:
            return []
        query = f"ROUT:CLOS? {scpi.channel_list(channels)}"
        replies = self._session.query(query).split(",")
        with self._session.parsing(query):
            if len(replies) != len(channels):
                raise BadReply(f"{len(replies)} states for {len(channels)} channels")
            return [scpi.parse_boolean(reply) for reply in replies]

    def _verify(self, channels: Sequence[int], *, closed: bool) -> None:
        wrong = [c for c, state in zip(channels, self._states(channels), strict=True) if state != closed]
        if wrong:
            word = "open" if closed else "closed"
            raise InstrumentRefused(
                f"relay {', '.join(map(str, wrong))} stayed {word}",
                instrument=self._name,
                exchange="ROUT:CLOS?",
                next_action=ACTION,
            )


class SwitchInputs(ScpiDevice):
    """The interlock: one input byte. A set guard_bit means guard closed, a set stop_bit means stop pressed.

    arm_bit, bypass_bit, mirror_bit: the arming key is held, the bypass jumper is fitted, the enable relays are
    released; None where that contact is not wired. enable_channel, enable_bit: the output that is pulsed for the enable
    timer, where one is wired; its byte is of no other use.
    """

    models: ClassVar[str] = SwitchScpi.models
    not_mine: ClassVar[str] = SwitchScpi.not_mine

    def __init__(
        self,
        name: str,
        link: str | Link,
        *,
        channel: int = 5101,
        guard_bit: int = 0,
        stop_bit: int = 1,
        arm_bit: int | None = None,
        bypass_bit: int | None = None,
        mirror_bit: int | None = None,
        enable_channel: int | None = None,
        enable_bit: int = 0,
    ) -> None:
        super().__init__(name, link)
        self._query = f"SENS:DIG:DATA:BYTE? {scpi.channel_list([channel])}"
        self._guard_bit = guard_bit
        self._stop_bit = stop_bit
        self._others = {"key": arm_bit, "bypass": bypass_bit, "mirror": mirror_bit}
        self._enable = None if enable_channel is None else scpi.channel_list([enable_channel])
        self._high = 1 << enable_bit
        self._levelled = False

    def state(self) -> InterlockState:
        """The two inputs now. A reply that is no byte is BadReply, never a closed guard."""
        with self._session.lock:
            value = self._session.number(self._query, 0.5)
            if value != int(value) or not 0 <= value <= 255:
                self._link.dirty = True
                raise BadReply(f"{value:g} is no byte", instrument=self._name, exchange=self._query)
        byte = int(value)
        return InterlockState(
            guard_closed=bool(byte >> self._guard_bit & 1),
            emergency_stop=bool(byte >> self._stop_bit & 1),
            key=_contact(byte, self._others["key"]),
            bypass=_contact(byte, self._others["bypass"]),
            mirror=_contact(byte, self._others["mirror"]),
        )

    def pulse(self) -> None:
        """One pulse, low to high to low, as wide as an exchange. UsageError without enable_channel."""
        if self._enable is None:
            raise UsageError(f"{self._name}: no enable output is named.", next_action="Set interlock.enable_channel.")
        with self._session.lock:
            if not self._levelled:
                self._session.set(f"SOUR:DIG:LEV {LEVEL_V},{self._enable}")
                self._levelled = True
            self._session.set(f"SOUR:DIG:DATA:BYTE {self._high},{self._enable}")
            self._session.set(f"SOUR:DIG:DATA:BYTE 0,{self._enable}")

    def safe_state(self) -> None:
        """Nothing to switch off: without pulses the enable timer opens by itself."""


def _check_channels(channels: Sequence[int]) -> list[int]:
    unique = list(dict.fromkeys(channels))
    if any(channel < 101 or channel > 99999 for channel in unique):
        raise UsageError(f"channels {unique} hold a number that is no channel.", next_action="Use srcc, e.g. 1101.")
    return unique


def _contact(byte: int, bit: int | None) -> bool | None:
    return None if bit is None else bool(byte >> bit & 1)
