"""The simulated world: one true part on one true bench.

All instruments look at the same world. Time is an argument, seconds of bench time, and does not go back. Every draw
comes from the world's seed and the clamping. Signs: drivers/simulated/README.md. Angles are mechanical,
counter-clockwise positive, from the index mark. Method names are fixed there.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.world.axis import AxisPhysics
from drivers.simulated.world.excitation import Source
from drivers.simulated.world.metering import Metering
from drivers.simulated.world.part.circuit import COILS
from drivers.simulated.world.part.stand_ins import adapter_load
from drivers.simulated.world.part.thermal import PartThermal, thermistor_ohm
from drivers.simulated.world.sampling import Sampling
from drivers.simulated.world.wiring import AMPLIFIER, EXC_LO, Wired, wire
from drivers.simulated.worldfile.keys import WorldFile, load_world
from rig.errors import UsageError

Floats = NDArray[np.float64]
Codes = NDArray[np.int16]

DEGC_STEP = 0.01
WET_STEP_S = 1.0
NETWORKS_LIMIT = 64


class World:
    """Built from a world file and a clamping number (from 1)."""

    def __init__(self, file: WorldFile, clamping: int = 1) -> None:
        if clamping < 1:
            raise UsageError(f"clamping {clamping}: clampings count from 1.", next_action="Give 1 or more.")
        self.file, self.clamping = file, clamping
        again = (file.repeat,) if file.repeat > 1 else ()
        self._rng = np.random.default_rng((file.seed, 10, clamping, *again))
        self.part = adapter_load(file, clamping)
        self._thermal = PartThermal(file.climate)
        self._source = Source(file.generator, file.seed, self._rng)
        self._axis = AxisPhysics(file.axis, file.seed, self._rng, file.part.faults.rotor_slip_deg_per_turn, clamping)
        self._sampling = Sampling(file, self.part, self._rng)
        self._metering = Metering(file, self.part, self._rng)
        self._closed: frozenset[int] = frozenset()
        self._wired: dict[tuple[object, ...], Wired] = {}
        self._guard_closed = file.interlock.guard_closed
        self._emergency_stop = file.interlock.emergency_stop
        self._key = False
        self._tripped = False

    @classmethod
    def load(cls, name: str | Path, clamping: int = 1) -> World:
        """The world of a name or path."""
        return cls(load_world(name)[0], clamping)

    # ---- generator and relays -------------------------------------------------------------------------------

    def generator_set(self, t_s: float, *, on: bool, frequency_hz: float, open_circuit_v_peak: float) -> None:
        """The generator's EMF (V peak) behind its source resistance, from t_s on."""
        self._source.set(t_s, on=on, frequency_hz=frequency_hz, open_circuit_v_peak=open_circuit_v_peak)
        self._load_source(t_s)

    def relays_set(self, t_s: float, closed: frozenset[int]) -> None:
        """Which relays are closed, from t_s on."""
        self._closed = frozenset(closed)
        self._load_source(t_s)

    # ---- axis -----------------------------------------------------------------------------------------------

    def axis_move(self, t_s: float, target_steps: float, max_steps_s: float, accel_steps_s2: float) -> float:
        """Start a move; returns the time at which the command ends (the rotor rings on)."""
        self._power(t_s)
        return self._axis.move(t_s, target_steps, max_steps_s, accel_steps_s2)

    def axis_halt(self, t_s: float) -> float:
        """Stop at once; returns the commanded steps. In motion the motor may lose steps."""
        self._power(t_s)
        return self._axis.halt(t_s)

    def axis_energise(self, on: bool) -> None:
        """Motor current on or off."""
        self._axis.energise(on)

    def axis_index(self, t_s: float) -> float:
        """Seek the index mark; returns the end time. Where the world has none (axis.index) nothing is zeroed."""
        self._power(t_s)
        return self._axis.index(t_s)

    @property
    def axis_index_found_steps(self) -> float:
        """Where the last seek found the mark, in the steps counted until then (whole turns when all is well)."""
        return self._axis.index_found_steps

    def axis_commanded_steps(self, t_s: float) -> float:
        """What the controller believes, in steps from the index."""
        self._power(t_s)
        return self._axis.commanded_steps(t_s)

    def angle_mech_rad(self, t_s: Floats) -> Floats:
        """True rotor angle at times (n,): mechanical, from the index."""
        self._power(float(np.max(t_s)))
        return self._axis.rotor_mech_rad(np.atleast_1d(np.asarray(t_s, dtype=np.float64)))

    def encoder_deg(self, t_s: float) -> float | None:
        """The spindle encoder's reading, mechanical degrees 0 to 360; None without one."""
        self._power(t_s)
        return self._axis.encoder_mech_deg(t_s)

    # ---- instruments ------------------------------------------------------------------------------------------

    def sample(self, t0_s: float, *, rate_hz: float, n: int, ranges_v: tuple[float, float, float, float]) -> Codes:
        """A capture that starts at t0_s: int16 (4, n), volts = code * range / 2^(bits-1)."""
        self._power(t0_s)
        return self._sampling.sample(
            t0_s,
            rate_hz=rate_hz,
            n=n,
            ranges_v=ranges_v,
            wired=self._network(t0_s),
            source=self._live_source(t0_s),
            axis=self._axis,
        )

    def meter_resistance_ohm(self, t_s: float, *, four_wire: bool, offset_compensation: bool, nplc: float) -> float:
        """A resistance between rows 1 and 2; inf when open; rubbish while the part is live."""
        return self._metering.resistance_ohm(
            self._network(t_s),
            self._live_source(t_s),
            four_wire=four_wire,
            offset_compensation=offset_compensation,
            nplc=nplc,
            angle=self._angle(t_s),
        )

    def meter_dc_v(self, t_s: float, nplc: float) -> float:
        """DC volts between rows 1 and 2."""
        return self._metering.dc_v(self._network(t_s), nplc)

    def meter_ac_v(self, t_s: float) -> float:
        """AC volts rms between rows 1 and 2."""
        sine, cosine = 0.0, 0.0
        if self.file.part.faults.magnetised_v_per_krpm and self.file.holder.fitted == "part":
            window = t_s + np.linspace(-0.05, 0.05, 101)
            sine, cosine = (float(np.sqrt(np.mean(v**2))) for v in self._sampling.magnet_v(window, self._axis))
        return self._metering.ac_v(self._network(t_s), self._live_source(t_s), self._angle(t_s), (sine, cosine))

    def climate(self, t_s: float) -> tuple[float, float]:
        """The probe beside the part: degC and percent relative humidity."""
        del t_s
        climate = self.file.climate
        return climate.ambient_degc + climate.probe_error_degc, climate.humidity_pct

    def part_degc(self, t_s: float) -> float:
        """The part's true temperature."""
        return self._thermal.degc(t_s)

    def interlock(self, t_s: float) -> tuple[bool, bool]:
        """(guard closed, emergency stop pressed)."""
        state = self.file.interlock
        opened = state.guard_opens_at_s is not None and t_s >= state.guard_opens_at_s
        opened = opened or any(a <= t_s < b for a, b in state.guard_open_s)
        pressed = state.emergency_stop_at_s is not None and t_s >= state.emergency_stop_at_s
        return self._guard_closed and not opened, self._emergency_stop or pressed

    def hands_at(self, t_s: float) -> tuple[bool, bool, bool]:
        """(arming key held, bypass jumper fitted, enable relays released)."""
        state = self.file.interlock
        key = self._key or any(a <= t_s < b for a, b in state.key_held_s)
        return key, state.enable_timer_s is None, not self.is_powered(t_s)

    def set_hands(self, *, guard_closed: bool | None, emergency_stop: bool | None, key: bool | None) -> None:
        """What a person does at guard, emergency stop and arming key; None: not touched."""
        self._guard_closed = self._guard_closed if guard_closed is None else guard_closed
        self._emergency_stop = self._emergency_stop if emergency_stop is None else emergency_stop
        self._key = self._key if key is None else key

    def is_powered(self, t_s: float) -> bool:
        """Whether the interlock's relays let excitation and motor current through (guard closed, no stop)."""
        guard_closed, emergency_stop = self.interlock(t_s)
        return guard_closed and not emergency_stop

    # ---- inside ---------------------------------------------------------------------------------------------

    def _live_source(self, t_s: float) -> Source | None:
        return self._source if self._source.on and self.is_powered(t_s) else None

    def _power(self, t_s: float) -> None:
        """The interlock takes the motor's current at the moment it opens; a move under way ends there."""
        powered = self.is_powered(t_s)
        if not powered and not self._tripped:
            state = self.file.interlock
            due = [at for at in (state.guard_opens_at_s, state.emergency_stop_at_s) if at is not None and at <= t_s]
            at_s = min(due, default=t_s)
            if self._axis.moving(at_s):
                self._axis.halt(max(at_s, self._axis.last_command_s))
        self._tripped = not powered
        self._axis.power(powered)

    def _angle(self, t_s: float) -> float:
        return float(self._axis.rotor_mech_rad(np.array([t_s]))[0])

    def _network(self, t_s: float) -> Wired:
        """The network now; kept while relays, temperature and wet leaks stay as they are."""
        degc = round(self._thermal.degc(t_s) / DEGC_STEP) * DEGC_STEP
        wet_s = math.floor(t_s / WET_STEP_S) * WET_STEP_S if self.file.part.faults.moisture else 0.0
        loose_ohm = {coil: self.file.part.faults.loose_ohm(coil, t_s) for coil in COILS}
        key = (self._closed, degc, wet_s, *loose_ohm.values())
        if key not in self._wired:
            if len(self._wired) >= NETWORKS_LIMIT:
                self._wired.clear()
            ohm = thermistor_ohm(self.file.part, degc)
            self._wired[key] = wire(
                self.file, self.part, self._closed, degc=degc, t_s=wet_s, thermistor_ohm=ohm, loose_ohm=loose_ohm
            )
        return self._wired[key]

    def _load_source(self, t_s: float) -> None:
        if not (self.file.generator.foldback and self._source.on):
            return
        wired = self._network(t_s)
        hz = np.array([self._source.true_frequency_hz])
        solved = wired.network.solve_ac(hz, self.part.iron(np.array([self._angle(t_s)])))
        low = "loopback_low" if 2001 in self._closed else EXC_LO
        volts = complex(solved.across(AMPLIFIER, low)[0, 0])
        self._source.load_current((1 - volts) / self.file.generator.amplifier_ohm)
