"""A simulated person: obeys one act a line, and slips now and then when the world says so.

Acts as drivers/hand.py prints them on its wire: `put LEAD PLACE`, `lift`, `plug part|loopback|nothing`, `cable CHANNEL
SOCKET`, `read air|humidity`, `who`. Each act is answered `done`, whether it went well or not: a person who slips does
not know it. Event `hand` {act, slip} in the log tells what really happened; nothing but the log says so.
"""

from __future__ import annotations

import numpy as np

from drivers.simulated.interfaces import Emit, WorldInterface
from drivers.simulated.worldfile.keys import WorldFile

SERIAL = "SIM00011"
CORE_COLUMN, LOOPBACK = 15, 2001
ROW = {"meter_hi": 1, "meter_lo": 2}
PLUG_ROWS = {"exc_hi": 3, "exc_lo": 4, "sin_hi": 5, "sin_lo": 6, "cos_hi": 7, "cos_lo": 8}
SOCKETS = ("exc_v", "exc_i", "sin", "cos")
NO_CONTACT = 0.5  # of the slips of a lead; the others land on a neighbour


class Cables:
    """Which socket each cable of a two-channel sampler is on; None: nowhere."""

    def __init__(self) -> None:
        self.on: list[int | None] = [None, None]


class Hand:
    """One person at the bench; draws its slips from the world's seed."""

    def __init__(self, world: WorldInterface, file: WorldFile, cables: Cables, emit: Emit) -> None:
        self._world, self._file, self._cables, self._emit = world, file, cables, emit
        self._rng = np.random.default_rng((file.seed, 77))
        self._leads: dict[str, int | None] = {"meter_hi": None, "meter_lo": None}
        self._plug: frozenset[str] = frozenset()
        self._looped = False

    def answer(self, line: str, t_s: float) -> bytes:
        """The reply to one line."""
        words = line.split()
        match words:
            case ["who"]:
                return f"hand {SERIAL}\n".encode()
            case ["read", "air"]:
                return f"{self._world.climate(t_s)[0]:.1f} C\n".encode()
            case ["read", "humidity"]:
                return f"{self._world.climate(t_s)[1]:.0f} %\n".encode()
        slip = self._act(words)
        if slip is None:
            return b"not understood\n"
        self._emit(t_s, "hand", act=line.strip(), slip=slip)
        self._world.relays_set(t_s, self._closed_channels())
        return b"done\n"

    def _act(self, words: list[str]) -> str | None:
        """What went wrong with an act, "" for nothing; None for a line that is no act."""
        match words:
            case ["put", lead, place] if lead in ROW:
                return self._put(lead, place)
            case ["lift"]:
                self._leads = dict.fromkeys(self._leads)
                return ""
            case ["plug", "part"]:
                return self._push()
            case ["plug", "loopback"]:
                self._plug, self._looped = frozenset(), not self._slips()
                return "" if self._looped else "not home"
            case ["plug", "nothing"]:
                self._plug, self._looped = frozenset(), False
                return ""
            case ["cable", channel, socket] if channel in ("ch1", "ch2") and socket in SOCKETS:
                return self._connect(int(channel[-1]) - 1, SOCKETS.index(socket))
        return None

    def _slips(self) -> bool:
        return bool(self._rng.random() < self._file.switch.slip)

    def _put(self, lead: str, place: str) -> str:
        column = CORE_COLUMN if place == "core" else int(place)
        if not self._slips():
            self._leads[lead] = column
            return ""
        if self._rng.random() < NO_CONTACT:
            self._leads[lead] = None
            return "no contact"
        pins = sorted({*self._file.holder.pins.values(), CORE_COLUMN} - {column})
        near = sorted(pins, key=lambda pin: abs(pin - column))[:3]
        self._leads[lead] = int(self._rng.choice(near))
        return f"on {self._leads[lead]}"

    def _push(self) -> str:
        self._plug, self._looped = frozenset(PLUG_ROWS), False
        if not self._slips():
            return ""
        coil = str(self._rng.choice(["exc", "sin", "cos"]))
        self._plug = frozenset(name for name in PLUG_ROWS if not name.startswith(coil))
        return f"half home: {coil} open"

    def _connect(self, channel: int, socket: int) -> str:
        if not self._slips():
            self._cables.on[channel] = socket
            return ""
        others: list[int | None] = [None, *(s for s in range(len(SOCKETS)) if s != socket)]
        self._cables.on[channel] = others[int(self._rng.integers(len(others)))]
        on = self._cables.on[channel]
        return "not home" if on is None else f"on {SOCKETS[on]}"

    def _closed_channels(self) -> frozenset[int]:
        """The channels of the relay matrix that make the same connections."""
        pins = self._file.holder.pins
        leads = {1000 + 100 * ROW[lead] + column for lead, column in self._leads.items() if column is not None}
        if self._looped:
            return frozenset({*leads, LOOPBACK})
        return frozenset(leads | {1000 + 100 * PLUG_ROWS[name] + pins[name] for name in self._plug})
