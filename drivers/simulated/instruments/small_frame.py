"""The relays of a data-acquisition frame of the 34970A class, wired as the bench's matrix of eight rows.

Written from the maker's manual: Agilent 34970A/34972A User's Guide, chapter 5 (ROUTe:CLOSe, ROUTe:CLOSe:EXCLusive,
ROUTe:OPEN, ROUTe:SCAN, ROUTe:DONE?, SYSTem:CTYPe? {100|200|300}); there is no ROUTe:OPEN:ALL. Slots 1 and 2 hold 4x8
matrices (channel = slot, row, column; dagger, from memory), slot 3 twenty changeover relays. A channel of the scan list
can't be closed or opened by hand (error 271, dagger). A relay takes 3 ms †.

Wiring of the bench: rows 1 to 4 of the matrix are slot 1, rows 5 to 8 slot 2, columns in parallel; 301 to 309 are the
standards and lines that a mainframe has on 2001 to 2009; 311 and 312 take the core's clip to meter HI and LO.
"""

from __future__ import annotations

import math

from drivers.simulated.instruments.scpi.dialogue import ScpiInstrument
from drivers.simulated.instruments.scpi.words import Busy, Call, Command, ScpiFault, channel_list
from drivers.simulated.interfaces import Emit, WorldInterface

RELAY_S = 0.003
CARDS = {1: "34904A", 2: "34904A", 3: "34903A"}
CROSSPOINTS = {
    100 * slot + 10 * row + column: 1000 + 100 * (4 * (slot - 1) + row) + column
    for slot in (1, 2)
    for row in range(1, 5)
    for column in range(1, 9)
}
STANDARDS = {301 + n: 2001 + n for n in range(9)}
CLIP = {311: 1115, 312: 1215}
RELAYS = frozenset(CROSSPOINTS) | frozenset(range(301, 321))
WIRED = {**CROSSPOINTS, **STANDARDS, **CLIP}


class SmallFrame(ScpiInstrument):
    """All relays of these cards are open after *RST; the scan list as somebody at the panel left it holds 101."""

    identity = "HEWLETT-PACKARD,34970A,SIM00014,SIM-1.0"

    def __init__(self, world: WorldInterface, emit: Emit) -> None:
        super().__init__()
        self._world, self._emit = world, emit
        self._closed: frozenset[int] = frozenset()
        self._scan: frozenset[int] = frozenset({111})
        self._end_s = -math.inf
        self.table += [
            Command("ROUTe:CLOSe", self._close, lambda c: self._states(c, closed=True)),
            Command("ROUTe:CLOSe:EXCLusive", set=self._close_only),
            Command("ROUTe:OPEN", self._open, lambda c: self._states(c, closed=False)),
            Command("ROUTe:SCAN", self._set_scan, self._scan_list),
            Command("ROUTe:DONE", query=lambda c: f"{self._end_s <= c.t_s:d}"),
            Command("SYSTem:CTYPe", query=self._card),
        ]

    def operations_end_s(self) -> float:
        return self._end_s

    def reset(self, t_s: float, /) -> None:
        self._scan = frozenset()
        self._change(t_s, frozenset())

    def _change(self, t_s: float, closed: frozenset[int]) -> Busy:
        moved = len(closed ^ self._closed)
        if moved:
            self._closed = closed
            wired = frozenset(WIRED[channel] for channel in closed if channel in WIRED)
            self._world.relays_set(t_s, wired)
            self._end_s = t_s + RELAY_S * moved
            self._emit(t_s, "relays", closed=sorted(wired))
        return Busy(max(t_s, self._end_s))

    def _channels(self, call: Call, *, by_hand: bool = False) -> list[int]:
        if not call.args:
            raise ScpiFault(-109)
        call.only(1)
        channels = [] if call.args[0].replace(" ", "") == "(@)" else channel_list(call.args[0])
        if any(channel not in RELAYS for channel in channels):
            raise _refusal(305, "Not able to perform requested operation")
        if by_hand and self._scan.intersection(channels):
            raise _refusal(271, "Not able to accept unit change while scan in progress")
        return channels

    def _close(self, call: Call) -> Busy:
        return self._change(call.t_s, self._closed | frozenset(self._channels(call, by_hand=True)))

    def _close_only(self, call: Call) -> Busy:
        return self._change(call.t_s, frozenset(self._channels(call, by_hand=True)))

    def _open(self, call: Call) -> Busy:
        return self._change(call.t_s, self._closed - frozenset(self._channels(call, by_hand=True)))

    def _states(self, call: Call, *, closed: bool) -> str:
        return ",".join(f"{(channel in self._closed) == closed:d}" for channel in self._channels(call))

    def _set_scan(self, call: Call) -> None:
        self._scan = frozenset(self._channels(call))

    def _scan_list(self, call: Call) -> str:
        call.only(0)
        listed = "(@" + ",".join(map(str, sorted(self._scan))) + ")"
        return f"#{len(str(len(listed)))}{len(listed)}{listed}"

    def _card(self, call: Call) -> str:
        call.only(1)
        slot = round(call.number())
        if slot not in (100, 200, 300):
            raise ScpiFault(-222)
        return f"HEWLETT-PACKARD,{CARDS[slot // 100]},0,SIM-1.0"


def _refusal(code: int, text: str) -> ScpiFault:
    fault = ScpiFault(code)
    fault.text = text
    return fault
