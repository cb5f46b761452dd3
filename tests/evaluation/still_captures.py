"""A simulated world whose captures of a resting rotor are made many at a time, for trials of thousands of runs.

It must never differ from World.sample: same network, same source, same converter (tests/evaluation/
test_coverage_trial.py compares the codes). What is left out is the ringing of the rotor after a move, so worlds that
use it have axis.ring_fraction = 0. Helper of tests; volts peak, angles mechanical rad.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.world import World
from drivers.simulated.worldfile.keys import WorldFile

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


FULL_V_PEAK = 5.0  # at which a channel's own distortion is stated


class StillWorld(World):
    """A world that also samples a list of resting positions at once, and tells the true excitation of the last."""

    def __init__(self, file: WorldFile, clamping: int = 1) -> None:
        super().__init__(file, clamping)
        self.distortion: Complexes = np.zeros((4, 0), dtype=np.complex128)
        self.true_level_v_rms = math.nan
        self.true_thd = math.nan

    def sample_still(
        self, t0_s: Floats, angle_mech_rad: Floats, *, rate_hz: float, n: int, range_v: float
    ) -> NDArray[np.int16]:
        """Codes (k, 4, n) of captures that start at t0_s (k,) with the rotor resting at angle_mech_rad (k,)."""
        sampler = self.file.sampler
        source = self._live_source(float(t0_s[0]))
        volts: Floats = np.zeros((len(t0_s), 4, n))
        if source is not None:
            orders = np.array(source.orders, dtype=np.float64)
            wired = self._network(float(t0_s[0]))
            at = self._sampling.transfers(wired, source.true_frequency_hz * orders, angle_mech_rad) * source.emf_v_peak
            self._remember(at, sampler.exc_divider)
            omega = 2 * math.pi * source.true_frequency_hz
            lag = 1e-9 * np.array(sampler.skew_ns)
            at = at * np.exp(1j * omega * lag[None, :, None] * orders)
            own = self.distortion[:, : len(orders) - 1]
            if own.shape[1]:
                first = at[:, :, :1]
                growing = (np.abs(first) / FULL_V_PEAK) ** (orders[1 : 1 + own.shape[1]] - 1)
                turned = growing * np.abs(first) * np.exp(1j * np.angle(first) * orders[1 : 1 + own.shape[1]])
                at[:, :, 1 : 1 + own.shape[1]] += own * turned
            at = at * np.exp(1j * source.phase_rad(t0_s)[:, None, None] * orders)
            period_s = 1 / (rate_hz * (1 + 1e-6 * sampler.clock_ppm))
            turning = np.exp(1j * np.outer(orders, omega * period_s * np.arange(n)))
            volts = (at.imag @ turning.real) + (at.real @ turning.imag)
        return self._codes(volts, range_v)

    def resting_mech_rad(self, steps: float, forward: bool) -> float:
        """Where the spindle rests when sent to `steps` from below (forward) or above: play and the axis' waves."""
        axis, world = self._axis, self.file.axis
        motor = steps * 2 * math.pi / world.steps_per_turn + self._index_rad()
        half = world.backlash_arcmin / 60 * math.pi / 180 / 2
        waves = sum(a * math.sin(order * motor + phase) for order, a, phase in axis._waves if a)
        return motor + (-half if forward else half) + float(waves)

    def _index_rad(self) -> float:
        """Where commanded zero is: the offset of the move that the last seek of the index made."""
        return self._axis._moves[-1].offset_rad

    def encoder_at_deg(self, spindle_mech_rad: float) -> float | None:
        """What the encoder shows there."""
        world, axis = self.file.axis, self._axis
        if not world.encoder:
            return None
        arcmin = math.pi / 180 / 60
        angle = spindle_mech_rad
        angle += world.encoder_once_arcmin * arcmin * math.sin(angle + axis._encoder_phase)
        angle += world.encoder_arcmin * arcmin * float(axis._rng.standard_normal())
        return math.degrees(angle) % 360.0

    def _remember(self, at: Complexes, divider: float) -> None:
        peak = at[:, 0, :] / divider
        self.true_level_v_rms = float(np.mean(np.abs(peak[:, 0]))) / math.sqrt(2.0)
        self.true_thd = float(np.mean(np.linalg.norm(peak[:, 1:], axis=1) / np.abs(peak[:, 0])))

    def _codes(self, volts: Floats, range_v: float) -> NDArray[np.int16]:
        s: Any = self.file.sampler
        if s.crosstalk:
            volts += s.crosstalk * (volts.sum(axis=1, keepdims=True) - volts)
        volts *= 1 + np.array(s.gain_error)[:, None]
        if s.noise_v:
            volts += s.noise_v * self._rng.standard_normal(volts.shape, dtype=np.float32)
        volts += np.array(s.offset_v)[:, None]
        half = 2 ** (s.bits - 1)
        volts *= half / range_v
        np.rint(volts, out=volts)
        np.clip(volts, -half, half - 1, out=volts)
        return volts.astype(np.int16)
