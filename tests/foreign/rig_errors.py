"""What is wrong with the foreign bench: every error drawn from exactly the distribution that the bench file states.

A stated half-width is drawn evenly within itself, a stated standard uncertainty from a normal distribution. What the
bench file does not state but evaluation assumes (tests/shows/results, metrology) is drawn
as it assumes it: a part of the meter's error that two readings do not share, the phase of divider and shunt, crosstalk,
a channel's own distortion, orders of the axis about which nothing is stated. Only rig.description is read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import BenchFile

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Wave = tuple[int, float, float]  # order a turn, amplitude in mechanical arcmin, phase in rad

APART = 0.2  # share of a meter's error that two circuits of one range do not have in common
PHASE_RAD = 5e-4  # half-width, divider and shunt
CROSSTALK = 2e-5  # half-width
DISTORTION = 1e-4  # half-width of each component of a channel's own harmonic at 5 V peak
SOAKED_K = 0.1  # standard, part against the air beside it
SHARE_UNSTATED = 0.05 / 3.0  # of the cyclic error, at an order about which nothing is stated
PLAY_LEFT = 0.1  # share of the play that both passes together may keep
HARMONICS = (2, 3, 5)
WITH_ENCODER = 0.3  # share of the benches


def even(rng: np.random.Generator, half_width: float) -> float:
    """A draw within +-half_width."""
    return half_width * float(rng.uniform(-1.0, 1.0))


def wave(rng: np.random.Generator, order: int, half_width: float) -> Wave:
    """An order whose two components are each even within the half-width: a point on a sphere, seen from above."""
    z = float(rng.random())
    return order, half_width * math.sqrt(1.0 - z * z), float(rng.uniform(0.0, 2.0 * math.pi))


@dataclass(frozen=True, kw_only=True)
class SamplerErrors:
    """gain, gain_at_loopback: (4,) complex; load_s: admittance of an output's input a hertz; distortion (4, 3)."""

    divider: complex
    shunt_ohm: complex
    gain: Complexes
    gain_at_loopback: Complexes
    noise_v: float
    offset_v: Floats
    clock: float
    crosstalk: float
    distortion: Complexes
    input_ohm: float
    input_f: float

    def load_s(self, frequency_hz: float) -> complex:
        """Admittance of one output's input."""
        return complex(1.0 / self.input_ohm, 2.0 * math.pi * frequency_hz * self.input_f)


@dataclass(frozen=True, kw_only=True)
class AxisErrors:
    """Mechanical arcmin. waves: position less commanded position; play_arcmin: distance of the two passes;
    jitter_arcmin: standard, at each stop; drift_arcmin: what the rotor creeps during both passes; encoder: waves of the
    encoder's own error, None where there is no encoder."""

    waves: tuple[Wave, ...]
    play_arcmin: float
    jitter_arcmin: float
    drift_arcmin: float
    encoder: tuple[Wave, ...] | None
    encoder_noise_arcmin: float


@dataclass(frozen=True, kw_only=True)
class RigErrors:
    """The whole bench. source (3,): HARMONICS of the excitation by its fundamental; trim: relative error of the level;
    probe_k, part_k: kelvin; meter_seed: of its errors, drawn once a range and circuit."""

    sampler: SamplerErrors
    axis: AxisErrors
    source: Complexes
    frequency_relative: float
    amplifier_ohm: float
    trim: float
    meter_noise: float
    emf_v: float
    lead_ohm: float
    air_degc: float
    probe_k: float
    part_k: float
    meter_seed: int
    _meter: dict[tuple[float, int], float] = field(default_factory=dict, repr=False)

    @property
    def part_degc(self) -> float:
        """The copper's true temperature."""
        return self.air_degc + self.part_k

    def meter_ohm(self, bench: BenchFile, true_ohm: float, range_ohm: float, circuit: int) -> float:
        """A reading's value before its noise: true, and the meter's error in that range and circuit."""
        spec = bench.multimeter.spec_of("resistance", range_ohm)
        if spec is None:
            return true_ohm
        width = spec.percent_reading / 100.0 * abs(true_ohm) + spec.percent_range / 100.0 * range_ohm
        common = math.sqrt(1.0 - APART**2) * self._drawn(range_ohm, 0)
        return true_ohm + width * (common + APART * self._drawn(range_ohm, circuit))

    def _drawn(self, range_ohm: float, circuit: int) -> float:
        key = (range_ohm, circuit)
        if key not in self._meter:
            rng = np.random.default_rng((self.meter_seed, round(range_ohm), circuit))
            self._meter[key] = float(rng.uniform(-1.0, 1.0))
        return self._meter[key]


