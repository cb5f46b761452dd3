"""The angle error over a turn: zero rule, two directions of travel, drift and closure.

It must never know how the angles were measured. Error = indicated - true, electrical rad, against mechanical rad.
Zero rule: the mean over the points of the turn is taken off (best-fit offset).
Two passes: e_ccw = e + h/2 + s t, e_cw = e - h/2 + s t; the difference h + s (t_ccw - t_cw) and the closing points
(s times the time of a turn) give hysteresis h and drift s together: without the drift term drift leaks into h.
Theory: rig/resolver/README.md, 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.errors import UsageError
from rig.resolver.turn.angle import wrap

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Passes:
    """Both directions as one. deviation_elec_rad (n,): drift and hysteresis removed, offset kept.

    hysteresis_elec_rad: counter-clockwise less clockwise; drift_elec_rad_s: rad a second; drift_elec_rad: over the
    whole time; u_...: standard uncertainties from the scatter; scatter_elec_rad: rms of a single point's difference
    left, over sqrt(2), so that it is the noise of one point of one pass; places: n.
    """

    deviation_elec_rad: Floats
    hysteresis_elec_rad: float
    u_hysteresis_elec_rad: float
    drift_elec_rad_s: float
    u_drift_elec_rad_s: float
    drift_elec_rad: float
    scatter_elec_rad: float
    places: int


def deviation(
    theta_elec_rad: Floats, theta_mech_rad: Floats, pole_pairs: int, direction: int, offset_rad: float | None = None
) -> tuple[Floats, float]:
    """(indicated - p theta_mech direction - offset, offset), electrical rad, without jumps.

    offset_rad: reference for several passes that are to be compared; None takes the circular mean of these points.
    Valid while the deviation stays within half an electrical turn of the offset.
    """
    raw = np.asarray(theta_elec_rad) - direction * pole_pairs * np.asarray(theta_mech_rad)
    if raw.size == 0:
        raise UsageError("An error curve of no points was asked for.", next_action="Sweep the part first.")
    offset = float(np.angle(np.mean(np.exp(1j * raw)))) if offset_rad is None else offset_rad
    return wrap(raw - offset), offset


def closure(first_elec_rad: float, last_elec_rad: float) -> float:
    """Reading after a whole mechanical turn less the first reading, electrical rad in (-pi, pi]."""
    return float(wrap(np.array([last_elec_rad - first_elec_rad]))[0])


def combine_passes(
    ccw_elec_rad: Floats,
    cw_elec_rad: Floats,
    t_ccw_s: Floats,
    t_cw_s: Floats,
    closing: tuple[tuple[float, float], ...] = (),
) -> Passes:
    """Both passes at the same positions, index by index, as one curve.

    ccw_elec_rad, cw_elec_rad: (n,) deviations against the SAME offset. t_..._s: (n,) when each point was taken.
    closing: (closure_elec_rad, seconds between first and closing reading) of each pass, signed as last - first.
    Raises UsageError for unequal lengths or fewer than four positions.
    """
    sizes = {np.asarray(part).size for part in (ccw_elec_rad, cw_elec_rad, t_ccw_s, t_cw_s)}
    if len(sizes) != 1 or sizes.pop() < 4:
        raise UsageError(
            "Two passes need the same four positions at least, in the same order.",
            next_action="Leave out the positions that only one pass has.",
        )
    difference = np.asarray(ccw_elec_rad) - np.asarray(cw_elec_rad)
    apart = np.asarray(t_ccw_s) - np.asarray(t_cw_s)
    rows = np.column_stack([np.ones_like(apart), apart])
    target = difference
    for gap, seconds in closing:
        rows = np.vstack([rows, [0.0, seconds]])
        target = np.append(target, gap)
    scale = np.array([1.0, max(float(np.max(np.abs(rows[:, 1]))), 1e-30)])
    solution, covariance, sigma = _solve(rows / scale, target)
    h, s = solution / scale
    u_h, u_s = np.sqrt(np.diag(covariance)) / scale
    middle = 0.5 * (float(np.mean(t_ccw_s)) + float(np.mean(t_cw_s)))
    up = np.asarray(ccw_elec_rad) - h / 2 - s * (np.asarray(t_ccw_s) - middle)
    down = np.asarray(cw_elec_rad) + h / 2 - s * (np.asarray(t_cw_s) - middle)
    times = np.concatenate([np.asarray(t_ccw_s), np.asarray(t_cw_s)])
    return Passes(
        deviation_elec_rad=0.5 * (up + down),
        hysteresis_elec_rad=float(h),
        u_hysteresis_elec_rad=float(u_h),
        drift_elec_rad_s=float(s),
        u_drift_elec_rad_s=float(u_s),
        drift_elec_rad=float(s * (np.max(times) - np.min(times))),
        scatter_elec_rad=sigma / float(np.sqrt(2)),
        places=difference.size,
    )


def _solve(rows: Floats, target: Floats) -> tuple[Floats, Floats, float]:
    """Least squares with covariance; a direction that the data don't show (drift at equal times) comes out zero."""
    inverse = np.linalg.pinv(rows, rcond=1e-9)
    solution: Floats = inverse @ target
    left = target - rows @ solution
    sigma = float(np.sqrt(np.sum(left**2) / max(1, target.size - 2)))
    covariance: Floats = sigma**2 * (inverse @ inverse.T)
    return solution, covariance, sigma
