"""A foreign world behind the wires: the methods that the simulated instruments call (drivers/simulated/README.md).

Start: python -m drivers.simulated WORLD --world-object foreign.wires:behind_wires (tests on the path). Of the world
file only the instruments' makes, the holder's pins and the seed count; everything else is drawn from the seed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foreign.magnetics import COILS
from foreign.signals import Complexes, Drive, codes_of, common_signal, connectors, quantised, through_channels
from foreign.wires_axis import ForeignAxis
from foreign.world import Foreigner, foreign_world

Floats = NDArray[np.float64]
Codes = NDArray[np.int16]

LOOPBACK, LEAD_SHORT, CHECK_RESISTOR, PULSES = 2001, 2002, 2003, 2009
CHECK_OHM, CORE_COLUMN, RATIO = 100.0, 15, 0.286
RANGES_OHM = (100.0, 1e3, 10e3, 100e3, 1e6, 10e6, 100e6)
TERMINALS = ("exc_hi", "exc_lo", "sin_hi", "sin_lo", "cos_hi", "cos_lo", "thermistor_hi", "thermistor_lo", "core")
STILL_RAD = 3e-6
FINE = 720


class ForeignBench:
    """One foreign world as the instruments see it."""

    def __init__(self, world: Foreigner, column_of: dict[str, int]) -> None:
        self.world, self.rig = world, world.rig
        self.terminal_of = {column: name for name, column in column_of.items()} | {CORE_COLUMN: "core"}
        self.axis = ForeignAxis(world)
        self.closed: frozenset[int] = frozenset()
        self.on, self.frequency_hz, self.emf_v_peak = False, 10_000.0, 0.0
        self._started_s, self._start_rad = 0.0, 0.0
        self._tables: dict[tuple[str, bool], Complexes] = {}

    # ---- source and relays

    def generator_set(self, t_s: float, *, on: bool, frequency_hz: float, open_circuit_v_peak: float) -> None:
        """The generator's EMF; the amplifier multiplies it by its nominal gain."""
        if on and not self.on:
            self._started_s, self._start_rad = t_s, float(self.world.rng.uniform(0.0, 2.0 * math.pi))
        if frequency_hz != self.frequency_hz:
            self._tables.clear()
        self.on, self.frequency_hz = on, frequency_hz
        self.emf_v_peak = open_circuit_v_peak * self.world.bench.generator.amplifier_gain

    def relays_set(self, _t_s: float, closed: frozenset[int]) -> None:
        """Which relays are closed."""
        self.closed = frozenset(closed)

    def on_row(self, row: int) -> list[str]:
        """Terminals that a row of the matrix reaches."""
        found = [divmod(channel - 1000, 100) for channel in sorted(self.closed) if 1000 < channel < 2000]
        return [self.terminal_of[column] for at, column in found if at == row and column in self.terminal_of]

    # ---- axis

    def axis_move(self, t_s: float, target_steps: float, max_steps_s: float, accel_steps_s2: float) -> float:
        return self.axis.move(t_s, target_steps, max_steps_s, accel_steps_s2)

    def axis_halt(self, t_s: float) -> float:
        return self.axis.halt(t_s)

    def axis_energise(self, on: bool) -> None:
        """The spindle stands by itself without current."""

    def axis_index(self, t_s: float) -> float:
        return self.axis.index(t_s)

    @property
    def axis_index_found_steps(self) -> float:
        return self.axis.mark_steps

    def axis_commanded_steps(self, t_s: float) -> float:
        return self.axis.commanded(t_s)

    def encoder_deg(self, t_s: float) -> float | None:
        shown = self.world.encoder_deg(self.axis.spindle_rad(np.array([t_s])))
        return None if shown is None else float(shown[0])

    # ---- sampler

    def sample(self, t0_s: float, *, rate_hz: float, n: int, ranges_v: tuple[float, float, float, float]) -> Codes:
        """One capture of four channels, int16 (4, n)."""
        if not (self.on and self.emf_v_peak):
            made = np.zeros((1, 4, n), dtype=np.float32)
            if PULSES in self.closed:
                raise ValueError("the foreign axis has no step pulses")
            return quantised(self.rig, made, self.world.rng, range_v=ranges_v[0])[0]
        if LOOPBACK in self.closed:
            volts = through_channels(self.rig, common_signal(self.rig, self.emf_v_peak, 1), at_loopback=True)
            return self._at_rest(volts, t0_s, rate_hz, n, ranges_v[0])
        times = t0_s + np.linspace(0.0, n / rate_hz, 33)
        where = self.axis.spindle_rad(times)
        if float(np.ptp(where)) < STILL_RAD:
            volts = through_channels(self.rig, self._volts(np.array([float(np.mean(where))])))
            return self._at_rest(volts, t0_s, rate_hz, n, ranges_v[0])
        return self._moving(t0_s, rate_hz, n, ranges_v[0])

    def _volts(self, spindle_rad: Floats) -> Complexes:
        """(n, 4, orders) volts at the connectors for what is wired now."""
        high, low = self.on_row(3), self.on_row(4)
        coil = high[0].rpartition("_")[0] if high and low else ""
        if coil not in COILS:
            emf = common_signal(self.rig, self.emf_v_peak, len(spindle_rad))
            return emf * np.array([self.rig.sampler.divider, 0.0, 0.0, 0.0])[None, :, None]
        loaded = bool(self.on_row(5) and self.on_row(7))
        drive = Drive(coil=coil, emf_v_peak=self.emf_v_peak, frequency_hz=self.frequency_hz, loaded=loaded)
        volts = connectors(self.rig, self.world.coils, self.world.part.copper, drive, spindle_rad)
        swapped = [(self.on_row(row) or [""])[0].endswith("_lo") for row in (3, 5, 7)]
        signs = np.where([False, False, swapped[1] != swapped[0], swapped[2] != swapped[0]], -1.0, 1.0)
        return volts * signs[None, :, None]

    def _at_rest(self, volts: Complexes, t0_s: float, rate_hz: float, n: int, range_v: float) -> Codes:
        return codes_of(
            self.rig,
            volts,
            np.array([self._phase_rad(t0_s)]),
            self.world.rng,
            frequency_hz=self.frequency_hz,
            rate_hz=rate_hz,
            samples=n,
            range_v=range_v,
        )[0]

    def _phase_rad(self, t_s: float) -> float:
        hertz = self.frequency_hz * (1.0 + self.rig.frequency_relative)
        return self._start_rad + 2.0 * math.pi * hertz * (t_s - self._started_s)

    def _moving(self, t0_s: float, rate_hz: float, n: int, range_v: float) -> Codes:
        """A capture of a rotor that moves: phasors between the places of a fine turn."""
        places = 2.0 * math.pi * np.arange(FINE + 1) / FINE
        table = through_channels(self.rig, self._volts(places)).reshape(FINE + 1, -1)
        times = t0_s + np.arange(n) / (rate_hz * (1.0 + self.rig.sampler.clock))
        at = np.mod(self.axis.spindle_rad(times), 2.0 * math.pi)
        carrier = self._phase_rad(t0_s) + 2.0 * math.pi * self.frequency_hz * (1.0 + self.rig.frequency_relative) * (
            times - t0_s
        )
        made = np.zeros((1, 4, n), dtype=np.float32)
        for channel in range(4):
            for k, order in enumerate((1, 2, 3, 5)):
                column = table[:, channel * 4 + k]
                value = np.interp(at, places, column.real) + 1j * np.interp(at, places, column.imag)
                made[0, channel] += (value * np.exp(1j * order * carrier)).real.astype(np.float32)
        return quantised(self.rig, made, self.world.rng, range_v=range_v)[0]

    # ---- meter, air, interlock

    def meter_resistance_ohm(self, _t_s: float, *, four_wire: bool, offset_compensation: bool, nplc: float) -> float:
        """Between rows 1 and 2; inf when open."""
        high, low = self.on_row(1), self.on_row(2)
        lead = 0.0 if four_wire else self.rig.lead_ohm
        emf = 0.0
        if LEAD_SHORT in self.closed:
            true, circuit = lead, 1
        elif CHECK_RESISTOR in self.closed:
            true, circuit = CHECK_OHM + lead, 2
        elif high and low:
            true, circuit = self.between_ohm(high, low) + lead, 10 + TERMINALS.index(high[0]) // 2
            emf = self.rig.emf_v * (1e-2 if offset_compensation else 1.0)
            emf *= 1.0 if TERMINALS.index(high[0]) < TERMINALS.index(low[0]) else -1.0
        else:
            return math.inf
        range_ohm = next((r for r in RANGES_OHM if true <= r), RANGES_OHM[-1])
        value = self.rig.meter_ohm(self.world.bench, true, range_ohm, circuit)
        return value * (1.0 + self.rig.meter_noise * float(self.world.rng.standard_normal())) + emf / 1e-3

    def between_ohm(self, high: Iterable[str], low: Iterable[str]) -> float:
        """DC resistance between two sets of terminals, each set joined."""
        ohms = self.world.part.copper.ohm(self.rig.part_degc)
        g = np.zeros((len(TERMINALS), len(TERMINALS)))
        thermistor = self.world.part.thermistor_ohm(self.rig.part_degc)
        for name, ohm in zip((*COILS, "thermistor"), (*ohms, thermistor), strict=True):
            i, j = TERMINALS.index(f"{name}_hi"), TERMINALS.index(f"{name}_lo")
            g[i, j] = g[j, i] = 1.0 / ohm
        ends = ["exc_hi", "sin_hi", "cos_hi", "core", "thermistor_hi"]
        for a, first in enumerate(ends):
            for b, second in enumerate(ends):
                g[TERMINALS.index(first), TERMINALS.index(second)] += self.world.part.copper.leak_s[a, b]
        group = list(range(len(TERMINALS)))
        for side in (list(high), list(low)):
            for name in side:
                group[TERMINALS.index(name)] = TERMINALS.index(side[0])
        join = np.zeros((len(TERMINALS), len(TERMINALS)))
        join[np.arange(len(TERMINALS)), group] = 1.0
        joined = join.T @ (np.diag(g.sum(axis=1)) - g) @ join
        used = sorted(set(group))
        laplacian = joined[np.ix_(used, used)] + 1e-13 * np.eye(len(used))
        drive = np.zeros(len(used))
        drive[used.index(TERMINALS.index(next(iter(high))))] = 1.0
        drive[used.index(TERMINALS.index(next(iter(low))))] = -1.0
        return float(drive @ np.linalg.solve(laplacian, drive))

    def meter_dc_v(self, _t_s: float, _nplc: float) -> float:
        return 1e-6 * float(self.world.rng.standard_normal())

    def meter_ac_v(self, _t_s: float) -> float:
        return 1e-4 * (1.0 + 0.1 * float(self.world.rng.standard_normal()))

    def climate(self, _t_s: float) -> tuple[float, float]:
        return self.rig.air_degc + self.rig.probe_k, 45.0

    def interlock(self, _t_s: float) -> tuple[bool, bool]:
        """(guard closed, emergency stop pressed)."""
        return True, False

    def hands_at(self, _t_s: float) -> tuple[bool, bool, bool]:
        """(key held, bypass fitted, enable relays released)."""
        return False, True, False

    def set_hands(self, **_acts: bool | None) -> None:
        """Nobody stands at this bench."""


def behind_wires(file: Any, clamping: int) -> ForeignBench:
    """The foreign world of a world file's seed; a clamping has no meaning here beyond the first."""
    if clamping != 1:
        raise ValueError("a foreign world has one clamping")
    return ForeignBench(foreign_world(file.seed), dict(file.holder.pins))