def draw_rig(rng: np.random.Generator, bench: BenchFile, pole_pairs: int, teeth: int) -> RigErrors:
    """A bench that is as the bench file says. Its unstated orders stand at those that the part is judged by."""
    probe = bench.climate.spec_of("temperature") if bench.climate else None
    thd = float(rng.uniform(0.0005, 0.004))
    shares = np.array([0.45, 0.8, 0.4])
    source = thd * shares / np.linalg.norm(shares) * np.exp(2j * math.pi * rng.random(3))
    return RigErrors(
        sampler=draw_sampler(rng, bench),
        axis=draw_axis(rng, bench, pole_pairs, teeth),
        source=source,
        frequency_relative=even(rng, 20e-6),
        amplifier_ohm=0.5,
        trim=even(rng, 0.004),
        meter_noise=float(rng.uniform(1e-6, 5e-6)),
        emf_v=even(rng, 5e-6),
        lead_ohm=float(rng.uniform(0.1, 0.25)),
        air_degc=float(rng.uniform(17.0, 29.0)),
        probe_k=even(rng, probe.absolute if probe else 0.5),
        part_k=SOAKED_K * float(rng.standard_normal()),
        meter_seed=int(rng.integers(1, 2**31)),
    )


def draw_sampler(rng: np.random.Generator, bench: BenchFile) -> SamplerErrors:
    """Four channels as they were at the loopback and as they are now, divider, shunt and inputs."""
    stated = bench.sampler
    gain, clock, leak = stated.spec_of("gain"), stated.spec_of("frequency"), stated.spec_of("crosstalk")
    half = (gain.percent_reading if gain else 0.02) / 100.0
    before = np.array([1.0 + even(rng, half), *(1.0 + even(rng, 0.01) for _ in range(3))])
    before = before * np.exp(1j * np.array([0.0, *(even(rng, 0.0126) for _ in range(3))]))
    drift = np.array([1.0, *(1.0 + even(rng, half) + 1j * even(rng, half) for _ in range(3))])
    divider = stated.exc_divider * (1.0 + stated.exc_divider_u * rng.standard_normal() + 1j * even(rng, PHASE_RAD))
    shunt = stated.shunt_ohm * (1.0 + stated.shunt_u * rng.standard_normal() + 1j * even(rng, PHASE_RAD))
    return SamplerErrors(
        divider=complex(divider),
        shunt_ohm=complex(shunt),
        gain=before * drift,
        gain_at_loopback=before.astype(np.complex128),
        noise_v=float(rng.uniform(0.0002, 0.001)),
        offset_v=rng.uniform(-0.005, 0.005, 4),
        clock=even(rng, clock.percent_reading / 100.0 if clock else 50e-6),
        crosstalk=even(rng, CROSSTALK if leak is None else leak.percent_reading / 100.0),
        distortion=DISTORTION * (rng.uniform(-1, 1, (4, 3)) + 1j * rng.uniform(-1, 1, (4, 3))),
        input_ohm=stated.input_ohm,
        input_f=1e-12 * (stated.input_pf + stated.input_pf_u * float(rng.standard_normal())),
    )


def draw_axis(rng: np.random.Generator, bench: BenchFile, pole_pairs: int, teeth: int) -> AxisErrors:
    """Once and twice a turn, the motor's own orders, five orders that nobody stated, play and what is left of it."""
    stated = bench.axis
    if stated is None:
        return AxisErrors(
            waves=(), play_arcmin=0.0, jitter_arcmin=0.0, drift_arcmin=0.0, encoder=None, encoder_noise_arcmin=0.0
        )
    steps = stated.full_steps
    motor = (steps // 4, steps // 2, steps)
    judged = {n for n in (*(k * pole_pairs for k in (1, 2, 3, 4)), teeth) if n > 2 and n not in motor}
    others = [int(n) for n in rng.permutation(np.arange(3, 25)) if n not in judged]
    orders = [*sorted(judged), *others][:5]
    waves = [wave(rng, 1, stated.once_arcmin), wave(rng, 2, stated.twice_arcmin)]
    waves += [wave(rng, n, stated.cyclic_arcmin) for n in motor]
    waves += [wave(rng, n, SHARE_UNSTATED * stated.cyclic_arcmin) for n in orders]
    waves.append(wave(rng, others[-1], PLAY_LEFT * stated.backlash_arcmin))
    encoder = None
    if bench.encoder is not None and rng.random() < WITH_ENCODER:
        residual = bench.encoder.residual_arcmin
        encoder = (wave(rng, 1, bench.encoder.once_arcmin), *(wave(rng, n, residual) for n in (2, *orders)))
    return AxisErrors(
        waves=tuple(waves),
        play_arcmin=float(rng.uniform(0.0, stated.backlash_arcmin)),
        jitter_arcmin=float(rng.uniform(0.005, 0.03)),
        drift_arcmin=even(rng, 0.05),
        encoder=encoder,
        encoder_noise_arcmin=0.005,
    )


def sum_of_waves(waves: tuple[Wave, ...], angle_rad: Floats) -> Floats:
    """(n,) mechanical rad of waves at mechanical angles (n,)."""
    total: Floats = np.zeros_like(angle_rad)
    for order, amplitude, phase in waves:
        total += amplitude * np.sin(order * angle_rad + phase)
    return total * (math.pi / 10_800.0)
