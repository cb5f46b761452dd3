"""A drawn part on a drawn rig whose rotor is turned by a drawn hand: 2 to 60 turns a minute, jerks, stops, steps back.

Twenty seconds of captures, loopback before, impedances of the outputs after (wherever the rotor stood). Helper of
tests and of tests/shows/metrology.py.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from coverage_table import Outcome
from coverage_trial import against, truths
from drawn_rig import Drawn, DrawnRun, drawn
from numpy.typing import NDArray
from still_captures import StillWorld

from drivers.simulated.world.axis import AxisPhysics
from rig.evaluation.evaluated import evaluate

SECONDS, CAPTURES, SAMPLES = 20.0, 160, 1510
FINE = 2000  # places of a turn over which the true level is averaged


class Hand(AxisPhysics):
    """An axis that a hand has hold of."""

    motion: tuple[float, tuple[tuple[float, float, float], ...]] = (1.0, ())

    def _hand(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        rate, swings = self.motion
        turned = rate * t
        for size, ratio, phase in swings:
            turned = turned + size * np.sin(ratio * rate * t + phase)
        return np.asarray(turned, dtype=np.float64)


def motion(rng: np.random.Generator) -> tuple[float, tuple[tuple[float, float, float], ...]]:
    """(rad a second on the whole, swings): together the swings may stop the rotor or take it back for a while."""
    rate = 2 * math.pi * float(np.exp(rng.uniform(math.log(2.0), math.log(60.0)))) / 60.0
    jerk = float(rng.uniform(0.0, 0.6))
    return rate, tuple((jerk / f, f, float(rng.uniform(0, 6.28))) for f in rng.uniform(1.0, 6.0, 3).tolist())


class HandRun(DrawnRun):
    """The hand-turned sequence of a drawn world."""

    def turned(self) -> Any:
        """Loopback, the turn, the outputs' impedances; what evaluation gets."""
        rng = self.trial.rng
        self.world = self.still
        self.loopback()
        self._connected()
        level = self.part.excitation.level_v_rms
        self.source(True, level)
        hand = Hand(self.still.file.axis, self.still.file.seed, rng)
        hand.motion = motion(rng)
        self.still._axis = hand
        began = self.t_s
        self.samples = SAMPLES
        for i in range(CAPTURES):
            self.t_s = began + SECONDS * i / CAPTURES
            super(DrawnRun, self).capture("hand_turned", level, turned="by hand")
        self.samples = self.trial.samples
        self._impedances_anywhere(rng)
        return self.observed(clamping=str(self.trial.clamping))

    def _impedances_anywhere(self, rng: np.random.Generator) -> None:
        for coil in ("sin", "cos"):
            p = self.part.pins
            self.source(False)
            self.route([self.channel("exc_hi", p[f"{coil}_hi"]), self.channel("exc_lo", p[f"{coil}_lo"])])
            self.source(True, 2.0)
            for _ in range(16):
                self._angle = float(rng.uniform(0, 2 * math.pi))
                self.capture(f"impedance_{coil}", 2.0)
        self.source(False)


def hand_world(trial: Drawn) -> Drawn:
    """The same draw with the rotor in a hand."""
    from dataclasses import replace

    def held(file: Any) -> Any:
        return file.model_copy(update={"axis": file.axis.model_copy(update={"hand_turned": True, "encoder": False})})

    return replace(trial, file=held(trial.file), at_loopback=held(trial.at_loopback))


def one_by_hand(seed: int) -> list[Outcome]:
    """One world turned by hand, evaluated."""
    trial = hand_world(drawn(seed))
    run = HandRun(trial)
    results = evaluate(run.turned()).results
    assert isinstance(run.still, StillWorld)
    return against(seed, results, truths(trial, run))
