"""Serial relay boards of the LCUS kind: four-byte frames A0, relay, 0 or 1, sum; FF asks for all states.

Relays are numbered from 1. The board can't be asked who it is: it is recognised by answering FF with one line a
relay, `CH1:ON`. Every change is read back, twice when the first answer is not whole.
Source: data sheets sold with LCUS-1 to LCUS-8 boards (9600 8N1, A0 01 01 A2 switches relay 1 on, A0 01 00 A1 off) †;
the answer to FF is from memory (†): check it on the board before relying on it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from drivers.link.base import Link
from drivers.link.device import LineDevice
from drivers.roles import Identity
from rig.errors import BadReply, InstrumentRefused, NoReply, UsageError, WrongInstrument

START = 0xA0
ASK = b"\xff"
DEADLINE_S = 1.0
_STATE = re.compile(r"CH(?P<relay>\d+): *(?P<state>ON|OFF) *")


class SwitchLcus(LineDevice):
    """relays: how many the board has."""

    def __init__(self, name: str, link: str | Link, *, relays: int = 8) -> None:
        super().__init__(name, link)
        self._relays = relays

    def _identify(self) -> Identity:
        """What can be known of it: how many relays answer. It has no serial number."""
        try:
            states = self._states()
        except (NoReply, BadReply) as fault:
            raise WrongInstrument(
                f"nothing answers as a board of {self._relays} relays ({fault.message})",
                instrument=self._name,
                exchange="FF",
                next_action="Check the port, and `relays` in the bench file.",
            ) from fault
        return Identity(maker="LCUS", model=f"{len(states)} relays", serial="", firmware="")

    def close_channels(self, channels: Sequence[int]) -> None:
        """Closes relays and reads them back; InstrumentRefused when one stayed open."""
        self._switch(channels, closed=True)

    def open_channels(self, channels: Sequence[int]) -> None:
        """Opens relays and reads them back; InstrumentRefused when one stayed closed."""
        self._switch(channels, closed=False)

    def open_all(self) -> None:
        """Opens every relay and reads them back."""
        self._switch(range(1, self._relays + 1), closed=False)

    def closed_channels(self) -> tuple[int, ...]:
        """The relays that the board says are closed."""
        states = self._again(self._states)
        return tuple(relay for relay, closed in sorted(states.items()) if closed)

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
        if not unique:
            return
        with self._lock:
            self._win_back()
            for relay in unique:
                self._link.write(frame(relay, closed=closed))
            states = self._again(self._states)
            wrong = [relay for relay in unique if states[relay] != closed]
            if wrong:
                for relay in wrong:  # a frame may have been lost on the wire: it is sent once more
                    self._link.write(frame(relay, closed=closed))
                states = self._again(self._states)
                wrong = [relay for relay in unique if states[relay] != closed]
        if wrong:
            raise InstrumentRefused(
                f"relay {', '.join(map(str, wrong))} stayed {'open' if closed else 'closed'}",
                instrument=self._name,
                exchange="FF",
                next_action="Listen for the relay and check the board's supply.",
            )

    def _states(self) -> dict[int, bool]:
        """Relay -> closed, of a whole answer: one line for each relay, each once."""
        self._link.drain(0.02)
        self._link.dirty = False
        self._link.write(ASK)
        states: dict[int, bool] = {}
        for _ in range(self._relays):
            line = self._link.read_line(DEADLINE_S).decode("ascii", "replace").strip()
            match = _STATE.fullmatch(line)
            relay = int(match["relay"]) if match else 0
            if match is None or relay in states or not 1 <= relay <= self._relays:
                self._link.dirty = True
                raise BadReply(f"{line!r} is no state of a relay", instrument=self._name, exchange="FF")
            states[relay] = match["state"] == "ON"
        return states


def frame(relay: int, *, closed: bool) -> bytes:
    """A0, relay, 0 or 1, and the sum of these three."""
    body = bytes([START, relay, int(closed)])
    return body + bytes([sum(body) & 0xFF])
