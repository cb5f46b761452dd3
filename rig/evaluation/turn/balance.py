"""Imbalance and orthogonality of the two outputs, by the positions or, where these can't be trusted, by the ellipse.

It must never know a limit. A positioner that nobody vouches for may turn the angle twice an electrical turn, which the
waves of order p take for imbalance; it leaves the radius alone, so that error and radius together tell it
(rig/resolver/turn/attribution.py), and the ellipse of the envelopes does not see it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.errors import UsageError
from rig.evaluation.turn.envelopes import Envelope, Places
from rig.observed import Absent, Observed
from rig.resolver.turn.attribution import attribute
from rig.resolver.turn.ellipse import Ellipse, fit_ellipse
from rig.resolver.turn.grids import part_orders

SHOWN_SHARE = 0.45  # of the positions: highest order that they show


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """imbalance: sine over cosine, less one; orthogonality_rad: electrical; u_: standard uncertainties by the scatter;
    by: "positions" or "ellipse"; tr, u_tr: amplitudes of sine and cosine and their scatter, the same way."""

    imbalance: float
    u_imbalance: float
    orthogonality_rad: float
    u_orthogonality_rad: float
    by: str
    tr: tuple[float, float]
    u_tr: tuple[float, float]


def balance(obs: Observed, seen: Places, sine: Envelope, cosine: Envelope, coarse: bool) -> Balance:
    """The balance of a turn."""
    direction = direction_of(sine, cosine)
    sizes = (abs(sine.wave), abs(cosine.wave))
    ellipse = None if coarse or not obs.lacks(Absent.POSITIONER) else ellipse_of(seen)
    if ellipse is not None and _positions_bend(seen, obs.part.pole_pairs, direction):
        return Balance(
            imbalance=ellipse.imbalance,
            u_imbalance=float(ellipse.u[0]),
            orthogonality_rad=ellipse.orthogonality_rad,
            u_orthogonality_rad=float(ellipse.u[1]),
            by="ellipse",
            tr=(ellipse.amplitude_u, ellipse.amplitude_v),
            u_tr=(float(ellipse.u[4]), float(ellipse.u[5])),
        )
    return Balance(
        imbalance=sizes[0] / sizes[1] - 1.0,
        u_imbalance=float(np.linalg.norm(sine.along / sizes[0] - cosine.along / sizes[1])) * sizes[0] / sizes[1],
        orthogonality_rad=orthogonality_rad(sine, cosine, direction),
        u_orthogonality_rad=float(np.linalg.norm(sine.across / sizes[0] - cosine.across / sizes[1])),
        by="positions",
        tr=sizes,
        u_tr=(sine.u_wave, cosine.u_wave),
    )


def ellipse_of(seen: Places) -> Ellipse | None:
    """The ellipse that the two envelopes draw; None where they show too few places of the electrical turn."""
    try:
        return fit_ellipse(seen.u, seen.v)
    except UsageError:
        return None


def _positions_bend(seen: Places, p: int, direction: int) -> bool:
    """Whether the angle moves twice an electrical turn without the radius: positions, not windings."""
    orders = [n for n in part_orders(p) if n <= SHOWN_SHARE * seen.theta.size][: max(1, seen.theta.size // 3)]
    try:
        causes = attribute(seen.theta, seen.u, seen.v, p, direction, orders)
    except UsageError:
        return False
    return any(cause.code == "positioner" and cause.order_mech == 2 * p for cause in causes)


def orthogonality_rad(sine: Envelope, cosine: Envelope, direction: int) -> float:
    """Angle between sine and cosine null less a quarter turn, electrical rad, in the direction of the run."""
    apart = float(np.angle(sine.wave)) + math.pi / 2.0 - float(np.angle(cosine.wave))
    apart = math.remainder(apart, 2.0 * math.pi) * (1 if direction >= 0 else -1)
    return math.remainder(apart, math.pi)


def direction_of(sine: Envelope, cosine: Envelope) -> int:
    """+1 when the sine lags the cosine by a quarter electrical turn (theta_elec rises with theta_mech), else -1."""
    return 1 if math.sin(float(np.angle(sine.wave)) - float(np.angle(cosine.wave))) < 0 else -1
