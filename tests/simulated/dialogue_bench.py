"""A plain world and plain wires for the dialogue tests: it records what it is told and answers with fixed numbers."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.instruments.scpi.dialogue import ClientSession, ScpiInstrument
from drivers.simulated.interfaces import Session
from drivers.simulated.wires.faults import Gate
from drivers.simulated.world.trapezoid import Trapezoid


@dataclass
class PlainWorld:
    """Every value is an attribute; every order is a line in `orders`. The axis moves in exact trapezoids."""

    ohm: float = 9.0
    volt: float = 0.5
    guard_closed: bool = True
    emergency_stop: bool = False
    encoder: float | None = 12.5
    index_at_steps: float = 0.0
    index_s: float = 2.0
    orders: list[tuple[Any, ...]] = field(default_factory=list)
    axis_index_found_steps: float = 0.0
    move: Trapezoid = field(default_factory=lambda: Trapezoid(0.0, 0.0, 0.0, 1.0, 1.0))

    def generator_set(self, t_s: float, *, on: bool, frequency_hz: float, open_circuit_v_peak: float) -> None:
        self.orders.append(("generator", on, frequency_hz, open_circuit_v_peak))

    def relays_set(self, t_s: float, closed: frozenset[int]) -> None:
        self.orders.append(("relays", closed))

    def axis_move(self, t_s: float, target_steps: float, max_steps_s: float, accel_steps_s2: float) -> float:
        self.orders.append(("move", target_steps))
        self.move = Trapezoid(t_s, self.axis_commanded_steps(t_s), target_steps, max_steps_s, accel_steps_s2)
        return self.move.end_s

    def axis_halt(self, t_s: float) -> float:
        self.orders.append(("halt",))
        here = self.axis_commanded_steps(t_s)
        self.move = Trapezoid(t_s, here, here, 1.0, 1.0)
        return here

    def axis_energise(self, on: bool) -> None:
        self.orders.append(("energise", on))

    def axis_index(self, t_s: float) -> float:
        self.orders.append(("index",))
        self.axis_index_found_steps = self.index_at_steps
        self.move = Trapezoid(t_s, 0.0, 0.0, 1.0, 1.0)
        return t_s + self.index_s

    def axis_commanded_steps(self, t_s: float) -> float:
        return self.move.position(t_s)

    def encoder_deg(self, t_s: float) -> float | None:
        return self.encoder

    def sample(
        self, t0_s: float, *, rate_hz: float, n: int, ranges_v: tuple[float, float, float, float]
    ) -> NDArray[np.int16]:
        self.orders.append(("sample", t0_s, rate_hz, n, ranges_v))
        return np.arange(4 * n, dtype=np.int16).reshape(4, n) - 5

    def meter_resistance_ohm(self, t_s: float, *, four_wire: bool, offset_compensation: bool, nplc: float) -> float:
        self.orders.append(("ohm", four_wire, offset_compensation, nplc))
        return self.ohm

    def meter_dc_v(self, t_s: float, nplc: float) -> float:
        return self.volt

    def meter_ac_v(self, t_s: float) -> float:
        return abs(self.volt)

    def climate(self, t_s: float) -> tuple[float, float]:
        return 22.04, 45.0

    def interlock(self, t_s: float) -> tuple[bool, bool]:
        return self.guard_closed, self.emergency_stop

    def hands_at(self, t_s: float) -> tuple[bool, bool, bool]:
        return False, False, False

    def set_hands(self, *, guard_closed: bool | None, emergency_stop: bool | None, key: bool | None) -> None:
        self.guard_closed = self.guard_closed if guard_closed is None else guard_closed
        self.emergency_stop = self.emergency_stop if emergency_stop is None else emergency_stop


class Hand:
    """A client's hand on one session: says lines, reads replies, lets bench time pass to whatever is due."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.t_s = 0.0

    def say(self, text: str | bytes) -> list[bytes]:
        """Replies that are there without any bench time passing."""
        self.session.receive(text if isinstance(text, bytes) else f"{text}\n".encode("latin-1"), self.t_s)
        return self.session.run(self.t_s)

    def ask(self, text: str) -> str:
        """The one reply, bench time passing as it must."""
        replies = self.say(text)
        while not replies and self.session.due_s() < math.inf:
            self.t_s = max(self.t_s, self.session.due_s())
            replies = self.session.run(self.t_s)
        assert len(replies) == 1, replies
        return replies[0].decode("latin-1").rstrip("\r\n")

    def wait(self, seconds: float) -> list[bytes]:
        """Everything that comes while bench time passes."""
        end_s, replies = self.t_s + seconds, []
        while self.session.due_s() <= end_s:
            self.t_s = max(self.t_s, self.session.due_s())
            came = self.session.run(self.t_s)
            replies += came
            if not came and self.session.due_s() <= self.t_s:
                break
        self.t_s = end_s
        return replies + self.session.run(self.t_s)


def hand_on(instrument: ScpiInstrument, gate: Gate | None = None, **options: Any) -> Hand:
    """A hand on a fresh session of a SCPI instrument."""
    gate = gate or Gate()
    gate.storm = instrument.storm
    return Hand(ClientSession(instrument, gate, **options))


def silent(bench_s: float, event: str, **facts: object) -> None:
    """A log that nobody reads."""
