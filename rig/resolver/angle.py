"""Envelopes to electrical angle; pole pairs and direction from a sweep.

It must never know how the envelopes were measured. Angles are radians; `_elec` and `_mech` are said of each.
Convention: u = A sin(theta_elec), v = A cos(theta_elec), so theta_elec = atan2(u, v); direction +1 when theta_elec
rises with theta_mech. Score of a candidate k: |mean exp(j(theta_elec - k theta_mech))|. A uniform grid of P points
can't tell k from k - P. Source: design page "signal", section 2.3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PolePairs:
    """value: whole pole pairs; per_turn: electrical turns a mechanical turn as measured (signed, not whole when the
    axis' scale is wrong); direction: +1 or -1; score: 1 when every point agrees; runner_up: score of the next best
    candidate; ambiguous: the grid can't tell the two apart."""

    value: int
    per_turn: float
    direction: int
    score: float
    runner_up: float
    ambiguous: bool


def wrap(angle_rad: Floats) -> Floats:
    """Angles brought into (-pi, pi]."""
    wrapped: Floats = np.pi - np.mod(np.pi - np.asarray(angle_rad, dtype=np.float64), 2 * np.pi)
    return wrapped


def electrical_angle(u: Floats, v: Floats) -> Floats:
    """atan2(u, v), electrical radians in (-pi, pi]. u: sine envelope, v: cosine envelope, same unit, same shape."""
    theta = np.arctan2(u, v)
    angle: Floats = np.where(theta <= -np.pi, np.pi, theta)
    return angle


def unwrap(theta_elec_rad: Floats) -> Floats:
    """The angle without jumps, in the order of the sweep; valid while a step is under half an electrical turn."""
    angle: Floats = np.unwrap(np.asarray(theta_elec_rad, dtype=np.float64))
    return angle


def pole_pairs(theta_elec_rad: Floats, theta_mech_rad: Floats, most: int = 16) -> PolePairs:
    """Pole pairs and direction from electrical against mechanical angles, in any order of points.

    Points: (n,), over most of a turn; pole pairs 1..most. Raises UsageError for fewer than four points.
    """
    elec = np.asarray(theta_elec_rad, dtype=np.float64)
    mech = np.asarray(theta_mech_rad, dtype=np.float64)
    if elec.size < 4 or elec.shape != mech.shape:
        raise UsageError(
            f"Pole pairs need four points at least, as many of each kind ({elec.size} and {mech.size} given).",
            next_action="Sweep more positions.",
        )
    candidates = np.array([k for k in range(-most, most + 1) if k != 0])
    scores = np.abs(np.mean(np.exp(1j * (elec[None, :] - candidates[:, None] * mech[None, :])), axis=1))
    best = int(np.argmax(scores))
    others = np.delete(scores, best)
    k = int(candidates[best])
    return PolePairs(
        value=abs(k),
        per_turn=_per_turn(elec, mech, k),
        direction=1 if k > 0 else -1,
        score=float(scores[best]),
        runner_up=float(np.max(others)),
        ambiguous=bool(np.max(others) > scores[best] - 0.02),
    )


def _per_turn(elec: Floats, mech: Floats, k: int) -> float:
    """Electrical turns a mechanical turn: the score's maximum near k, then the slope of what is left."""
    trial = k + np.linspace(-0.6, 0.6, 241)
    scores = np.abs(np.mean(np.exp(1j * (elec[None, :] - trial[:, None] * mech[None, :])), axis=1))
    rate = float(trial[int(np.argmax(scores))])
    left = elec - rate * mech
    left = wrap(left - np.angle(np.mean(np.exp(1j * left))))
    centred = mech - np.mean(mech)
    spread = float(np.sum(centred**2))
    return rate + (float(np.sum(left * centred)) / spread if spread > 0 else 0.0)
