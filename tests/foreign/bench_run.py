"""A full test of a foreign world in process: readings and captures as the steps would have written them.

Vocabulary of readings: rig/vocabulary.py. The driver is ideal: what the foreign instruments show is what is written.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from foreign.magnetics import COILS, Inductances
from foreign.signals import BITS, Codes, Complexes, Drive, codes_of, common_signal, connectors, through_channels
from foreign.world import Foreigner
from rig.description.holders import load_holder
from rig.observed import Observed
from rig.quantity import Reading, Scalar
from rig.signal.waveform import WaveformStack

Floats = NDArray[np.float64]
CHANNELS = ("exc_v", "exc_i", "sin", "cos")
RANGES_OHM = (100.0, 1e3, 10e3, 100e3, 1e6, 10e6, 100e6)
UTC = "2026-11-30T08:00:00Z"
POINTS, SAMPLES = 320, 755
STOP_S = 0.15  # bench time of a move and its capture


@dataclass
class Series:
    """Captures in memory, by series."""

    stacks: dict[str, WaveformStack] = field(default_factory=dict)

    def series(self) -> tuple[str, ...]:
        return tuple(self.stacks)

    def stack(self, series: str) -> WaveformStack:
        return self.stacks[series]


class BenchRun:
    """One run on a foreign world: readings and captures accumulate, `observed` hands them over."""

    def __init__(self, world: Foreigner, *, points: int = POINTS, samples: int = SAMPLES) -> None:
        self.world, self.bench, self.rig = world, world.bench, world.rig
        self.points, self.samples = points, samples
        self.part = world.part_file.part()
        self.readings: list[Reading] = []
        self.captures = Series()
        self.t_s = 0.0
        self.true_level_v_rms = self.true_thd = math.nan
        self.emf_v_peak = 0.0

    # ---- readings

    def read(self, step: str, quantity: str, value: Scalar, unit: str, **conditions: Scalar) -> None:
        """Put down one reading; a value of None is an overload."""
        self.t_s += 0.2
        self._put(step, quantity, value, unit, self.t_s, conditions, overload=value is None)

    def _put(
        self,
        step: str,
        quantity: str,
        value: Scalar,
        unit: str,
        at_s: float,
        conditions: dict[str, Scalar],
        *,
        capture: str = "",
        overload: bool = False,
    ) -> None:
        self.readings.append(
            Reading(
                step=step,
                quantity=quantity,
                value=value,
                unit=unit,
                instrument="foreign",
                bench_time_s=at_s,
                time_utc=UTC,
                conditions=conditions,
                capture=capture,
                overload=overload,
            )
        )

    def ohms(self, true_ohm: float, range_ohm: float, circuit: int) -> float | None:
        """One reading of the foreign meter; None above the range."""
        value = self.rig.meter_ohm(self.bench, true_ohm, range_ohm, circuit)
        value *= 1.0 + self.rig.meter_noise * float(self.world.rng.standard_normal())
        return None if value > 1.2 * range_ohm else value

    def direct(self) -> BenchRun:
        """Rotor, air, live voltage, leads, check resistor, pairs, coils, thermistor, leaks."""
        self.read("rotor", "rotor", "own", "")
        self.air("before")
        for a, b in [(pin, "core") for pin in self.part.pins.values()]:
            self.read("live", "pin_voltage_dc", 1e-6 * float(self.world.rng.standard_normal()), "V", pin_a=a, pin_b=b)
            self.read("live", "pin_voltage_ac", 1e-4, "V", pin_a=a, pin_b=b)
        self.read("lead_zero", "lead_zero", self.ohms(self.rig.lead_ohm, 100.0, 1), "ohm", wires=2)
        self.read("lead_zero", "lead_zero", self.ohms(0.0, 100.0, 1), "ohm", wires=4)
        for _ in range(3):
            value = self.ohms(100.0, 100.0, 2)
            self.read("check_resistor", "check_resistor", value, "ohm", wires=4, nominal_ohm=100.0)
        self._pairs()
        self._coils()
        self._thermistor()
        self._leaks()
        return self

    def air(self, phase: str) -> None:
        """The probe beside the part."""
        self.read("climate", "ambient_temperature", self.rig.air_degc + self.rig.probe_k, "degC", phase=phase)
        self.read("climate", "humidity", 45.0, "%", phase=phase)

    def _pairs(self) -> None:
        pins = self.part.pins
        copper = dict(zip(COILS, self.world.part.copper.ohm(self.rig.part_degc), strict=True))
        copper["thermistor"] = self.world.part.thermistor_ohm(self.rig.part_degc)
        own = {name: (pins[f"{name}_hi"], pins[f"{name}_lo"], ohm) for name, ohm in copper.items()}
        for a, b, ohm in own.values():
            range_ohm = 1e3 if ohm < 1200.0 else 1e6
            for polarity in ("+", "-"):
                value = self.ohms(float(ohm) + self.rig.lead_ohm, range_ohm, 3)
                self.read(
                    "pins",
                    "pair_resistance",
                    value,
                    "ohm",
                    pin_a=a,
                    pin_b=b,
                    polarity=polarity,
                    range_ohm=range_ohm,
                )
        for a, b in combinations([*own, "core"], 2):
            value = self.ohms(self.world.part.copper.between_ohm(a, b), 1e6, 4)
            first = own[a][0]
            second = "core" if b == "core" else own[b][0]
            self.read("pins", "pair_resistance", value, "ohm", pin_a=first, pin_b=second, polarity="+", range_ohm=1e6)

    def _coils(self) -> None:
        ohms = self.world.part.copper.ohm(self.rig.part_degc)
        for circuit, (coil, ohm) in enumerate(zip(COILS, ohms, strict=True)):
            for repeat in (1, 2, 3):
                for polarity in ("+", "-"):
                    emf = self.rig.emf_v * (1.0 if polarity == "+" else -1.0) * 1e-2  # compensated but for 1 %, 1 mA
                    value = self.ohms(float(ohm), 100.0, 10 + circuit)
                    self.read(
                        "coils",
                        "coil_resistance",
                        None if value is None else value + emf / 1e-3,
                        "ohm",
                        coil=coil,
                        wires=4,
                        polarity=polarity,
                        range_ohm=100.0,
                        nplc=10.0,
                        offset_compensation=True,
                        repeat=repeat,
                    )

    def _thermistor(self) -> None:
        ohm = self.world.part.thermistor_ohm(self.rig.part_degc)
        range_ohm = next(r for r in RANGES_OHM if r >= 10e3 and 1.2 * r > ohm)
        for _ in range(3):
            value = self.ohms(ohm, range_ohm, 20)
            self.read("thermistor", "thermistor_resistance", value, "ohm", wires=4, range_ohm=range_ohm)

    def _leaks(self) -> None:
        copper = self.world.part.copper
        looks = [(c, "core", copper.between_ohm(c, "core")) for c in COILS]
        looks += [(a, b, copper.between_ohm(a, b)) for a, b in combinations(COILS, 2)]
        looks.append(("thermistor", "all", copper.between_ohm("thermistor", "core", COILS)))
        for circuit, (from_, to, ohm) in enumerate(looks):
            value = self.ohms(ohm, 100e6, 30 + circuit)
            range_ohm = 100e6 if value is None else next((r for r in RANGES_OHM if r >= 10e3 and value <= r), 100e6)
            value = self.ohms(ohm, range_ohm, 30 + circuit)
            where: dict[str, Scalar] = {"from": from_, "to": to, "range_ohm": range_ohm}
            self.read("leak", "leak_resistance", value, "ohm", **where)

    # ---- captures

    def capture(
        self,
        series: str,
        volts: Complexes,
        level: float,
        where: list[dict[str, Scalar]],
        *,
        at_loopback: bool = False,
        rate_hz: float | None = None,
    ) -> None:
        """Records of a series: volts (n, 4, orders) at the connectors, before the channels' own errors."""
        stated, rate = self.bench.sampler, rate_hz or self.bench.sampler.sample_rate_hz
        hertz = self.part.excitation.frequency_hz
        starts = self.t_s + STOP_S * np.arange(len(volts))
        codes = codes_of(
            self.rig,
            through_channels(self.rig, volts, at_loopback=at_loopback),
            2.0 * math.pi * hertz * (1.0 + self.rig.frequency_relative) * starts,
            self.world.rng,
            frequency_hz=hertz,
            rate_hz=rate,
            samples=self.samples,
            range_v=stated.range_v,
            noise=not self.world.quiet,
        )
        self._keep(series, codes, rate)
        conditions: dict[str, Scalar] = {"frequency_hz": hertz, "set_v_rms": level, "sample_rate_hz": rate}
        for i, (at_s, place) in enumerate(zip(starts.tolist(), where, strict=True)):
            self._put(series, "capture", None, "V", at_s, conditions | place, capture=f"{series}/{i}")
        self.t_s = float(starts[-1]) + STOP_S

    def _keep(self, series: str, codes: Codes, rate_hz: float) -> None:
        half = 2 ** (BITS - 1)
        self.captures.stacks[series] = WaveformStack(
            codes=codes,
            scale_v=np.full(4, self.bench.sampler.range_v / half),
            offset_v=np.zeros(4),
            sample_rate_hz=rate_hz,
            channels=CHANNELS,
            rail_low=-half,
            rail_high=half - 1,
        )

    def drive(self, coil: str, level: float) -> Drive:
        """The source set so that the coil has this level (V rms) to within the trim."""
        loaded = coil == "exc"
        one = Drive(coil=coil, emf_v_peak=1.0, frequency_hz=self.part.excitation.frequency_hz, loaded=loaded)
        there = connectors(self.rig, self.world.coils, self.world.part.copper, one, np.zeros(1))
        volt = float(abs(there[0, 0, 0] / self.rig.sampler.divider))
        peak = math.sqrt(2.0) * level * (1.0 + self.rig.trim) / volt
        return Drive(coil=coil, emf_v_peak=peak, frequency_hz=one.frequency_hz, loaded=loaded)

    def at(self, drive: Drive, spindle_rad: Floats, coils: Inductances | None = None) -> Complexes:
        """(n, 4, orders) connectors' volts with the rotor at rest there."""
        return connectors(self.rig, coils or self.world.coils, self.world.part.copper, drive, spindle_rad)

    def loopback(self) -> BenchRun:
        """One signal into all four inputs, divider and shunt bypassed."""
        peak = 0.7 * self.bench.sampler.range_v
        volts = common_signal(self.rig, peak, 8)
        self.capture("loopback", volts, peak / math.sqrt(2.0), [{}] * 8, at_loopback=True)
        return self

    def excited(self) -> Drive:
        """Background, ramp and the settled level; the drive that stays on for the sweep."""
        level = self.part.excitation.level_v_rms
        drive = self.drive("exc", level)
        here = self.world.spindle_rad(np.zeros(1), np.ones(1, dtype=bool), np.zeros(1))
        self.capture("background", np.zeros((4, 4, 4), dtype=np.complex128), 0.0, [{}] * 4)
        one = self.at(drive, here)
        self.capture("ramp", np.concatenate([one * share for share in (0.2, 0.6, 1.0, 1.0)]), level, [{}] * 4)
        self.capture("excitation", np.repeat(one, 8, axis=0), level, [{}] * 8)
        return drive

    def sweep(self, drive: Drive) -> BenchRun:
        """Both passes of a turn with their closing points; the stator may be knocked between them."""
        axis = self.bench.axis
        per_turn = axis.steps_per_turn if axis else 3200
        i = np.arange(self.points + 1)
        self.read("index", "index_found", 0, "steps", phase="first")
        for series, direction, places, begin, coils in (
            ("sweep_ccw", "ccw", i, 0.0, self.world.coils),
            ("sweep_cw", "cw", i[::-1], 0.5, self.world.coils_after),
        ):
            steps = (places * (per_turn // self.points)).astype(np.float64)
            ccw = np.full(len(steps), direction == "ccw")
            spindle = self.world.spindle_rad(steps, ccw, begin + 0.5 * i / self.points)
            where: list[dict[str, Scalar]] = [
                {
                    "position_steps": int(at),
                    "direction": direction,
                    "point": point,
                    "closing": point == self.points,
                }
                for point, at in enumerate(steps)
            ]
            volts = self.at(drive, spindle, coils)
            self._remember(volts)
            self.capture(series, volts, self.part.excitation.level_v_rms, where)
            shown = self.world.encoder_deg(spindle)
            for place, angle in zip(where, [] if shown is None else shown.tolist(), strict=shown is not None):
                self._put("sweep", "encoder_angle", angle, "deg", self.t_s, place)
            if direction == "ccw":
                self.read("index", "index_found", 0, "steps", phase="between")
        self.read("index", "index_found", 0, "steps", phase="again")
        return self

    def _remember(self, volts: Complexes) -> None:
        peak = np.abs(volts[:, 0, :] / self.rig.sampler.divider)
        self.true_level_v_rms = float(np.mean(peak[:, 0])) / math.sqrt(2.0)
        self.true_thd = float(np.mean(np.linalg.norm(peak[:, 1:], axis=1) / peak[:, 0]))

    def impedances(self, positions: int = 16) -> BenchRun:
        """Each output coil driven at 2 V with the others open, at even positions of a turn."""
        per_turn = self.bench.axis.steps_per_turn if self.bench.axis else 3200
        steps = (np.arange(positions) * per_turn // positions).astype(np.float64)
        for coil in ("sin", "cos"):
            spindle = self.world.spindle_rad(steps, np.ones(positions, dtype=bool), np.ones(positions))
            where: list[dict[str, Scalar]] = [{"position_steps": int(at)} for at in steps]
            self.capture(f"impedance_{coil}", self.at(self.drive(coil, 2.0), spindle), 2.0, where)
        self.air("after")
        return self

    def whole(self) -> Observed:
        """Every step of a full test."""
        self.direct().loopback()
        return self.sweep(self.excited()).impedances().observed()

    def observed(self, **header: Any) -> Observed:
        """What evaluation gets."""
        return Observed(
            readings=tuple(self.readings),
            captures=self.captures,
            part=self.part,
            holder=load_holder("adapter_8"),
            bench=self.bench,
            header={
                "rotor": "own",
                "clamping": "1",
                "serial": f"F-{self.world.seed}",
                "started_utc": UTC,
                "calibration": None,
                "simulated": True,
                **header,
            },
        )

    def truths(self) -> dict[str, float]:
        """True values, with level and distortion as this run had them."""
        found = self.world.truths()
        found["v_exc_rms"], found["thd_exc"] = self.true_level_v_rms, self.true_thd
        return found
