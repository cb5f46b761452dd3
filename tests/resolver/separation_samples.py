"""A made-up axis, a made-up sensor and their clampings, for tests and benchmarks of the separation.

It is a helper of tests, not a test. Angles mechanical rad; amplitudes of the sensor in electrical, of the positioner in
mechanical arcmin. The sensor is evaluated at the rotor's true place; its reading is known up to electrical cycles.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.resolver.axis.clampings import Clamping, choose_offsets_mech_rad

Floats = NDArray[np.float64]
ARCMIN = np.pi / 10_800
SENSOR = {2: 0.5, 4: 8.0, 5: 0.7, 8: 7.0, 12: 1.0, 16: 3.0, 17: 0.4}
POSITIONER = {50: 5.0, 100: 2.0, 200: 1.0, 1: 3.0, 2: 1.5, 3: 0.75, 4: 0.5, 8: 0.5}


def waves(amplitudes: Mapping[int, float], rng: np.random.Generator) -> dict[int, complex]:
    """Each order with a phase of its own, arcmin."""
    return {n: a * complex(np.exp(1j * rng.uniform(0, 2 * np.pi))) for n, a in amplitudes.items()}


def curve(of: Mapping[int, complex], theta: Floats) -> Floats:
    """sum Re(c_n e^{j n theta}), in the unit of the waves."""
    total: Floats = np.zeros_like(theta)
    for n, c in of.items():
        total += np.real(c * np.exp(1j * n * theta))
    return total


@dataclass(frozen=True)
class Setup:
    """One axis, one sensor and the sweeps of its clampings; first_offset: where the first clamping really stood."""

    pole_pairs: int
    sensor: dict[int, complex]
    positioner: dict[int, complex]
    clampings: list[Clamping]
    first_offset: float

    def sensor_error_elec_arcmin(self, found: Floats, theta: Floats) -> Floats:
        """What a recovered curve (mechanical rad over the axis of the first clamping) is off by."""
        off: Floats = found / ARCMIN * self.pole_pairs - curve(self.sensor, theta + self.first_offset)
        return off - off.mean()


def made(
    seed: int,
    clampings: int = 3,
    *,
    pole_pairs: int = 4,
    points: int = 320,
    noise_elec_arcmin: float = 0.1,
    offsets_deg: Sequence[float] | None = None,
    clamp_error_deg: float = 1.0,
    eccentric_arcmin: float = 10.0,
    reseat_elec_arcmin: float = 0.0,
    sensor: Mapping[int, float] | None = None,
    positioner: dict[int, complex] | None = None,
) -> Setup:
    """A set of clampings; reseat_elec_arcmin: amplitude by which orders p and 2p change from clamping to clamping."""
    rng = np.random.default_rng(seed)
    s = waves(SENSOR if sensor is None else sensor, rng)
    p = waves(POSITIONER, rng) if positioner is None else positioner
    theta = 2 * np.pi * np.arange(points) / points
    nominal = choose_offsets_mech_rad(clampings, pole_pairs) if offsets_deg is None else np.radians(offsets_deg)
    swept, first = [], 0.0
    for k, offset in enumerate(nominal):
        stood = offset + np.radians(clamp_error_deg) * rng.uniform(-1, 1)
        first = float(stood) if k == 0 else first
        once = eccentric_arcmin * (rng.normal() + 1j * rng.normal())
        moved = {n: reseat_elec_arcmin * complex(rng.normal(), rng.normal()) for n in (pole_pairs, 2 * pole_pairs)}
        seated = {n: s.get(n, 0j) + moved.get(n, 0j) for n in {*s, *moved}}
        place = theta + curve(p, theta) * ARCMIN + stood + np.real(once * np.exp(1j * theta)) * ARCMIN
        reading = place + curve(seated, place) * ARCMIN / pole_pairs
        noise = noise_elec_arcmin * ARCMIN / pole_pairs * rng.normal(size=points)
        cycles = 2 * np.pi / pole_pairs * rng.integers(0, pole_pairs)
        deviation = reading - theta + noise - cycles
        swept.append(
            Clamping(theta_mech_rad=theta, deviation_mech_rad=deviation, nominal_offset_mech_rad=float(offset))
        )
    return Setup(pole_pairs, s, p, swept, first)


def turned_on_the_spindle(
    places_mech_deg: Sequence[float],
    sensor: Mapping[int, complex],
    positioner: Mapping[int, complex],
    *,
    pole_pairs: int = 4,
    off_deg: Sequence[float] = (),
    points: int = 320,
) -> list[Clamping]:
    """Exact sweeps of a rotor turned ahead on the spindle, the stator untouched; off_deg: how far off each mark."""
    theta = 2 * np.pi * np.arange(points) / points
    swept = []
    for k, asked in enumerate(places_mech_deg):
        at = theta + curve(positioner, theta) * ARCMIN + np.radians(asked + (off_deg[k] if off_deg else 0.0))
        reading = at + curve(sensor, at) * ARCMIN / pole_pairs
        away = reading - theta + 0.7
        swept.append(
            Clamping(theta_mech_rad=theta, deviation_mech_rad=away, nominal_offset_mech_rad=float(np.radians(asked)))
        )
    return swept
