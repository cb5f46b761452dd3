"""How the axis controller times its own moves: trapezoids from rest to rest. Pure; steps and seconds.

It must never know the world: a stepper controller counts the steps it sends, whatever the motor does.
Source: constant-acceleration kinematics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Trapezoid:
    """A move from rest to rest. start, target in steps; max_steps_s and accel_steps_s2 positive; start_s bench time."""

    start_s: float
    start: float
    target: float
    max_steps_s: float
    accel_steps_s2: float

    @property
    def _ramp_s(self) -> float:
        top = min(self.max_steps_s, math.sqrt(abs(self.target - self.start) * self.accel_steps_s2))
        return top / self.accel_steps_s2

    @property
    def end_s(self) -> float:
        distance = abs(self.target - self.start)
        if distance == 0.0:
            return self.start_s
        ramp_s = self._ramp_s
        return self.start_s + ramp_s + distance / (ramp_s * self.accel_steps_s2)

    def position(self, t_s: float) -> float:
        """Steps at bench time t_s."""
        distance = abs(self.target - self.start)
        if t_s >= self.end_s or distance == 0.0:
            return self.target
        t = max(0.0, t_s - self.start_s)
        ramp_s, left = self._ramp_s, self.end_s - t_s
        half = 0.5 * self.accel_steps_s2
        if t < ramp_s:
            done = half * t * t
        elif left < ramp_s:
            done = distance - half * left * left
        else:
            done = half * ramp_s * ramp_s + self.accel_steps_s2 * ramp_s * (t - ramp_s)
        return self.start + math.copysign(done, self.target - self.start)

    def speed(self, t_s: float) -> float:
        """Magnitude in steps a second."""
        if not self.start_s < t_s < self.end_s:
            return 0.0
        return self.accel_steps_s2 * min(t_s - self.start_s, self._ramp_s, self.end_s - t_s)

    def braked(self, t_s: float) -> Trapezoid:
        """What is left after a feed hold: from where it is to v**2 / 2a further on, in v / a seconds.

        As a move from rest to rest over the same way; it ends at the place of the true one, never beyond the target.
        """
        here, way = self.position(t_s), self.speed(t_s) ** 2 / (2.0 * self.accel_steps_s2)
        stop = here + math.copysign(min(way, abs(self.target - here)), self.target - self.start)
        return Trapezoid(t_s, here, round(stop), self.max_steps_s, self.accel_steps_s2)
