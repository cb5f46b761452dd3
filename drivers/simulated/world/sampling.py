"""The simulated sampler: four simultaneous channels as integer codes, from what is wired and how the rotor moves.

Carrier quasi-static: each instant sees the network's transfer at the true rotor angle of that instant (evaluated at
some angles over the capture and interpolated); voltages of motion are left out, except a magnetised rotor's.
Channels: 0 excitation voltage through its divider, 1 current over the shunt, 2 sine, 3 cosine.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.axis import AxisPhysics
from drivers.simulated.world.excitation import Source
from drivers.simulated.world.part.stand_ins import Fitted
from drivers.simulated.world.wiring import (
    AMPLIFIER,
    COS_HI,
    COS_LO,
    EXC_HI,
    EXC_LO,
    LOOPBACK,
    RATIO,
    RATIO_STANDARD,
    SIN_HI,
    SIN_LO,
    STEP_PULSES,
    Wired,
)
from drivers.simulated.worldfile.keys import SILENT_NAMES, SamplerWorld, WorldFile

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Codes = NDArray[np.int16]

CHANNELS = 4
STILL_RAD = 1e-10
SPEED_STEP_S = 1e-4
PIECE = 65_536  # samples worked out at once
FEW_NODES = 12
PULSE_V = 3.3  # of the axis controller's step line, at the current's input


class Sampling:
    """Turns the state of the bench into codes; holds the sampler's own randomness and nothing else."""

    def __init__(self, world: WorldFile, part: Fitted, rng: np.random.Generator) -> None:
        self._world, self._part, self._rng = world, part, rng
        self._sampler: SamplerWorld = world.sampler
        self._pickup_phases: Floats = rng.uniform(0, 2 * math.pi, (2, 2))

    def sample(
        self,
        t0_s: float,
        *,
        rate_hz: float,
        n: int,
        ranges_v: tuple[float, float, float, float],
        wired: Wired,
        source: Source | None,
        axis: AxisPhysics,
    ) -> Codes:
        """Codes int16 (4, n); volts = code * range / 2^(bits-1). ranges_v: half of full scale of each channel.

        source None: nothing is excited.
        """
        s = self._sampler
        period_s = 1 / (rate_hz * (1 + 1e-6 * s.clock_ppm))
        t: Floats = t0_s + period_s * np.arange(n, dtype=np.float64)
        volts: Floats = np.zeros((CHANNELS, n))
        if source is not None and source.open_circuit_v_peak:
            volts += self._carrier(t, wired, source, axis)
        if STEP_PULSES in wired.closed:
            volts[1] += PULSE_V * axis.step_pulses(t)
        self._add_pick_up(volts, t, wired, axis)
        return self._convert(volts, ranges_v)

    def transfers(self, wired: Wired, orders_hz: Floats, rotor_mech_rad: Floats) -> Complexes:
        """(angles, 4, orders) volts at the connectors per volt of the source's EMF."""
        solved = wired.network.solve_ac(orders_hz, self._part.iron(rotor_mech_rad))
        shape = (CHANNELS, len(orders_hz), len(rotor_mech_rad))
        found: Complexes = np.zeros(shape, dtype=np.complex128)
        if LOOPBACK in wired.closed:
            found[:] = solved.across(AMPLIFIER, "loopback_low")[None]
            return found.transpose(2, 0, 1)
        high, low = wired.sense_of_row.get(3, EXC_HI), wired.sense_of_row.get(4, EXC_LO)
        found[0] = self._sampler.exc_divider * solved.across(high, low)
        found[1] = solved.across(AMPLIFIER, EXC_HI)
        if RATIO_STANDARD in wired.closed:
            found[2] = found[3] = RATIO * solved.across(high, low)
        else:
            found[2] = solved.across(SIN_HI, SIN_LO)
            found[3] = solved.across(COS_HI, COS_LO)
        return found.transpose(2, 0, 1)

    def _carrier(self, t: Floats, wired: Wired, source: Source, axis: AxisPhysics) -> Floats:
        theta = axis.rotor_mech_rad(t)
        low, high = float(theta.min()), float(theta.max())
        nodes = self._nodes(low, high)
        orders = np.array(source.orders, dtype=np.float64)
        at_nodes = self.transfers(wired, source.true_frequency_hz * orders, nodes) * source.emf_v_peak
        if any(self._sampler.skew_ns):
            omega = 2 * math.pi * source.true_frequency_hz
            lag = 1e-9 * np.array(self._sampler.skew_ns)
            at_nodes = at_nodes * np.exp(1j * omega * lag[None, :, None] * orders)
        if len(nodes) == 1:
            return np.imag(at_nodes[0] @ _powers(source.phase_rad(t), source.orders))
        between = _interpolation(nodes, at_nodes.reshape(len(nodes), -1))
        carried: Floats = np.empty((CHANNELS, len(t)))
        for begin in range(0, len(t), PIECE):
            piece = slice(begin, begin + PIECE)
            spread = between(theta[piece]).reshape(-1, CHANNELS, len(orders))
            turning = _powers(source.phase_rad(t[piece]), source.orders)
            carried[:, piece] = np.imag(np.einsum("tco,ot->ct", spread, turning))
        return carried

    def _nodes(self, low: float, high: float) -> Floats:
        span = high - low
        if span < STILL_RAD:
            return np.array([(low + high) / 2])
        electrical = span * max(self._world.part.pole_pairs, self._world.part.lobe_count)
        if electrical > 2.0:
            return np.linspace(low, high, min(1441, 17 + int(48 * electrical)))
        count = 3 if electrical < 0.02 else 5 if electrical < 0.2 else 12
        chebyshev = np.cos(math.pi * (2 * np.arange(count) + 1) / (2 * count))
        return (low + high) / 2 + span / 2 * chebyshev

    def _add_pick_up(self, volts: Floats, t: Floats, wired: Wired, axis: AxisPhysics) -> None:
        s, faults = self._sampler, self._world.part.faults
        for row, channel in enumerate((2, 3)):
            if s.tone_v:
                volts[channel] += s.tone_v * np.sin(2 * math.pi * s.tone_hz * t + self._pickup_phases[0, row])
            if s.mains_v:
                volts[channel] += s.mains_v * np.sin(2 * math.pi * s.mains_hz * t + self._pickup_phases[1, row])
        turning = faults.magnetised_v_per_krpm and self._world.holder.fitted == "part"
        if turning and LOOPBACK not in wired.closed and RATIO_STANDARD not in wired.closed:
            sine, cosine = self.magnet_v(t, axis)
            if wired.is_connected(5) and wired.is_connected(6):
                volts[2] += sine
            if wired.is_connected(7) and wired.is_connected(8):
                volts[3] += cosine

    def magnet_v(self, t: Floats, axis: AxisPhysics) -> tuple[Floats, Floats]:
        """What a magnetised rotor induces in the sine and cosine coils: peak volts in proportion to speed."""
        ahead, behind = axis.rotor_mech_rad(t + SPEED_STEP_S), axis.rotor_mech_rad(t - SPEED_STEP_S)
        krpm = (ahead - behind) / (2 * SPEED_STEP_S) * 60 / (2 * math.pi) / 1000
        electrical = self._world.part.pole_pairs * (ahead + behind) / 2
        peak = self._world.part.faults.magnetised_v_per_krpm * krpm
        return peak * np.cos(electrical), -peak * np.sin(electrical)

    def _convert(self, volts: Floats, ranges_v: tuple[float, float, float, float]) -> Codes:
        s = self._sampler
        if s.silent_channel:
            volts[SILENT_NAMES[s.silent_channel]] = 0.0
        if s.crosstalk:
            volts = volts + s.crosstalk * (volts.sum(axis=0) - volts)
        if s.clip_v is not None:
            np.clip(volts, -s.clip_v, s.clip_v, out=volts)
        volts *= 1 + np.array(s.gain_error)[:, None]
        if s.noise_v:
            volts += s.noise_v * self._rng.standard_normal(volts.shape, dtype=np.float32)
        volts += np.array(s.offset_v)[:, None]
        half = 2 ** (s.bits - 1)
        codes = np.rint(volts * (half / np.array(ranges_v))[:, None])
        np.clip(codes, -half, half - 1, out=codes)
        whole: Codes = codes.astype(np.int16)
        return whole


def _powers(phase_rad: Floats, orders: tuple[int, ...]) -> Complexes:
    """(orders, n) e^{j h phi} by repeated products."""
    first = np.exp(1j * phase_rad)
    found: Complexes = np.empty((len(orders), len(phase_rad)), dtype=np.complex128)
    power, reached = first.copy(), 1
    for row, order in enumerate(orders):
        while reached < order:
            power *= first
            reached += 1
        found[row] = power
    return found


def _interpolation(nodes: Floats, values: Complexes) -> Callable[[Floats], Complexes]:
    """(n,) angles to (n, k): Lagrange on few Chebyshev nodes, a cubic spline through many even ones."""
    count = len(nodes)
    if count > FEW_NODES:
        from scipy.interpolate import CubicSpline

        spline = CubicSpline(nodes, values)
        return lambda at: np.asarray(spline(at), dtype=np.complex128)

    def lagrange(at: Floats) -> Complexes:
        weights = np.ones((len(at), count))
        for i in range(count):
            for j in range(count):
                if i != j:
                    weights[:, i] *= (at - nodes[j]) / (nodes[i] - nodes[j])
        found: Complexes = weights @ values
        return found

    return lagrange
