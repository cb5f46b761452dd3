"""Volts at the sampler's four connectors as phasors, and the integer codes that the foreign sampler makes of them.

Channels: excitation voltage through the divider, excitation current over the shunt, sine, cosine. Phasors are peak
volts of the fundamental and of HARMONICS, at time zero of the source; a record's phase runs on with bench time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from foreign.circuit import Copper, Ports
from foreign.magnetics import COILS, Inductances
from foreign.rig_errors import HARMONICS, RigErrors

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Codes = NDArray[np.int16]

ORDERS = np.array([1, *HARMONICS], dtype=np.float64)
FULL_V_PEAK = 5.0  # at which a channel's own distortion is stated
BITS = 16


@dataclass(frozen=True, kw_only=True)
class Drive:
    """How the source drives: which coil, EMF (V peak), set frequency, whether the inputs load the outputs."""

    coil: str
    emf_v_peak: float
    frequency_hz: float
    loaded: bool


def connectors(rig: RigErrors, coils: Inductances, copper: Copper, drive: Drive, spindle_rad: Floats) -> Complexes:
    """(n, 4, orders) volts at the connectors, before the channels' own errors, rotor at rest at (n,) angles."""
    sampler, at = rig.sampler, COILS.index(drive.coil)
    found: Complexes = np.zeros((len(spindle_rad), 4, len(ORDERS)), dtype=np.complex128)
    emf = drive.emf_v_peak * np.array([1.0, *rig.source])
    for k, order in enumerate(ORDERS):
        hertz = order * drive.frequency_hz * (1.0 + rig.frequency_relative)
        load = np.array([0.0, 1.0, 1.0]) * sampler.load_s(hertz) if drive.loaded else None
        volts, amperes = Ports(coils, copper, spindle_rad, hertz, rig.part_degc).driven(at, load)
        coil_v = emf[k] / (1.0 + amperes * (rig.amplifier_ohm + sampler.shunt_ohm))
        found[:, 0, k] = sampler.divider * coil_v
        found[:, 1, k] = sampler.shunt_ohm * amperes * coil_v
        if drive.loaded:
            found[:, 2:, k] = volts[:, 1:] * coil_v[:, None]
    return found


def common_signal(rig: RigErrors, emf_v_peak: float, records: int) -> Complexes:
    """(n, 4, orders) volts at the connectors with the source on all four, as in a loopback."""
    emf = emf_v_peak * np.array([1.0, *rig.source])
    return np.broadcast_to(emf, (records, 4, len(ORDERS))).astype(np.complex128)


def through_channels(rig: RigErrors, volts: Complexes, *, at_loopback: bool = False) -> Complexes:
    """The same after crosstalk, gain, delay and own distortion of each channel."""
    sampler = rig.sampler
    leaked = volts + sampler.crosstalk * (volts.sum(axis=1, keepdims=True) - volts)
    gain = sampler.gain_at_loopback if at_loopback else sampler.gain
    passed = leaked * np.abs(gain)[None, :, None] * np.exp(1j * np.angle(gain)[:, None] * ORDERS)[None]
    first = passed[:, :, :1]
    size = np.abs(first)
    grown = size * (size / FULL_V_PEAK) ** (ORDERS[1:] - 1.0) * np.exp(1j * np.angle(first) * ORDERS[1:])
    passed[:, :, 1:] += sampler.distortion * grown
    return passed


def codes_of(
    rig: RigErrors,
    volts: Complexes,
    start_rad: Floats,
    rng: np.random.Generator,
    *,
    frequency_hz: float,
    rate_hz: float,
    samples: int,
    range_v: float,
    noise: bool = True,
) -> Codes:
    """(n, 4, samples) codes of records that begin at source phases start_rad (n,); volts as `through_channels`."""
    sampler = rig.sampler
    turned = volts * np.exp(1j * start_rad[:, None] * ORDERS)[:, None, :]
    step = 2.0 * math.pi * frequency_hz * (1.0 + rig.frequency_relative) / (rate_hz * (1.0 + sampler.clock))
    waves = np.exp(1j * np.outer(ORDERS, step * np.arange(samples))).astype(np.complex64)
    wave = turned.astype(np.complex64)
    made = wave.real @ waves.real - wave.imag @ waves.imag
    return quantised(rig, made, rng, range_v=range_v, noise=noise)


def quantised(
    rig: RigErrors, volts: NDArray[np.float32], rng: np.random.Generator, *, range_v: float, noise: bool = True
) -> Codes:
    """Codes of volts (n, 4, samples): noise, offset, sixteen bits over the range."""
    if noise:
        volts = volts + np.float32(rig.sampler.noise_v) * rng.standard_normal(volts.shape, dtype=np.float32)
    half = 2 ** (BITS - 1)
    scaled = (volts + rig.sampler.offset_v[None, :, None].astype(np.float32)) * np.float32(half / range_v)
    return np.clip(np.rint(scaled), -half, half - 1).astype(np.int16)
