"""Recordings of known truth for tests: phasors at positions and sampled channels, with one fault at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rig.records.elsewhere.tables import PhasorTable, WaveTable


def phasors(
    p: int = 1,
    points: int = 72,
    *,
    direction: int = 1,
    gain: float = 1.0,
    lag_deg: float = 0.0,
    phase_deg: float = 0.0,
    zero_deg: float = 0.0,
    noise_v: float = 0.0002,
    scale: float = 1.0,
    seed: int = 5,
    closing: bool = False,
) -> PhasorTable:
    """A turn; lag_deg: the cosine follows cos(el + lag); phase_deg: carrier phase of both outputs; scale: turns of
    the rotor a commanded turn."""
    rng = np.random.default_rng(seed)
    steps = np.arange(points + 1 if closing else points) * 360.0 / points
    el = direction * p * np.radians(steps) * scale + np.radians(zero_deg)
    carrier = 2.0 * np.exp(1j * np.radians(phase_deg))

    def noisy(values: Any) -> Any:
        shape = np.shape(values)
        return values + noise_v * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))

    return PhasorTable(
        source="made",
        stepper_mech_deg=steps,
        exc=np.full(steps.size, 7.0 + 0j),
        sine=noisy(carrier * gain * np.sin(el)),
        cosine=noisy(carrier * np.cos(el + np.radians(lag_deg))),
        lines=np.arange(steps.size) + 3,
    )


def moved(table: PhasorTable, shift_mech_deg: Any, p: int) -> PhasorTable:
    """The same turn with the rotor off its positions by shift (n,), mechanical degrees."""
    z = table.cosine + 1j * table.sine  # phasors real but for noise: the turn of z is the rotor's
    turned = z * np.exp(1j * np.radians(p * np.asarray(shift_mech_deg)))
    return replace(table, cosine=turned.real + 0j, sine=turned.imag + 0j)


def waves(
    frequency_hz: float = 9913.7,
    rate_hz: float = 250_000.0,
    samples: int = 1000,
    *,
    el_deg: float = 33.0,
    noise_v: float = 0.0,
    clip_v: float | None = None,
    third: float = 0.0,
    tone: tuple[float, float] | None = None,
    skew_s: float = 0.0,
    phase_deg: float = 0.0,
    seed: int = 3,
) -> WaveTable:
    """One record: excitation 4 V peak, outputs 1.144 V at full coupling; clip_v limits the outputs."""
    rng = np.random.default_rng(seed)
    t = np.arange(samples) / rate_hz

    def carrier(delay_s: float, phase: float = 0.0) -> Any:
        turn = 2 * np.pi * frequency_hz * (t + delay_s) + np.radians(phase)
        return np.sin(turn) + third * np.sin(3 * turn)

    exc = 4.0 * carrier(0.0)
    sine = 1.144 * np.sin(np.radians(el_deg)) * carrier(skew_s, phase_deg)
    cosine = 1.144 * np.cos(np.radians(el_deg)) * carrier(2 * skew_s, phase_deg)
    if tone is not None:
        sine = sine + tone[1] * np.sin(2 * np.pi * tone[0] * t)
    volts = np.stack([exc, sine, cosine])
    if clip_v is not None:
        volts[1:] = np.clip(volts[1:], -clip_v, clip_v)
    volts += noise_v * rng.standard_normal(volts.shape)
    return WaveTable(source="made", volts=volts, sample_rate_hz=rate_hz, u_rate_relative=0.0)
