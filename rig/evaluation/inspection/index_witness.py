"""What clears the axis or does not: the index sought again between the passes and after them, and an encoder.

Each search tells of the pass before it. An index that is found where it was expected clears the axis of lost steps; a
turn that then does not close is the rotor's. It must never judge the angle error.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.inspection.thresholds import ENCODER_AGREES_MECH_DEG
from rig.evaluation.turn.passes import SWEEPS, SWEEPS_AGAIN
from rig.observed import Observed
from rig.quantity import Reading

INDEX_STEPS = 3.0  # microsteps beyond the index' own repeatability


def index_off_steps(obs: Observed) -> float | None:
    """Steps between where the index was expected and where it was found, the most of all times that it was sought
    again; None when it was not."""
    worst = index_off(obs)
    return None if worst is None else worst[0]


def index_off(obs: Observed) -> tuple[float, Reading] | None:
    """The steps it was most off by, and the reading that says so."""
    if obs.bench.axis is None:
        return None
    per_turn = obs.bench.axis.steps_per_turn
    again = [
        (math.remainder(r.number(), per_turn), r)
        for phase in ("between", "again")
        for r in obs.select("index_found", phase=phase)
        if r.value is not None
    ]
    return max(again, key=lambda one: abs(one[0]), default=None)


def which_pass(obs: Observed, off: Reading) -> str:
    """The pass before an index that was found off; the whole sweep when it was not sought between the passes."""
    _, second = _passes(obs)
    if not second or not _index_between(obs):
        return "during the sweep"
    return f"in the {'first' if off.bench_time_s <= second[0].bench_time_s else 'second'} pass"


def index_tolerance_steps(obs: Observed) -> float:
    """How far the index may be off by its repeatability and the backlash, microsteps."""
    axis = obs.bench.axis
    if axis is None:
        return INDEX_STEPS
    step_arcmin = 360.0 * 60.0 / axis.steps_per_turn
    return INDEX_STEPS + (3.0 * axis.index_repeat_arcmin + axis.backlash_arcmin) / step_arcmin


def _passes(obs: Observed) -> tuple[list[Reading], list[Reading]]:
    """The readings of both passes of the turn in hand; of a pass that was not made none."""
    repeated = [obs.capture_readings(name) for name in SWEEPS_AGAIN]
    first, second = repeated if all(repeated) else [obs.capture_readings(name) for name in SWEEPS]
    return first, second


def _index_between(obs: Observed) -> bool:
    """Whether the index was sought again between the two passes."""
    if obs.select("index_found", phase="between"):
        return True
    first, second = _passes(obs)
    if not first or not second:
        return False
    low, high = sorted((first[-1].bench_time_s, second[0].bench_time_s))
    return any(low <= r.bench_time_s <= high for r in obs.select("index_found", phase="again"))


def loose_rotor(obs: Observed) -> str:
    """The witness that clears the axis when a turn does not close: then the rotor is loose. "" when there is none.

    An encoder on the spindle that agrees with the steps clears it; so does an index found between the passes. An
    index found only after both passes has seen the axis go and come back: it clears lost steps, not a wrong scale.
    """
    off = index_off_steps(obs)
    if off is None or abs(off) > index_tolerance_steps(obs):
        return ""
    if (span := _encoder_against_steps(obs)) is not None:
        return "the encoder agrees with the steps" if span < ENCODER_AGREES_MECH_DEG else ""
    return "the index was found where expected after one whole turn" if _index_between(obs) else ""


def _encoder_against_steps(obs: Observed) -> float | None:
    """Largest difference between encoder and steps over the sweep, mechanical deg, a constant left out."""
    axis = obs.bench.axis
    seen = [
        (r.number(), float(r.conditions.get("position_steps") or 0))
        for r in obs.select("encoder_angle")
        if r.value is not None
    ]
    if not seen or axis is None:
        return None
    apart = np.array([math.radians(a - 360.0 * s / axis.steps_per_turn) for a, s in seen])
    middle_rad = float(np.angle(np.mean(np.exp(1j * apart))))
    return float(np.degrees(np.max(np.abs(np.angle(np.exp(1j * (apart - middle_rad)))))))
