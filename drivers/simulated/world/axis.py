"""The simulated axis: commanded steps to the true rotor angle; time is an argument, seconds.

Angles are mechanical radians, counter-clockwise positive, from the index mark. Commands are trapezoid moves; the
motor adds cyclic errors and the coupling its own (motor_errors.py); backlash is a play operator with
memory of direction; each move rings out damped; a motor that loses steps loses multiples of four full steps (one
electrical turn of a two-phase motor); the rotor may slip on the spindle.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.motor_errors import ARCMIN, phases, waves
from drivers.simulated.world.trapezoid import Trapezoid
from drivers.simulated.worldfile.keys import AxisWorld

Floats = NDArray[np.float64]

MOVES_LIMIT = 64
STEP_DIGITS = 6  # of a step: below, a position is taken as rounded
INDEX_DEG_S = 90.0
INDEX_BACK_OFF_RAD = math.radians(5.0)
HAND_TURN_S = 6.0
HALT_LOSS_CHANCE = 0.5
QUIET_DECAYS = 25.0


@dataclass(slots=True, kw_only=True)
class _Move:
    """A profile and what the mechanics were when it began. motor = steps * scale + offset; rings: (t, amplitude)."""

    profile: Trapezoid
    offset_rad: float
    motor_start_rad: float
    play_start_rad: float
    slip_start_rad: float
    energised: bool
    loses_at_rad: float | None
    loss_rad: float
    rings: tuple[tuple[float, float], ...] = field(default=())


_OfMove = Callable[[_Move, Floats], Floats]


class AxisPhysics:
    """The state of the axis; every method that changes it takes the bench time at which it does, never going back."""

    def __init__(
        self,
        world: AxisWorld,
        seed: int,
        rng: np.random.Generator,
        slip_deg_per_turn: float = 0.0,
        clamping: int = 1,
    ) -> None:
        self._world, self._rng = world, rng
        self._slip_rad_per_turn = math.radians(slip_deg_per_turn)
        self._waves = waves(world, seed, clamping)
        self._encoder_phase, self._hand_phase = phases(seed)[5:7]
        self._rad_per_step = 2 * math.pi / world.steps_per_turn * world.scale
        self._loss_unit_rad = 4 * 2 * math.pi / world.full_steps
        self._lost = False
        self.index_found_steps = 0.0
        self._energised = True
        self._powered = True
        start = math.radians(world.start_deg)
        still = Trapezoid(-math.inf, 0.0, 0.0, 1.0, 1.0)
        self._moves = [
            _Move(
                profile=still,
                offset_rad=start,
                motor_start_rad=start,
                play_start_rad=start,
                slip_start_rad=0.0,
                energised=True,
                loses_at_rad=None,
                loss_rad=0.0,
            )
        ]
        self._starts = [-math.inf]

    # ---- commands -----------------------------------------------------------------------------------------

    def move(self, t_s: float, target_steps: float, max_steps_s: float, accel_steps_s2: float) -> float:
        """Start a move from where the command stands; returns its end time."""
        profile = Trapezoid(t_s, self.commanded_steps(t_s), target_steps, max_steps_s, accel_steps_s2)
        self._begin(profile)
        return profile.end_s

    def halt(self, t_s: float) -> float:
        """Stop at once; in motion the motor may lose a cycle. Returns the commanded steps there."""
        here = self.commanded_steps(t_s)
        was_moving = self.moving(t_s)
        self._begin(Trapezoid(t_s, here, here, 1.0, 1.0))
        if was_moving and self._rng.uniform() < HALT_LOSS_CHANCE:
            self._moves[-1].offset_rad -= self._loss_unit_rad
            self._moves[-1].motor_start_rad -= self._loss_unit_rad
        return here

    def energise(self, on: bool) -> None:
        """Motor current on or off; a move without current moves nothing."""
        self._energised = on

    def power(self, on: bool) -> None:
        """The interlock's relay in the motor supply."""
        self._powered = on

    @property
    def last_command_s(self) -> float:
        """When the last command began."""
        return self._starts[-1]

    @property
    def _drives(self) -> bool:
        return self._energised and self._powered and not self._world.stuck

    def index(self, t_s: float) -> float:
        """Seek the mark, arrive counter-clockwise, call it zero; returns the end time. Without a mark: a turn, no zero.

        `index_found_steps` then holds where the mark was, in the steps counted until then.
        """
        now = float(self._motor(self._moves[-1], np.array([t_s]))[0])
        if not self._world.index:
            steps_s = INDEX_DEG_S * self._world.steps_per_turn / 360
            return self.move(t_s, self.commanded_steps(t_s) + self._world.steps_per_turn, steps_s, 20 * steps_s)
        scatter = self._world.index_repeat_arcmin * ARCMIN * float(self._rng.standard_normal())
        turns = math.ceil((now - INDEX_BACK_OFF_RAD) / (2 * math.pi))
        mark = 2 * math.pi * turns + scatter
        away_steps = (mark - now) / self._rad_per_step
        steps_s = INDEX_DEG_S * self._world.steps_per_turn / 360
        profile = Trapezoid(t_s, -away_steps, 0.0, steps_s, 20 * steps_s)
        self.index_found_steps = self.commanded_steps(t_s) + away_steps
        self._begin(profile)
        move = self._moves[-1]
        move.loses_at_rad, self._lost = None, False
        if self._drives:
            move.offset_rad = mark
            move.play_start_rad = min(move.play_start_rad, mark - self._world.backlash_arcmin * ARCMIN / 2)
        return profile.end_s

    def _begin(self, profile: Trapezoid) -> None:
        last, t_s = self._moves[-1], np.array([profile.start_s])
        motor = float(self._motor(last, t_s)[0])
        play = float(self._play(last, t_s)[0])
        slip = float(self._slip(last, t_s)[0])
        rings = tuple(r for r in last.rings if profile.start_s - r[0] < 2.0)
        distance_rad = profile.distance * self._rad_per_step
        if distance_rad and self._drives:
            full_step = 2 * math.pi / self._world.full_steps
            swing = self._world.ring_fraction * min(abs(distance_rad), full_step)
            rings = (*rings[-1:], (profile.end_s, math.copysign(swing, distance_rad)))
        self._moves.append(
            _Move(
                profile=profile,
                offset_rad=motor - profile.start * self._rad_per_step,
                motor_start_rad=motor,
                play_start_rad=play,
                slip_start_rad=slip,
                energised=self._drives,
                loses_at_rad=self._loss_point(motor, distance_rad),
                loss_rad=self._loss(distance_rad),
                rings=rings,
            )
        )
        if self._moves[-1].loses_at_rad is not None:
            self._lost = True
        self._starts.append(profile.start_s)
        del self._moves[:-MOVES_LIMIT], self._starts[:-MOVES_LIMIT]

    def _loss(self, distance_rad: float) -> float:
        units = max(1, round(math.radians(self._world.lost_deg) / self._loss_unit_rad))
        return math.copysign(units * self._loss_unit_rad, distance_rad)

    def _loss_point(self, motor_rad: float, distance_rad: float) -> float | None:
        """Where on this move the motor loses its steps: the first pass of lost_at_deg since the last indexing."""
        w = self._world
        if w.lost_at_deg is None or not w.lost_deg or self._lost or not distance_rad:
            return None
        mark = math.radians(w.lost_at_deg)
        turn = 2 * math.pi
        if distance_rad > 0:
            at = mark + turn * math.ceil((motor_rad - mark) / turn)
            return at if at < motor_rad + distance_rad else None
        at = mark + turn * math.floor((motor_rad - mark) / turn)
        return at if at > motor_rad + distance_rad else None

    # ---- what is true at a time -----------------------------------------------------------------------------

    def commanded_steps(self, t_s: float) -> float:
        """What the controller believes."""
        return float(self._at(t_s).profile.steps(np.array([t_s]))[0])

    def moving(self, t_s: float) -> bool:
        """Whether a move is under way."""
        profile = self._at(t_s).profile
        return profile.start_s <= t_s < profile.end_s

    def step_pulses(self, t_s: Floats) -> Floats:
        """The controller's step line (n,): 1 from half a step to each whole one, 0 before it and at rest."""
        return self._over_moves(t_s, self._pulses)

    def spindle_mech_rad(self, t_s: Floats) -> Floats:
        """True angle of the spindle (n,)."""
        return self._over_moves(t_s, self._spindle)

    def rotor_mech_rad(self, t_s: Floats) -> Floats:
        """True angle of the rotor (n,): the spindle's, less its slip; or the hand's."""
        if self._world.hand_turned:
            return self._hand(np.asarray(t_s, dtype=np.float64))
        return self._over_moves(t_s, lambda move, t: self._spindle(move, t) - self._slip(move, t))

    def encoder_mech_deg(self, t_s: float) -> float | None:
        """The encoder on the spindle, with its own eccentricity and noise; None without an encoder. 0 to 360 deg."""
        if not self._world.encoder:
            return None
        at = np.array([t_s])
        angle = float((self._hand(at) if self._world.hand_turned else self.spindle_mech_rad(at))[0])
        angle += self._world.encoder_once_arcmin * ARCMIN * math.sin(angle + self._encoder_phase)
        angle += self._world.encoder_arcmin * ARCMIN * float(self._rng.standard_normal())
        return math.degrees(angle) % 360.0

    def _at(self, t_s: float) -> _Move:
        return self._moves[max(0, bisect_right(self._starts, t_s) - 1)]

    def _over_moves(self, t_s: Floats, of: _OfMove) -> Floats:
        t = np.atleast_1d(np.asarray(t_s, dtype=np.float64))
        earliest = float(t.min())
        if earliest >= self._starts[-1]:
            if earliest >= self._still_from_s(self._moves[-1]):
                return np.full_like(t, of(self._moves[-1], t[:1])[0])
            return of(self._moves[-1], t)
        which = np.clip(np.searchsorted(self._starts, t, side="right") - 1, 0, None)
        found = np.empty_like(t)
        for i in np.unique(which):
            found[which == i] = of(self._moves[i], t[which == i])
        return found

    def _still_from_s(self, move: _Move) -> float:
        """From when on nothing moves any more: the move has ended and its swing is below one part in 1e11."""
        rest_s = QUIET_DECAYS / (self._world.ring_damping * 2 * math.pi * self._world.ring_hz)
        return max([move.profile.end_s, *(since_s + rest_s for since_s, _ in move.rings)])

    def _motor(self, move: _Move, t: Floats) -> Floats:
        """Where the motor's field has taken the shaft, before play and errors."""
        if not move.energised:
            return np.full_like(t, move.motor_start_rad)
        motor: Floats = move.profile.steps(t) * self._rad_per_step + move.offset_rad
        if move.loses_at_rad is not None:
            past = (motor - move.loses_at_rad) * math.copysign(1.0, move.profile.distance) > 0
            motor = motor - np.where(past, move.loss_rad, 0.0)
        return motor

    @staticmethod
    def _pulses(move: _Move, t: Floats) -> Floats:
        done = np.round(np.abs(move.profile.steps(t) - move.profile.start), STEP_DIGITS)
        high: Floats = (done % 1.0 >= 0.5).astype(np.float64)
        return high

    def _play(self, move: _Move, t: Floats) -> Floats:
        """The motor's angle behind half the backlash, with memory of direction (path is monotone within a move)."""
        half = self._world.backlash_arcmin * ARCMIN / 2
        motor = self._motor(move, t)
        behind: Floats = np.clip(move.play_start_rad, motor - half, motor + half)
        return behind

    def _spindle(self, move: _Move, t: Floats) -> Floats:
        motor, angle = self._motor(move, t), self._play(move, t)
        for order, amplitude, phase in self._waves:
            if amplitude:
                angle = angle + amplitude * np.sin(order * motor + phase)
        zeta, omega = self._world.ring_damping, 2 * math.pi * self._world.ring_hz
        damped = omega * math.sqrt(1 - zeta**2)
        for since_s, swing in move.rings:
            after = np.maximum(t - since_s, 0.0)
            angle = angle + swing * np.exp(-zeta * omega * after) * np.sin(damped * after)
        return angle

    def _slip(self, move: _Move, t: Floats) -> Floats:
        """How far the rotor has stayed behind the spindle: it lags in either direction."""
        per_turn = self._slip_rad_per_turn
        if not per_turn:
            return np.zeros_like(t)
        turned = (self._motor(move, t) - move.motor_start_rad) / (2 * math.pi)
        return move.slip_start_rad + per_turn * turned

    def _hand(self, t: Floats) -> Floats:
        """A hand's turn: forward on the whole, uneven, with hesitations; about six seconds a turn."""
        at = 2 * math.pi * np.maximum(t, 0.0) / HAND_TURN_S
        jerk = 0.35 * np.sin(3.1 * at + self._hand_phase) + 0.12 * np.sin(11.7 * at + 2 * self._hand_phase)
        turned: Floats = at + jerk - 0.35 * math.sin(self._hand_phase) - 0.12 * math.sin(2 * self._hand_phase)
        return turned
