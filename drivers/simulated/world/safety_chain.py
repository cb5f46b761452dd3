"""The hardware between controllers and world: a safety chain that cuts excitation and motor power by itself.

An open guard or a pressed emergency stop opens the chain; the generator's panel and the axis controller are not told,
as on a real bench (grbl goes on counting steps that no motor makes). Excitation comes back only when the generator is
set anew, motor power when the axis is next energised. Where there is an enable timer, the chain is open until the
first pulse and opens when no pulse came for its time (a real chain then waits for the reset button too). Events:
generator_on (v_rms: open-circuit), generator_off, axis_moving, axis_stopped, axis_halted, axis_released, interlock,
enable (on).
"""

from __future__ import annotations

import math

from drivers.simulated.interfaces import Emit, WorldInterface

_SILENT = (False, 0.0, 0.0)


class SafetyChain:
    """Passes generator and axis orders to the world while the chain is closed."""

    def __init__(self, world: WorldInterface, emit: Emit, enable_timer_s: float | None = None) -> None:
        self._world = world
        self._timer_s = enable_timer_s
        self._enabled_until_s = -math.inf if enable_timer_s is not None else math.inf
        self._emit = emit
        self._excitation: tuple[bool, float, float] = _SILENT
        self._enabled = enable_timer_s is None
        self._closed = self._enabled
        self._let_through = True
        self._energised = False
        self._move_end_s = -math.inf
        self._moving = False

    @property
    def world(self) -> WorldInterface:
        return self._world

    def generator_set(self, t_s: float, *, on: bool, frequency_hz: float, open_circuit_v_peak: float) -> None:
        """The EMF behind the generator's source resistance; nothing passes while the chain is open."""
        self.check(t_s)
        wanted = (on and self._closed, frequency_hz, open_circuit_v_peak)
        if wanted == self._excitation:
            return
        was_on = self._excitation[0]
        self._excitation = wanted
        self._world.generator_set(t_s, on=wanted[0], frequency_hz=frequency_hz, open_circuit_v_peak=open_circuit_v_peak)
        if wanted[0]:
            v_rms = open_circuit_v_peak / math.sqrt(2.0)
            self._emit(t_s, "generator_on", frequency_hz=frequency_hz, v_rms=v_rms)
        elif was_on:
            self._emit(t_s, "generator_off")

    def axis_energise(self, t_s: float, on: bool) -> None:
        """Motor current on or off; on is refused while the chain is open."""
        self.check(t_s)
        on = on and self._closed
        if on != self._energised:
            self._energised = on
            self._world.axis_energise(on)
            if not on:
                self._emit(t_s, "axis_released")

    def axis_move(self, t_s: float, target_steps: float, max_steps_s: float, accel_steps_s2: float) -> bool:
        """Starts a move in world steps; False when no motor power reaches the axis."""
        self.check(t_s)
        if not self._energised:
            return False
        self._move_end_s = self._world.axis_move(t_s, target_steps, max_steps_s, accel_steps_s2)
        self._moving = True
        self._emit(t_s, "axis_moving", target_steps=target_steps)
        return True

    def axis_index(self, t_s: float) -> float | None:
        """Seeks the index mark; the bench time of its end, or None when no motor power reaches the axis."""
        self.check(t_s)
        if not self._energised:
            return None
        self._emit(t_s, "axis_moving", seeking="index")
        self._move_end_s = self._world.axis_index(t_s)
        self._moving = True
        return self._move_end_s

    def axis_halt(self, t_s: float) -> None:
        """Abrupt end of a move."""
        if self._moving and t_s < self._move_end_s:
            self._world.axis_halt(t_s)
            self._emit(t_s, "axis_halted")
            self._moving = False
        self.advance(t_s)

    def advance(self, t_s: float) -> None:
        """Tells the log of a move that has ended."""
        if self._moving and t_s >= self._move_end_s:
            self._moving = False
            self._emit(self._move_end_s, "axis_stopped")

    def due_s(self) -> float:
        """Bench time at which a move ends or the enable timer opens, inf for none."""
        move_s = self._move_end_s if self._moving else math.inf
        return min(move_s, self._enabled_until_s) if self._enabled else move_s

    def pulse(self, t_s: float) -> None:
        """A pulse reached the enable timer, which holds from now on for its time."""
        if self._timer_s is not None:
            self.check(t_s)
            self._enabled_until_s = t_s + self._timer_s
            self.check(t_s)

    def check(self, t_s: float) -> None:
        """Opens or closes the chain as guard, emergency stop and enable timer are at t_s."""
        guard_closed, emergency_stop = self._world.interlock(t_s)
        let_through = guard_closed and not emergency_stop
        enabled = t_s < self._enabled_until_s
        if enabled != self._enabled:
            self._enabled = enabled
            self._emit(t_s, "enable", on=enabled)
        if let_through != self._let_through:
            self._let_through = let_through
            self._emit(t_s, "interlock", guard_closed=guard_closed, emergency_stop=emergency_stop)
        closed, was_closed = let_through and enabled, self._closed
        self._closed = closed
        if was_closed and not closed:
            self.de_energise(t_s)

    def de_energise(self, t_s: float) -> None:
        """Excitation off, axis halted and released."""
        on, frequency_hz, v_peak = self._excitation
        if on:
            self._excitation = (False, frequency_hz, v_peak)
            self._world.generator_set(t_s, on=False, frequency_hz=frequency_hz, open_circuit_v_peak=v_peak)
            self._emit(t_s, "generator_off")
        self.axis_halt(t_s)
        if self._energised:
            self._energised = False
            self._world.axis_energise(False)
            self._emit(t_s, "axis_released")
