"""Envelopes to electrical angle; pole pairs and direction from a sweep.

It must never know how the envelopes were measured. Angles are radians; `_elec` and `_mech` are said of each.
Convention: u = A sin(theta_elec), v = A cos(theta_elec), so theta_elec = atan2(u, v); direction +1 when theta_elec
rises with theta_mech. Score of a candidate k (signed pole pairs): |mean exp(j(theta_elec - k theta_mech))|. Points see
only the difference of two candidates, by |mean exp(j(k - k') theta_mech)|: where that is 1, they tell the two apart by
nothing. So P even points of a turn can't tell k from k - P, nor eight even ones of one electrical cycle p from -7 p.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError

Floats = NDArray[np.float64]


MOST_POLE_PAIRS = 16  # of any part; candidates are looked for up to here, in both directions
SAME_TO_POINTS = 0.98  # difference factor from which points tell two candidates apart by nothing
LIKE_TO_POINTS = 0.5  # and from which they do so little that equal scores decide nothing
SAME_SCORE = 0.02  # scores closer than this are equal


@dataclass(frozen=True, slots=True, kw_only=True)
class PolePairs:
    """value: whole pole pairs; per_turn: electrical turns a mechanical turn as measured (signed, not whole when the
    axis' scale is wrong); direction: +1 or -1; score: 1 when every point agrees; runner_up: score of the next best
    candidate that the points can tell from this one.

    others: signed candidates that explain the points as well as this one. assumed: the pole pairs that were named
    decided among them. ambiguous: nothing decided; value and direction are then no measurement.
    """

    value: int
    per_turn: float
    direction: int
    score: float
    runner_up: float
    ambiguous: bool
    others: tuple[int, ...] = ()
    assumed: bool = False

    @property
    def signed(self) -> int:
        """Pole pairs with the sign of the direction."""
        return self.value * self.direction

    def candidates(self) -> tuple[int, ...]:
        """All signed pole pairs that explain the points alike, the smallest first."""
        return tuple(sorted((self.signed, *self.others), key=lambda k: (abs(k), k < 0)))

    def values(self) -> frozenset[int]:
        """Their numbers of pole pairs, without direction."""
        return frozenset(abs(k) for k in self.candidates())


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


def pole_pairs(
    theta_elec_rad: Floats, theta_mech_rad: Floats, most: int = MOST_POLE_PAIRS, nominal: int | None = None
) -> PolePairs:
    """Pole pairs and direction from electrical against mechanical angles, in any order of points.

    Points: (n,), radians; pole pairs 1..most. nominal: the pole pairs that the part file names; they decide, direction
    and all, where the points can't tell several candidates apart and just one of them has that many. Raises UsageError
    for fewer than four points.
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
    equal = _equal(candidates, scores, mech)
    k = _decide(candidates[equal], nominal)
    tied = [int(c) for c in candidates[equal]]
    best = k if k is not None else min(tied, key=lambda c: (abs(c), c < 0))
    return PolePairs(
        value=abs(best),
        per_turn=_per_turn(elec, mech, best),
        direction=1 if best > 0 else -1,
        score=float(scores[candidates == best][0]),
        runner_up=float(np.max(scores[~equal], initial=0.0)),
        ambiguous=k is None,
        others=tuple(c for c in tied if c != best),
        assumed=k is not None and len(tied) > 1,
    )


def _equal(candidates: NDArray[np.int64], scores: Floats, mech: Floats) -> NDArray[np.bool_]:
    """(n,) which candidates explain the points as well as the best one does, itself among them."""
    best = int(np.argmax(scores))
    likeness = np.abs(np.mean(np.exp(1j * np.outer(candidates - candidates[best], mech)), axis=1))
    near = scores > scores[best] - SAME_SCORE
    equal: NDArray[np.bool_] = (likeness >= SAME_TO_POINTS) | (near & (likeness >= LIKE_TO_POINTS))
    return equal


def _decide(tied: NDArray[np.int64], nominal: int | None) -> int | None:
    """The one candidate that stands, by itself or by the pole pairs named; None where nothing decides."""
    if tied.size == 1:
        return int(tied[0])
    named = [int(k) for k in tied if abs(k) == nominal]
    return named[0] if len(named) == 1 else None


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
