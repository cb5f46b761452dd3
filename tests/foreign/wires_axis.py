"""The foreign axis in time: trapezoid moves, index, play, ringing after each move. Seconds, steps, mechanical rad."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foreign.rig_errors import sum_of_waves
from foreign.world import ARCMIN_RAD, Foreigner

Floats = NDArray[np.float64]
RING_HZ, RING_DECAY_S, RING_SHARE = 83.0, 0.016, 0.03
INDEX_S, START_STEPS = 2.5, 137.0


@dataclass(frozen=True, kw_only=True)
class Move:
    """One trapezoid move in commanded steps, from t0_s; ccw: last direction of travel, kept through a move of zero."""

    t0_s: float
    begin: float
    end: float
    speed: float
    accel: float
    ccw: bool
    scatter_rad: float

    @property
    def _ramp_s(self) -> float:
        distance = abs(self.end - self.begin)
        return min(self.speed / self.accel, math.sqrt(distance / self.accel))

    @property
    def end_s(self) -> float:
        """When the command is done."""
        distance, ramp = abs(self.end - self.begin), self._ramp_s
        if distance == 0.0:
            return self.t0_s
        return self.t0_s + 2.0 * ramp + (distance - self.accel * ramp**2) / (self.accel * ramp)

    def at(self, t_s: Floats) -> Floats:
        """Commanded steps at times (n,)."""
        if self.begin == self.end:
            return np.full_like(t_s, self.end)
        ramp, whole = self._ramp_s, self.end_s - self.t0_s
        t = np.clip(t_s - self.t0_s, 0.0, whole)
        up, down = np.minimum(t, ramp), np.maximum(t - (whole - ramp), 0.0)
        steady = np.clip(t - ramp, 0.0, whole - 2.0 * ramp)
        top = self.accel * ramp
        gone = 0.5 * self.accel * up**2 + top * steady + top * down - 0.5 * self.accel * down**2
        return self.begin + math.copysign(1.0, self.end - self.begin) * gone


class ForeignAxis:
    """What the axis does with its orders; `mark_steps`: where the last seek found the index, in the count before it."""

    def __init__(self, world: Foreigner) -> None:
        self.world = world
        self.per_turn = float(world.bench.axis.steps_per_turn if world.bench.axis else 3200)
        self.absolute_of_zero = START_STEPS
        self.mark_steps = 0.0
        self.move_ = self._still(0.0, 0.0, ccw=True)

    def _still(self, t_s: float, at: float, *, ccw: bool) -> Move:
        return Move(t0_s=t_s, begin=at, end=at, speed=1.0, accel=1.0, ccw=ccw, scatter_rad=0.0)

    def commanded(self, t_s: float) -> float:
        """Commanded steps now."""
        return float(self.move_.at(np.array([t_s]))[0])

    def move(self, t_s: float, target: float, speed: float, accel: float) -> float:
        """Start a move from where the command stands; returns its end."""
        here = self.commanded(t_s)
        scatter = self.world.rig.axis.jitter_arcmin * ARCMIN_RAD * float(self.world.rng.standard_normal())
        ccw = self.move_.ccw if target == here else target > here
        self.move_ = Move(t0_s=t_s, begin=here, end=target, speed=speed, accel=accel, ccw=ccw, scatter_rad=scatter)
        return self.move_.end_s

    def halt(self, t_s: float) -> float:
        """Stop at once, without a lost step."""
        here = self.commanded(t_s)
        self.move_ = self._still(t_s, here, ccw=self.move_.ccw)
        return here

    def index(self, t_s: float) -> float:
        """Seek the mark, arrive counter-clockwise and count from there; returns the end."""
        absolute = self.absolute_of_zero + self.commanded(t_s)
        mark = round(absolute / self.per_turn) * self.per_turn
        self.mark_steps = mark - self.absolute_of_zero
        self.absolute_of_zero = mark
        self.move_ = self._still(t_s + INDEX_S, 0.0, ccw=True)
        return t_s + INDEX_S

    def spindle_rad(self, t_s: Floats) -> Floats:
        """Where the spindle stands at times (n,)."""
        move, axis = self.move_, self.world.rig.axis
        commanded = (self.absolute_of_zero + move.at(t_s)) * 2.0 * math.pi / self.per_turn
        play = 0.5 * axis.play_arcmin * ARCMIN_RAD * (-1.0 if move.ccw else 1.0)
        after = np.maximum(t_s - move.end_s, 0.0)
        size = RING_SHARE * min(abs(move.end - move.begin), 10.0) * 2.0 * math.pi / self.per_turn
        ring = size * np.exp(-after / RING_DECAY_S) * np.cos(2.0 * math.pi * RING_HZ * after)
        where: Floats = commanded + sum_of_waves(axis.waves, commanded) + play + move.scatter_rad
        return where + np.where(t_s >= move.end_s, math.copysign(1.0, move.end - move.begin) * ring, 0.0)
