"""The words of a switch/measure box of the 34980A class: relays, a matrix, and the digital inputs of the interlock.

Written from the maker's manual: Keysight 34980A Programmer's Reference (ROUTe, SENSe:DIGital:DATA,
SOURce:DIGital:DATA and LEVel, SYSTem:CTYPe?). Slot 1 a dual 4x16 matrix (channel 1000 + row*100 + column), slot 2
relays 2001 to 2032, slot 5 inputs 5101 to 5104 and outputs 5201 to 5204. A relay takes 3 ms, one after the other.
Byte 5101: bit 0 guard closed, bit 1 emergency stop pressed, bit 2 arming key held, bit 3 bypass jumper fitted, bit 4
enable relays released (mirror contacts). Bit 0 of 5201 is the enable line, seen from 3.5 V on.
Both sockets (switch, interlock) speak to one box. Channel errors 303 and 305 are device-specific numbers from memory
(dagger).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from drivers.simulated.instruments.scpi.dialogue import ScpiInstrument
from drivers.simulated.instruments.scpi.words import Busy, Call, Command, ScpiFault, channel_list
from drivers.simulated.interfaces import Emit, WorldInterface

RELAY_S = 0.003
MATRIX = frozenset(1000 + row * 100 + column for row in range(1, 9) for column in range(1, 17))
RELAYS = frozenset(range(2001, 2033))
INPUTS = frozenset(range(5101, 5105))
OUTPUTS = range(5201, 5205)
LEVEL_V = (1.66, 5.0)
TRIGGER_V = 3.5  # what the enable timer takes for high
CARDS = {1: "34932A", 2: "34937A", 5: "34950A"}


class SwitchBox(ScpiInstrument):
    """All relays open at switching on and at *RST."""

    identity = "Keysight Technologies,34980A,SIM00004,SIM-1.0"

    def __init__(self, world: WorldInterface, emit: Emit, pulsed: Callable[[float], None] | None = None) -> None:
        """pulsed: called with the time of each rising edge of the enable line."""
        super().__init__()
        self._world = world
        self._emit = emit
        self._pulsed = pulsed
        self._outputs = dict.fromkeys(OUTPUTS, 0)
        self._level_v = dict.fromkeys(OUTPUTS, LEVEL_V[0])
        self._closed: frozenset[int] = frozenset()
        self._end_s = -math.inf
        self.table += [
            Command("ROUTe:CLOSe", self._close, lambda c: self._states(c, closed=True)),
            Command("ROUTe:CLOSe:EXCLusive", set=self._close_only),
            Command("ROUTe:OPEN", self._open, lambda c: self._states(c, closed=False)),
            Command("ROUTe:OPEN:ALL", set=self._open_all),
            Command("ROUTe:DONE", query=lambda c: f"{self._end_s <= c.t_s:d}"),
            Command("SYSTem:CTYPe", query=self._card),
            Command("[SENSe:]DIGital:DATA[:BYTE]", query=self._byte),
            Command("SOURce:DIGital:DATA[:BYTE]", self._put_out, self._put),
            Command("SOURce:DIGital:LEVel", self._set_level, self._level),
        ]

    def operations_end_s(self) -> float:
        return self._end_s

    def reset(self, t_s: float, /) -> None:
        self._change(t_s, frozenset())
        self._outputs = dict.fromkeys(OUTPUTS, 0)
        self._level_v = dict.fromkeys(OUTPUTS, LEVEL_V[0])

    def _change(self, t_s: float, closed: frozenset[int]) -> Busy:
        moved = len(closed ^ self._closed)
        if moved:
            self._closed = closed
            self._world.relays_set(t_s, closed)
            self._end_s = t_s + RELAY_S * moved
            self._emit(t_s, "relays", closed=sorted(closed))
        return Busy(max(t_s, self._end_s))

    @staticmethod
    def _channels(call: Call) -> list[int]:
        if not call.args:
            raise ScpiFault(-109)
        call.only(1)
        channels = channel_list(call.args[0])
        for channel in channels:
            if channel // 1000 not in (1, 2):
                raise _refusal(303, "Channel list: slot number out of range")
            if channel not in MATRIX and channel not in RELAYS:
                raise _refusal(305, "Channel list: channel number out of range")
        return channels

    def _close(self, call: Call) -> Busy:
        return self._change(call.t_s, self._closed | frozenset(self._channels(call)))

    def _close_only(self, call: Call) -> Busy:
        return self._change(call.t_s, frozenset(self._channels(call)))

    def _open(self, call: Call) -> Busy:
        return self._change(call.t_s, self._closed - frozenset(self._channels(call)))

    def _open_all(self, call: Call) -> Busy:
        call.only(1)
        if not call.args or call.text() == "ALL":
            return self._change(call.t_s, frozenset())
        slot = round(call.number())
        if slot not in CARDS:
            raise _refusal(303, "Channel list: slot number out of range")
        return self._change(call.t_s, frozenset(c for c in self._closed if c // 1000 != slot))

    def _states(self, call: Call, *, closed: bool) -> str:
        return ",".join(f"{(channel in self._closed) == closed:d}" for channel in self._channels(call))

    def _card(self, call: Call) -> str:
        slot = round(call.number())
        if not 1 <= slot <= 8:
            raise ScpiFault(-222)
        return f"Keysight Technologies,{CARDS[slot]},SIM{slot:05d},SIM-1.0" if slot in CARDS else "NONE,0,0,0"

    def _byte(self, call: Call) -> str:
        call.only(1)
        if not call.args:
            raise ScpiFault(-109)
        channels = channel_list(call.args[0])
        if not channels or any(channel not in INPUTS for channel in channels):
            raise _refusal(305, "Channel list: channel number out of range")
        guard_closed, emergency_stop = self._world.interlock(call.t_s)
        key, bypass, released = self._world.hands_at(call.t_s)
        inputs = int(guard_closed) | int(emergency_stop) << 1 | int(key) << 2 | int(bypass) << 3 | int(released) << 4
        return ",".join(f"{inputs if channel == 5101 else 0:+d}" for channel in channels)

    @staticmethod
    def _output_channels(call: Call) -> list[int]:
        if not call.args:
            raise ScpiFault(-109)
        channels = channel_list(call.args[-1])
        if not channels or any(channel not in OUTPUTS for channel in channels):
            raise _refusal(305, "Channel list: channel number out of range")
        return channels

    def _put_out(self, call: Call) -> None:
        call.only(2)
        byte = call.number()
        if byte != int(byte) or not 0 <= byte <= 255:
            raise ScpiFault(-222)
        for channel in self._output_channels(call):
            rises = channel == OUTPUTS[0] and int(byte) & 1 and not self._outputs[channel] & 1
            self._outputs[channel] = int(byte)
            if rises and self._pulsed is not None and self._level_v[channel] >= TRIGGER_V:
                self._pulsed(call.t_s)

    def _put(self, call: Call) -> str:
        call.only(1)
        return ",".join(f"{self._outputs[channel]:+d}" for channel in self._output_channels(call))

    def _set_level(self, call: Call) -> None:
        call.only(2)
        level_v = call.number()
        if not LEVEL_V[0] <= level_v <= LEVEL_V[1]:
            raise ScpiFault(-222)
        self._level_v |= dict.fromkeys(self._output_channels(call), level_v)

    def _level(self, call: Call) -> str:
        call.only(1)
        return ",".join(f"{self._level_v[channel]:+.8E}" for channel in self._output_channels(call))


def _refusal(code: int, text: str) -> ScpiFault:
    fault = ScpiFault(code)
    fault.text = text
    return fault
