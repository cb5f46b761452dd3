"""What the electrical angle says of the positions that were commanded: scale, half-turn flips, places, speeds.

It must never know how either was measured. Angles are radians; `_elec` and `_mech` are said of each. All of it is the
geometry of rig/resolver/turn/angle.py: theta_elec = direction p theta_mech + error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.resolver.turn.angle import PolePairs, pole_pairs, unwrap, wrap
from rig.resolver.turn.orders import design

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
PLACE_ELEC_RAD = math.radians(10.0)  # two points nearer than this show one place of the electrical turn
ONE_TURN = 0.98  # score of the doubled angle from which its points agree but for half turns
WHOLE_TURN_MECH_RAD = 1.8 * math.pi
SECOND_SPEED = 0.2  # of the strongest


class CommandedScale(NamedTuple):
    """per_turn: electrical turns a commanded mechanical turn, signed; u: its standard uncertainty."""

    per_turn: float
    u: float


def electrical_places(theta_elec_rad: Floats) -> int:
    """Different places of the electrical turn that points show, PLACE_ELEC_RAD apart at least (36 at most)."""
    angles = np.sort(np.mod(theta_elec_rad, 2 * math.pi))
    if angles.size == 0:
        return 0
    gap = int(np.argmax(np.diff(np.concatenate([angles, [angles[0] + 2 * math.pi]]))))
    turned = np.mod(np.roll(angles, -(gap + 1)) - angles[(gap + 1) % angles.size], 2 * math.pi)
    count, last = 1, 0.0
    for angle in np.sort(turned):
        if angle - last >= PLACE_ELEC_RAD:
            count, last = count + 1, float(angle)
    return count


def commanded_scale(
    theta_mech_rad: Floats, deviation_elec_rad: Floats, slope: int, orders: Sequence[int]
) -> CommandedScale:
    """Electrical turns a commanded turn, by a ramp fitted beside all of `orders`, so that no order of the part's own
    error is taken for a wrong scale.

    deviation_elec_rad (n,): theta_elec - slope theta_mech, wrapped; slope: signed whole pole pairs. Orders are left out
    over less than a turn, and as many of the highest as the points can't carry.
    """
    rank = np.argsort(theta_mech_rad, kind="stable")
    theta, left = theta_mech_rad[rank], unwrap(deviation_elec_rad[rank])
    wide = float(np.max(theta) - np.min(theta)) > WHOLE_TURN_MECH_RAD
    kept = [n for n in orders if 3 * n <= theta.size] if wide else []
    rows = np.column_stack([theta - np.mean(theta), design(theta, kept)])
    inverse = np.linalg.pinv(rows, rcond=1e-9)
    residual = left - rows @ (inverse @ left)
    variance = float(residual @ residual) / max(1, theta.size - rows.shape[1])
    return CommandedScale(slope + float(inverse[0] @ left), math.sqrt(variance * float(inverse[0] @ inverse[0])))


def half_turn_flips(theta_elec_rad: Floats, theta_mech_rad: Floats, most: int = 16) -> tuple[PolePairs, Bools] | None:
    """Pole pairs from the doubled angle and the points (n,) that stand half an electrical turn off; None where no such
    points explain the turn. Which of the two groups is off nobody knows: the smaller one is taken."""
    double = pole_pairs(wrap(2 * theta_elec_rad), theta_mech_rad, 2 * most)
    if double.score < ONE_TURN or double.value % 2:
        return None
    p = double.value // 2
    raw = theta_elec_rad - double.direction * p * theta_mech_rad
    middle = 0.5 * float(np.angle(np.mean(np.exp(2j * raw))))
    off = np.cos(raw - middle) < 0
    if 2 * np.count_nonzero(off) > off.size:
        off = ~off
    if not np.any(off):
        return None
    found = PolePairs(
        value=p,
        per_turn=double.per_turn / 2,
        direction=double.direction,
        score=double.score,
        runner_up=double.runner_up,
        ambiguous=double.ambiguous,
    )
    return found, np.asarray(off, dtype=bool)


def two_speeds(theta_mech_rad: Floats, u: Floats, v: Floats, points: int) -> tuple[int, int] | None:
    """Two orders of the turn of z = v + j u of which the second has over a fifth of the first; None for one speed.

    points: different positions of the turn.
    """
    orders = list(range(1, 1 + min(40, points // 2 - 1)))
    if len(orders) < 2:
        return None
    z = v + 1j * u
    sizes = [max(abs(np.mean(z * np.exp(sign * 1j * n * theta_mech_rad))) for sign in (-1, 1)) for n in orders]
    first, second = (int(i) for i in np.argsort(sizes)[::-1][:2])
    return (orders[first], orders[second]) if sizes[second] > SECOND_SPEED * sizes[first] else None
