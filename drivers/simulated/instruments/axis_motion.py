"""The moving half of a grbl 1.1h controller: its planner, its step counter, feed hold, halt and the seek of the index.

It counts the steps that it sends; what the motor makes of them is the world's affair, behind the safety chain. Each
queued move starts from rest (grbl's junction speed is left out). A controller counts what it sends, whatever the
motor does.
Source: gnea/grbl 1.1h, interface.md (feed hold, jog cancel, reset), settings.md ($1, $120), planner.h (16 blocks).
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from drivers.simulated.world.safety_chain import SafetyChain
from drivers.simulated.world.trapezoid import Trapezoid

PLANNER_BLOCKS = 15


@dataclass(frozen=True)
class Block:
    """A queued move: machine target in steps, speed in steps/s."""

    target: float
    steps_s: float
    jog: bool = False


class GrblMotion:
    """One axis. `state` is grbl's word for what it does; settings are shared with the dialogue ($ number -> value)."""

    def __init__(self, chain: SafetyChain, settings: dict[int, float], *, has_index: bool) -> None:
        self._chain = chain
        self._settings = settings
        self._has_index = has_index
        self.queue: deque[Block] = deque()
        self.move: Trapezoid | None = None
        self.steps = 0.0  # machine position while nothing moves
        self.door = False  # the door input has opened: held, until resumed
        self.touched = False  # whether the last seek met the index mark
        self._seeking = False
        self.release_s = math.inf  # bench time at which the idle delay lets the motor go
        self._frame = -chain.world.axis_commanded_steps(0.0)  # machine steps less the world's
        self._under_way: Block | None = None
        self.state = "Alarm" if settings[22] else "Idle"
        if settings[1] == 255:
            chain.axis_energise(0.0, True)

    # commands ---------------------------------------------------------------------------------------------
    @property
    def at_rest(self) -> bool:
        return self.move is None and not self.queue

    @property
    def is_held(self) -> bool:
        return self.state.startswith("Hold")

    @property
    def room(self) -> int:
        """Free planner blocks."""
        return PLANNER_BLOCKS - len(self.queue) - (self.move is not None)

    def position_steps(self, t_s: float) -> float:
        """Machine position that the controller counts."""
        return self.steps if self.move is None else self.move.position(t_s)

    def speed_steps_s(self, t_s: float) -> float:
        return 0.0 if self.move is None else self.move.speed(t_s)

    def due_s(self) -> float:
        return min(self.release_s, math.inf if self.move is None else self.move.end_s)

    def _accel(self) -> float:
        return self._settings[120] * self._settings[100]

    # the planner -------------------------------------------------------------------------------------------
    def add(self, block: Block, t_s: float) -> None:
        self.queue.append(block)
        self.advance(t_s)

    def advance(self, t_s: float) -> None:
        """Ends moves that have ended by t_s and starts the next ones at the time they are due."""
        now_s = t_s
        while True:
            if self.move is not None:
                if self.move.end_s > t_s:
                    return
                now_s = self.move.end_s
                self._end(now_s)
            if self.state not in ("Idle", "Run", "Jog") or not self.queue:
                break
            self._start(now_s, self.queue.popleft())
        if self.release_s <= t_s:
            self.release_s = math.inf
            self._chain.axis_energise(t_s, False)

    def _start(self, t_s: float, block: Block) -> None:
        self.wake(t_s)
        self.state = "Jog" if block.jog else "Run"
        self._under_way = block
        self._send(t_s, block.target, block.steps_s)

    def _send(self, t_s: float, target: float, steps_s: float) -> None:
        self.move = Trapezoid(t_s, self.steps, target, steps_s, self._accel())
        self._chain.axis_move(t_s, target - self._frame, steps_s, self._accel())

    def _end(self, t_s: float) -> None:
        if self.move is None:
            return
        self.steps, self.move = self.move.target, None
        self._chain.advance(t_s)
        self._tie(t_s)
        if self.state == "Hold:1":
            self.state = "Hold:0"
        elif not self.queue:
            self.state = "Idle"
            self._under_way = None
            self._go_idle(t_s)

    def _go_idle(self, t_s: float) -> None:
        if self._settings[1] != 255:
            self.release_s = t_s + self._settings[1] / 1000.0

    def _tie(self, t_s: float) -> None:
        """The frames after a move that the world may not have followed (no motor power)."""
        self._frame = self.steps - self._chain.world.axis_commanded_steps(t_s)

    def slip(self, steps: float) -> None:
        """Fault injection: the motor is that many steps away from the count, without a message."""
        self._frame += steps

    def wake(self, t_s: float) -> None:
        """Motor current on."""
        self.release_s = math.inf
        self._chain.axis_energise(t_s, True)

    def sleep(self, t_s: float) -> None:
        """$SLP: motor current off until a reset."""
        self.state = "Sleep"
        self._chain.axis_energise(t_s, False)

    # interruptions -----------------------------------------------------------------------------------------
    def halt(self, t_s: float) -> None:
        """Steps stop at once; nothing is queued any more."""
        self._stop_pulses(t_s)
        self._seeking = False
        self.queue.clear()
        self._under_way = None

    def _stop_pulses(self, t_s: float) -> None:
        self._chain.axis_halt(t_s)
        self.steps = float(round(self.position_steps(t_s)))
        self.move = None
        self._tie(t_s)

    def hold(self, t_s: float) -> None:
        """`!`: brakes with $120; the rest of the move is kept for `~`."""
        if self.state == "Jog":
            self.cancel_jog(t_s)
        elif self.state in ("Idle", "Run") and not self._seeking:
            self._brake(t_s)
            self.state = "Hold:0" if self.move is None else "Hold:1"

    def _brake(self, t_s: float) -> None:
        if self.move is None:
            return
        rest = self.move.brake(t_s)
        self._stop_pulses(t_s)
        self._send(t_s, rest.target, rest.max_steps_s)

    def resume(self, t_s: float) -> None:
        """`~` out of a complete hold."""
        if self.state != "Hold:0":
            return
        self.state, self.door = "Idle", False
        if self._under_way is not None:
            self.queue.appendleft(self._under_way)
        self.advance(t_s)

    def cancel_jog(self, t_s: float) -> None:
        """0x85: brakes and forgets the jogs that wait."""
        if self.state != "Jog":
            return
        self.queue.clear()
        self._under_way = None
        self._brake(t_s)
        if self.move is None:
            self.state = "Idle"

    def reset(self, t_s: float) -> int:
        """0x18: the alarm it causes, 0 for none. The step count stays, in motion it can't be relied on."""
        alarm = 6 if self.state == "Home" else 3 if self.move is not None or self._seeking else 0
        if alarm:
            self.halt(t_s)
        self.queue.clear()
        self._under_way = None
        self.state = "Alarm" if alarm or self.state in ("Alarm", "Sleep") else "Idle"
        return alarm

    # the index mark ----------------------------------------------------------------------------------------
    def seek(self, t_s: float, state: str) -> float:
        """Starts the search for the index mark; the bench time of its end."""
        self.state = state
        self._seeking = True
        self.wake(t_s)
        end_s = self._chain.axis_index(t_s)
        self.touched = self._has_index and end_s is not None
        search_s = 1.5 * self._settings[130] / (self._settings[25] / 60.0)
        return end_s if end_s is not None else t_s + search_s

    def found_steps(self) -> float:
        """Where the last seek met the mark, in the machine steps counted before it."""
        return float(round(self._chain.world.axis_index_found_steps + self._frame))

    def rest(self, t_s: float, steps: float) -> None:
        """At rest where a seek ended, which is called `steps` from here on."""
        self._chain.advance(t_s)
        self._seeking = False
        self.steps = steps
        self._tie(t_s)
        self.state = "Idle"
        self._go_idle(t_s)
