"""What noise does to fitted orders, place by place, without what every turn would repeat.

It must never know how the curve was measured. What a fit leaves over is noise and lines: a motor's steps, waves of
teeth and lobes beyond the fitted orders. On even places a line is orthogonal to the fitted orders: it moves none of
them, comes back at every turn, and is no scatter. The noise itself need not be the same everywhere: a position that
jitters moves an envelope where it is steep. So each place counts with its own noise (the estimator that stands for
unequal variances: H. White, Econometrica 48 (1980) 817), and two outputs that jitter together are compared place by
place. Theory: rig/resolver/README.md, 3.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.resolver.turn.orders import KEEP_CHI2, Orders, design

Floats = NDArray[np.float64]
LEAST_FREE = 8  # orders that the fit leaves free, below which a line can't be told from noise
EVEN_RAD = 1e-6


def noise_of(theta_mech_rad: Floats, values: Floats, fit: Orders) -> Floats:
    """(n,) noise of each place: what the fit leaves over without its lines, scaled for the parameters that it took.

    theta_mech_rad, values: (n,) as they were fitted. On uneven places, where lines are not orthogonal to the fit,
    everything left over counts.
    """
    left = values - fit.evaluate(theta_mech_rad)
    free = np.setdiff1d(np.arange(1, (left.size - 1) // 2 + 1), fit.orders)
    taken = left.size - fit.dof
    if free.size >= LEAST_FREE and are_even(theta_mech_rad):
        waves = np.exp(-1j * np.multiply.outer(free, theta_mech_rad))
        lines = waves @ left * (2.0 / left.size)
        power = np.abs(lines) ** 2
        standing = power > 0.5 * KEEP_CHI2 * float(np.median(power)) / math.log(2.0)
        left = left - (lines[standing] @ np.conj(waves[standing])).real
        taken += 2 * int(np.count_nonzero(standing))
    scaled: Floats = left * math.sqrt(left.size / max(1, left.size - taken))
    return scaled


def without_lines(theta_mech_rad: Floats, values: Floats, fit: Orders) -> Orders:
    """The fit with the covariance of its noise alone: lines left over are none. residual_rms stays what was left."""
    if fit.residual_rms == 0.0:
        return fit
    noise = noise_of(theta_mech_rad, values, fit)
    share = float(np.mean(noise**2)) / fit.residual_rms**2
    return replace(fit, covariance=fit.covariance * share)


def are_even(theta_mech_rad: Floats) -> bool:
    """Whether these places stand evenly round the turn, each once."""
    places = np.sort(np.mod(theta_mech_rad, 2.0 * math.pi))
    gaps = np.diff(np.append(places, places[0] + 2.0 * math.pi))
    return bool(np.max(np.abs(gaps - 2.0 * math.pi / places.size)) < EVEN_RAD)


def parameter_shifts(theta_mech_rad: Floats, noise: Floats, fit: Orders) -> Floats:
    """(2k + 1, n) how far the noise of each place moves each fitted parameter (constant, Re c_1, Im c_1, ...)."""
    if fit.residual_rms == 0.0:
        return np.zeros((2 * len(fit.orders) + 1, noise.size))
    found: Floats = fit.covariance / fit.residual_rms**2 @ design(theta_mech_rad, fit.orders).T * noise
    return found
