"""Errors of the motor and its coupling over a turn: cyclic ones of a motor with 50 teeth, once and twice a turn.

Waves a sin(n theta + phase) of the motor's angle from the index mark, mechanical rad; their phases come from the seed.
A coupling that slipped has turned the motor on against the index, and with it the phase of every wave.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.simulated.worldfile.keys import AxisWorld

ARCMIN = math.pi / (180 * 60)


def phases(seed: int) -> tuple[float, ...]:
    """Eight phases of a seed: of the waves, of the encoder's eccentricity, of a hand's unevenness; rad."""
    return tuple(np.random.default_rng((seed, 14)).uniform(0, 2 * math.pi, 8).tolist())


def waves(world: AxisWorld, seed: int, clamping: int) -> list[tuple[int, float, float]]:
    """(order a turn, amplitude in mechanical rad, phase in rad) of each wave in a clamping."""
    sizes_arcmin = {
        50: world.cyclic_50_arcmin,
        100: world.cyclic_100_arcmin,
        200: world.cyclic_200_arcmin,
        1: world.once_arcmin,
        2: world.twice_arcmin,
    }
    slipped_rad = math.radians(world.coupling_slip_deg) if 0 < world.coupling_slips_at <= clamping else 0.0
    return [
        (order, size * ARCMIN, phase + order * slipped_rad)
        for (order, size), phase in zip(sizes_arcmin.items(), phases(seed), strict=False)
    ]
