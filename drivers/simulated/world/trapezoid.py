"""Moves from rest to rest as trapezoids of speed: of the axis controller's counting, and of the motor that follows it.

Pure; steps and seconds.
Source: constant-acceleration kinematics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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

    @property
    def distance(self) -> float:
        """Signed steps from start to target."""
        return self.target - self.start

    def steps(self, t_s: Floats) -> Floats:
        """(n,) steps at bench times (n,)."""
        t = np.asarray(t_s, dtype=np.float64)
        if self.distance == 0.0:
            return np.full_like(t, self.target)
        ramp_s, accel = self._ramp_s, self.accel_steps_s2
        gone = np.maximum(t - self.start_s, 0.0)
        left = np.maximum(self.end_s - t, 0.0)
        done = np.where(gone < ramp_s, 0.5 * accel * gone**2, accel * ramp_s * (gone - 0.5 * ramp_s))
        done = np.where(left < ramp_s, abs(self.distance) - 0.5 * accel * left**2, done)
        steps: Floats = np.where(left > 0.0, self.start + math.copysign(1.0, self.distance) * done, self.target)
        return steps

    def position(self, t_s: float) -> float:
        """Steps at bench time t_s."""
        return float(self.steps(np.array([t_s]))[0])

    def speed(self, t_s: float) -> float:
        """Magnitude in steps a second."""
        if not self.start_s < t_s < self.end_s:
            return 0.0
        return self.accel_steps_s2 * min(t_s - self.start_s, self._ramp_s, self.end_s - t_s)

    def brake(self, t_s: float) -> Trapezoid:
        """What is left after a feed hold: from where it is to v**2 / 2a further on, in v / a seconds.

        As a move from rest to rest over the same way; it ends at the place of the true one, never beyond the target.
        """
        here, way = self.position(t_s), self.speed(t_s) ** 2 / (2.0 * self.accel_steps_s2)
        stop = here + math.copysign(min(way, abs(self.target - here)), self.target - self.start)
        return Trapezoid(t_s, here, round(stop), self.max_steps_s, self.accel_steps_s2)
