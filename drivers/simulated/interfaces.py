"""What the dialogues need from the world, and what the server needs from a dialogue: two small Protocols.

The dialogues see the world through `WorldInterface` only, so that physics and words never mix . A `Session` is one
client's conversation with one instrument: bytes in, replies out, bench time an argument.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Emit = Callable[..., None]  # emit(bench_s, event, **facts): one line of the log


class WorldInterface(Protocol):
    """The methods of the world that dialogues call; units and signs as in drivers/simulated/README.md."""

    def generator_set(self, t_s: float, *, on: bool, frequency_hz: float, open_circuit_v_peak: float) -> None: ...
    def relays_set(self, t_s: float, closed: frozenset[int]) -> None: ...
    def axis_move(self, t_s: float, target_steps: float, max_steps_s: float, accel_steps_s2: float) -> float: ...
    def axis_halt(self, t_s: float) -> float: ...
    def axis_energise(self, on: bool) -> None: ...
    def axis_index(self, t_s: float) -> float: ...
    @property
    def axis_index_found_steps(self) -> float: ...  # where the last seek found the mark, in the steps before it
    def axis_commanded_steps(self, t_s: float) -> float: ...
    def encoder_deg(self, t_s: float) -> float | None: ...
    def sample(
        self, t0_s: float, *, rate_hz: float, n: int, ranges_v: tuple[float, float, float, float]
    ) -> NDArray[np.int16]: ...
    def meter_resistance_ohm(self, t_s: float, *, four_wire: bool, offset_compensation: bool, nplc: float) -> float: ...
    def meter_dc_v(self, t_s: float, nplc: float) -> float: ...
    def meter_ac_v(self, t_s: float) -> float: ...
    def climate(self, t_s: float) -> tuple[float, float]: ...
    def interlock(self, t_s: float) -> tuple[bool, bool]: ...  # guard closed, emergency stop pressed
    def hands_at(self, t_s: float) -> tuple[bool, bool, bool]: ...  # key held, bypass fitted, enable relays released
    def set_hands(self, *, guard_closed: bool | None, emergency_stop: bool | None, key: bool | None) -> None: ...


class Session(Protocol):
    """One client's conversation. The server calls `run` whenever bytes came or bench time reached `due_s()`."""

    def receive(self, data: bytes, t_s: float, /) -> None: ...

    def run(self, t_s: float, /) -> list[bytes]: ...  # does all that is due by t_s; each item is one reply

    def due_s(self) -> float: ...  # bench time of the next thing to do, inf for none

    def is_waiting(self) -> bool: ...  # True while the client waits for a reply that is held

    def disconnect(self, t_s: float, /) -> None: ...  # the client is gone
