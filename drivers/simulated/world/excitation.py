"""The simulated generator and amplifier as one source: its EMF as harmonics with a phase that runs freely in time.

The generator is an EMF behind source_ohm into the amplifier's input; the amplifier multiplies, clips at its ceiling
and may fold back into an inductive load. At each switching on the start phase is drawn anew. Phasors are peak; the
waveform is Im(sum E_h e^{j h phi(t)}), phi(t) the running phase in rad.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.worldfile.keys import GeneratorWorld

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

HARMONIC_ORDERS = (2, 3, 5)
HARMONIC_WEIGHTS = (0.45, 0.8, 0.4)
CLIP_POINTS = 256
CLIP_ORDERS = 15
FOLDBACK_THD = 0.03


def distortion(thd: float, seed: int) -> Complexes:
    """Harmonics 2, 3 and 5 relative to the fundamental; their root sum of squares is thd, phases from the seed."""
    weights = np.array(HARMONIC_WEIGHTS)
    phases = np.random.default_rng((seed, 13)).uniform(0, 2 * math.pi, len(weights))
    relative: Complexes = thd * weights / np.linalg.norm(weights) * np.exp(1j * phases)
    return relative


class Source:
    """The state of the source; `orders` are the harmonic orders present (from 1), `emf_v_peak` their amplitudes."""

    def __init__(self, world: GeneratorWorld, seed: int, rng: np.random.Generator) -> None:
        self._world, self._seed, self._rng = world, seed, rng
        self.on = False
        self.frequency_hz = 10_000.0
        self.open_circuit_v_peak = 0.0
        self._since_s, self._phase_rad = 0.0, 0.0
        self.orders: tuple[int, ...] = (1,)
        self.emf_v_peak: Complexes = np.zeros(1, dtype=np.complex128)

    def set(self, t_s: float, *, on: bool, frequency_hz: float, open_circuit_v_peak: float) -> None:
        """A new state from t_s on; phase runs on through level and frequency changes, and restarts at switching on."""
        if on and not self.on:
            self._phase_rad = float(self._rng.uniform(0, 2 * math.pi))
        elif on:
            self._phase_rad = float(self.phase_rad(np.array([t_s]))[0] % (2 * math.pi))
        self._since_s, self.on = t_s, on
        self.frequency_hz, self.open_circuit_v_peak = frequency_hz, open_circuit_v_peak
        self.orders, self.emf_v_peak = self._emf(1.0, self._world.thd)

    @property
    def true_frequency_hz(self) -> float:
        """The set frequency with the generator's own clock error."""
        return self.frequency_hz * (1 + 1e-6 * self._world.frequency_ppm)

    def phase_rad(self, t_s: Floats) -> Floats:
        """Running phase of the fundamental."""
        return self._phase_rad + 2 * math.pi * self.true_frequency_hz * (t_s - self._since_s)

    def load_current(self, admittance_s: complex) -> None:
        """Fold back when the load (admittance seen by the EMF, S) would take more than the stage gives."""
        if not (self._world.foldback and self.on):
            return
        self.orders, self.emf_v_peak = self._emf(1.0, self._world.thd)
        current_a = abs(self.emf_v_peak[0] * admittance_s)
        if current_a > self._world.foldback_a:
            thd = math.hypot(self._world.thd, FOLDBACK_THD)
            self.orders, self.emf_v_peak = self._emf(self._world.foldback_a / current_a, thd)

    def _emf(self, scale: float, thd: float) -> tuple[tuple[int, ...], Complexes]:
        w = self._world
        level = self.open_circuit_v_peak * w.amplifier_input_ohm / (w.amplifier_input_ohm + w.source_ohm)
        peak = scale * level * w.amplifier_gain
        if peak == 0 or not self.on:
            return (1,), np.zeros(1, dtype=np.complex128)
        relative = np.concatenate([[1.0 + 0j], distortion(thd, self._seed)])
        orders = np.array((1, *HARMONIC_ORDERS))
        phase = 2 * math.pi * np.arange(CLIP_POINTS) / CLIP_POINTS
        wave = peak * np.imag(np.exp(1j * np.outer(phase, orders)) @ relative)
        if np.abs(wave).max() <= w.amplifier_limit_v:
            whole: Complexes = np.asarray(peak * relative, dtype=np.complex128)
            return (1, *HARMONIC_ORDERS), whole
        clipped = np.clip(wave, -w.amplifier_limit_v, w.amplifier_limit_v)
        spectrum = 2j * np.fft.rfft(clipped) / CLIP_POINTS
        harmonics_kept: Complexes = spectrum[1 : CLIP_ORDERS + 1].astype(np.complex128)
        return tuple(range(1, CLIP_ORDERS + 1)), harmonics_kept
