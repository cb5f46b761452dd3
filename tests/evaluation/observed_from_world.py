"""Whole evaluation without the wire: an `Observed` made straight from a simulated World, as the sequences read it.

It is a helper of tests, not a test. It follows sequences/full_test.py step by step (relays, levels, positions,
settling), with the ideal driver: what the world gives is what is read. World times are bench seconds from zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np

from drivers.simulated.world.world import World
from drivers.simulated.worldfile.keys import WorldFile
from rig.description.benches import BenchFile, load_bench
from rig.description.holders import Holder, load_holder
from rig.description.loading import from_data
from rig.description.parts import load_part
from rig.evaluation.evaluated import evaluate
from rig.evaluation.inspection.index_witness import index_off_steps, index_tolerance_steps
from rig.observed import Observed
from rig.quantity import Reading, Scalar
from rig.resolver.part import COILS, Part
from rig.signal.waveform import WaveformStack

ROWS = ("meter_hi", "meter_lo", "exc_hi", "exc_lo", "sin_hi", "sin_lo", "cos_hi", "cos_lo")
CHANNELS = ("exc_v", "exc_i", "sin", "cos")
RANGES_OHM = (100.0, 1e3, 10e3, 100e3, 1e6, 10e6, 100e6)


def fitting(value_ohm: float, at_least: float = 100.0) -> float:
    """The smallest range that holds a value."""
    return next((r for r in RANGES_OHM if r >= at_least and abs(value_ohm) <= r), RANGES_OHM[-1])


@dataclass
class Kept:
    """Captures in memory, as evaluation reads them."""

    range_v: float
    rate_hz: float
    codes: dict[str, list[Any]] = field(default_factory=dict)
    own_rate_hz: dict[str, float] = field(default_factory=dict)

    def series(self) -> tuple[str, ...]:
        return tuple(self.codes)

    def stack(self, series: str) -> WaveformStack:
        codes = np.stack(self.codes[series])
        return WaveformStack(
            codes=codes,
            scale_v=np.full(4, self.range_v / 32768.0),
            offset_v=np.zeros(4),
            sample_rate_hz=self.own_rate_hz.get(series, self.rate_hz),
            channels=CHANNELS,
            rail_low=-32768,
            rail_high=32767,
        )


class Rehearsal:
    """One run on a world: readings and captures accumulate; `observed()` hands them over."""

    def __init__(
        self, world: WorldFile, clamping: int = 1, part: str = "KX4-2207", rotor: str = "own", points: int = 320
    ) -> None:
        self.file, self.world = world, World(world, clamping)
        self.part: Part = load_part(part).part()
        self.holder: Holder = load_holder("adapter_8")
        self.bench: BenchFile = load_bench("simulated")
        self.rotor, self.clamping, self.points = rotor, clamping, points
        self.t_s = 0.0
        self.readings: list[Reading] = []
        sampler = self.bench.sampler
        self.samples = math.ceil(sampler.sample_rate_hz / self.bench.axis.ring_hz) if self.bench.axis else 3020
        self.kept = Kept(sampler.range_v, sampler.sample_rate_hz)
        self.emf_peak = 0.0

    # ---- small tools

    def read(
        self, step: str, quantity: str, value: Scalar, unit: str, overload: bool = False, **conditions: Scalar
    ) -> None:
        """Put down one reading."""
        self.readings.append(
            Reading(
                step=step,
                quantity=quantity,
                value=None if overload else value,
                unit=unit,
                instrument="rehearsal",
                bench_time_s=self.t_s,
                time_utc="2026-11-25T08:00:00Z",
                conditions=conditions,
                overload=overload,
            )
        )

    def channel(self, row: str, pin: str) -> int:
        """The relay of a row and a pin."""
        return self.bench.switch.channel(row, self.holder.column(self.holder.core_pin if pin == "core" else pin))

    def route(self, channels: list[int]) -> None:
        """Close exactly these relays."""
        self.t_s += 0.02
        self.world.relays_set(self.t_s, frozenset(channels))

    def meter(self, hi: list[str], lo: list[str]) -> None:
        """The meter on pins."""
        self.route([self.channel("meter_hi", p) for p in hi] + [self.channel("meter_lo", p) for p in lo])

    def ohms(self, four_wire: bool, range_ohm: float, nplc: float = 10.0, offset: bool = False) -> float | None:
        """One reading, None above the range."""
        self.t_s += 0.05 * max(nplc, 1.0)
        value = self.world.meter_resistance_ohm(self.t_s, four_wire=four_wire, offset_compensation=offset, nplc=nplc)
        return None if value > 1.2 * range_ohm else value

    def put_ohms(self, step: str, quantity: str, value: float | None, **conditions: Scalar) -> None:
        """Put down a resistance."""
        self.read(step, quantity, value, "ohm", value is None, **conditions)

    def source(self, on: bool, coil_v_rms: float = 0.0) -> None:
        """The generator's EMF for a nominal level at the coil (high-impedance setting)."""
        gain = self.bench.generator.amplifier_gain
        self.emf_peak = math.sqrt(2.0) * coil_v_rms / gain
        self.t_s += 0.02
        frequency = self.part.excitation.frequency_hz
        self.world.generator_set(self.t_s, on=on, frequency_hz=frequency, open_circuit_v_peak=self.emf_peak)
        self.t_s += 0.02

    def capture(self, series: str, level: float, **where: Scalar) -> np.ndarray[Any, Any]:
        """One capture of four channels."""
        r = self.bench.sampler.range_v
        codes = self.world.sample(self.t_s, rate_hz=self.kept.rate_hz, n=self.samples, ranges_v=(r, r, r, r))
        index = len(self.kept.codes.setdefault(series, []))
        self.kept.codes[series].append(codes)
        conditions: dict[str, Scalar] = {
            "frequency_hz": self.part.excitation.frequency_hz,
            "set_v_rms": level,
            "sample_rate_hz": self.kept.rate_hz,
            **where,
        }
        self.readings.append(
            Reading(
                step=series,
                quantity="capture",
                value=None,
                unit="V",
                instrument="rehearsal",
                bench_time_s=self.t_s,
                time_utc="2026-11-25T08:00:00Z",
                conditions=conditions,
                capture=f"{series}/{index}",
            )
        )
        self.t_s += self.samples / self.kept.rate_hz
        return codes

    def encoder_deg(self) -> float | None:
        """What the spindle's encoder shows now; None without one."""
        return self.world.encoder_deg(self.t_s)

    def move(self, steps: float) -> None:
        """Go there and settle."""
        axis = self.bench.axis
        if axis is None:
            return
        per_degree = axis.steps_per_turn / 360.0
        end = self.world.axis_move(self.t_s, steps, axis.max_deg_s * per_degree, axis.accel_deg_s2 * per_degree)
        self.t_s = max(end, self.t_s) + axis.settle_s

    # ---- the steps of a full test

    def dc(self, every_pair: bool = True, repeats: int = 3) -> Rehearsal:
        """Live voltage, leads, pin map, coils, thermistor, leaks."""
        self.read("rotor", "rotor", self.rotor, "")
        self.climate("before")
        pins = list(self.part.pins.values())
        for a, b in [(p, "core") for p in pins] + [(p, pins[0]) for p in pins[1:]]:
            self.meter([a], [b])
            self.read("live", "pin_voltage_dc", self.world.meter_dc_v(self.t_s, 1.0), "V", pin_a=a, pin_b=b)
            self.read("live", "pin_voltage_ac", self.world.meter_ac_v(self.t_s), "V", pin_a=a, pin_b=b)
        self.route([2002])
        for wires in (2, 4):
            self.put_ohms("lead_zero", "lead_zero", self.ohms(wires == 4, 100.0, offset=wires == 4), wires=wires)
        self.route([2003])
        for _ in range(3):
            value = self.ohms(True, 100.0, offset=True)
            self.put_ohms("check_resistor", "check_resistor", value, wires=4, nominal_ohm=100.0)
        self._pairs(every_pair)
        self._coils(repeats)
        self._thermistor_and_leaks()
        return self

    def climate(self, phase: str) -> None:
        """Air at the part."""
        degc, humidity = self.world.climate(self.t_s)
        self.read("climate", "ambient_temperature", degc, "degC", phase=phase)
        self.read("climate", "humidity", humidity, "%", phase=phase)

    def _pairs(self, every: bool) -> None:
        p = self.part.pins
        names = [*p.values(), "core"]
        pairs = list(combinations(names, 2))
        if not every:
            own = [(p[f"{c}_hi"], p[f"{c}_lo"]) for c in (*COILS, "thermistor")]
            pairs = own + [(a[0], b[0]) for a, b in combinations(own, 2)] + [(a[0], "core") for a in own]
        for a, b in pairs:
            self.meter([a], [b])
            range_ohm, value = 1e3, self.ohms(False, 1e3, 1.0)
            if value is None:
                range_ohm, value = 1e6, self.ohms(False, 1e6, 1.0)
            self.put_ohms("pins", "pair_resistance", value, pin_a=a, pin_b=b, polarity="+", range_ohm=range_ohm)
            if value is not None:
                self.meter([b], [a])
                back = self.ohms(False, range_ohm, 1.0)
                self.put_ohms("pins", "pair_resistance", back, pin_a=a, pin_b=b, polarity="-", range_ohm=range_ohm)

    def _coils(self, repeats: int) -> None:
        for coil in COILS:
            hi, lo = self.part.pins[f"{coil}_hi"], self.part.pins[f"{coil}_lo"]
            self.meter([hi], [lo])
            first = self.ohms(True, 1e3, 1.0)
            range_ohm = 1e3 if first is None else fitting(first)
            for repeat in range(1, repeats + 1):
                for polarity, (a, b) in (("+", (hi, lo)), ("-", (lo, hi))):
                    self.meter([a], [b])
                    self.put_ohms(
                        "coils",
                        "coil_resistance",
                        self.ohms(True, range_ohm, 10.0, True),
                        coil=coil,
                        wires=4,
                        polarity=polarity,
                        range_ohm=range_ohm,
                        nplc=10.0,
                        offset_compensation=True,
                        repeat=repeat,
                    )

    def _thermistor_and_leaks(self) -> None:
        p = self.part.pins
        self.meter([p["thermistor_hi"]], [p["thermistor_lo"]])
        first = self.ohms(True, 100e3, 1.0)
        range_ohm = 100e3 if first is None else fitting(first, 10e3)
        for _ in range(3):
            self.put_ohms(
                "thermistor", "thermistor_resistance", self.ohms(True, range_ohm), wires=4, range_ohm=range_ohm
            )
        ends = {c: [p[f"{c}_hi"], p[f"{c}_lo"]] for c in (*COILS, "thermistor")}
        looks = [(c, "core", ends[c], ["core"]) for c in COILS]
        looks += [(a, b, ends[a], ends[b]) for a, b in combinations(COILS, 2)]
        looks += [("thermistor", "all", ends["thermistor"], [*(x for c in COILS for x in ends[c]), "core"])]
        for from_, to, hi, lo in looks:
            self.meter(hi, lo)
            range_ohm, value = 100e6, self.ohms(False, 100e6)
            if value is not None:
                range_ohm = fitting(value, 10e3)
                value = self.ohms(False, range_ohm)
            between: dict[str, Scalar] = {"from": from_, "to": to, "range_ohm": range_ohm}
            self.put_ohms("leak", "leak_resistance", value, **between)

    def loopback(self, captures: int = 8) -> Rehearsal:
        """One signal into all inputs."""
        self.route([2001])
        self.source(True, 0.7 * self.bench.sampler.range_v / math.sqrt(2.0))
        for _ in range(captures):
            self.capture("loopback", 4.95)
        self.source(False)
        return self

    def _connected(self) -> None:
        p = self.part.pins
        self.route([self.channel(f"{c}_{e}", p[f"{c}_{e}"]) for c in COILS for e in ("hi", "lo")])

    def excite(self) -> Rehearsal:
        """Background, a short ramp, trim to within half a per cent, and the settled level."""
        level = self.part.excitation.level_v_rms
        self._connected()
        for _ in range(4):
            self.capture("background", 0.0)
        wanted = level
        for share in (0.2, 0.6, 1.0, 1.0, 1.0, 1.0):
            self.source(True, wanted * share)
            codes = self.capture("ramp", level * share)
            volts = codes[0] * self.bench.sampler.range_v / 32768.0 / self.bench.sampler.exc_divider
            found = float(np.std(volts))
            if share == 1.0 and found > 0.3 * level:
                wanted = min(wanted * level / found, self.part.excitation.ceiling_v_rms)
        for _ in range(8):
            self.capture("excitation", level)
        return self

    def index(self, phase: str) -> None:
        """Seek the index."""
        self.t_s = self.world.axis_index(self.t_s) + 0.2
        turn = self.bench.axis.steps_per_turn if self.bench.axis else 3200
        found = math.remainder(self.world.axis_index_found_steps, turn) if phase != "first" else 0.0
        self.read("index", "index_found", round(found), "steps", phase=phase)

    def sweep(self) -> Rehearsal:
        """Both passes of a turn with their closing points, and once more where they don't close though the axis kept
        its count."""
        self.index("first")
        self.both_passes("")
        obs = self.observed()
        slip, off = evaluate(obs).slip, index_off_steps(obs)
        if slip is not None and slip.is_slip and abs(off or 0.0) <= index_tolerance_steps(obs):
            self.both_passes("_again")
        return self

    def both_passes(self, again: str) -> None:
        """Both passes, the index between them and after them; again: "" or "_again" for their repeat."""
        axis = self.bench.axis
        assert axis is not None
        turn = axis.steps_per_turn
        step = turn // self.points
        level = self.part.excitation.level_v_rms
        for series, direction in ((f"sweep_ccw{again}", "ccw"), (f"sweep_cw{again}", "cw")):
            sign = 1 if direction == "ccw" else -1
            if sign < 0:
                self.index("between")
            positions = [i * step for i in range(self.points + 1)]
            positions = positions if sign > 0 else positions[::-1]
            self.move(positions[0] - sign * 4 * step)
            for i, position in enumerate(positions):
                self.move(position)
                where: dict[str, Scalar] = {
                    "position_steps": position,
                    "direction": direction,
                    "point": i,
                    "closing": i == len(positions) - 1,
                }
                self.capture(series, level, **where)
                angle = self.encoder_deg()
                if angle is not None:
                    self.read("sweep", "encoder_angle", angle, "deg", series=series, **where)
        self.index("again")

    def turning(self) -> Rehearsal:
        """A good turn each way at the axis' own speed, output off, one record each."""
        axis = self.bench.axis
        assert axis is not None
        self.source(False)
        self._connected()
        record_s, ramp_s = 420.0 / axis.max_deg_s, axis.max_deg_s / axis.accel_deg_s2
        per_degree, usual = axis.steps_per_turn / 360.0, (self.samples, self.kept.rate_hz)
        rate_hz = self.kept.own_rate_hz["background_turning"] = 20_000.0
        beyond = 420.0 + axis.max_deg_s * ramp_s + 36.0
        for direction, target in (("ccw", beyond * per_degree), ("cw", 0.0)):
            end = self.world.axis_move(self.t_s, target, axis.max_deg_s * per_degree, axis.accel_deg_s2 * per_degree)
            self.t_s += ramp_s + 9.0 / axis.max_deg_s
            self.samples, self.kept.rate_hz = round(record_s * rate_hz), rate_hz
            self.capture("background_turning", 0.0, direction=direction, speed_mech_deg_s=axis.max_deg_s)
            self.samples, self.kept.rate_hz = usual
            self.t_s = max(end, self.t_s) + axis.settle_s
        return self

    def spots(self) -> Rehearsal:
        """Eight spots of one electrical cycle and the closing one, as the quick screen has them."""
        axis = self.bench.axis
        assert axis is not None
        self.index("first")
        cycle = axis.steps_per_turn / self.part.pole_pairs
        self.move(-160)
        for i in range(9):
            self.move(round(i * cycle / 8))
            where: dict[str, Scalar] = {
                "position_steps": round(i * cycle / 8),
                "direction": "ccw",
                "point": i,
                "closing": i == 8,
            }
            self.capture("spots", self.part.excitation.level_v_rms, **where)
        return self

    def impedances(self, coils: tuple[str, ...] = ("sin", "cos"), positions: int = 16) -> Rehearsal:
        """Each coil driven at 2 V, all others open, at positions over the turn."""
        p = self.part.pins
        turn = self.bench.axis.steps_per_turn if self.bench.axis else 3200
        for coil in coils:
            self.source(False)
            self.route([self.channel("exc_hi", p[f"{coil}_hi"]), self.channel("exc_lo", p[f"{coil}_lo"])])
            self.source(True, 2.0)
            for i in range(positions):
                where: dict[str, Scalar] = {}
                if self.rotor != "none":
                    where = {"position_steps": i * turn // positions}
                    self.move(i * turn // positions)
                self.capture(f"impedance_{coil}", 2.0, **where)
        self.source(False)
        self.climate("after")
        return self

    def observed(self, **header: Any) -> Observed:
        """What evaluation gets."""
        return Observed(
            readings=tuple(self.readings),
            captures=self.kept,
            part=self.part,
            holder=self.holder,
            bench=self.bench,
            header={
                "rotor": self.rotor,
                "clamping": str(self.clamping),
                "serial": "T-1",
                "started_utc": "2026-11-25T08:00:00Z",
                "calibration": None,
                "simulated": True,
                **header,
            },
        )


def world_of(data: dict[str, Any] | None = None) -> WorldFile:
    """A world from keys; what is not given is a good part on a good bench."""
    return from_data(WorldFile, data or {}, "test world")


def full_test(
    data: dict[str, Any] | None = None, *, clamping: int = 1, part: str = "KX4-2207", points: int = 320
) -> Observed:
    """A whole run on a world."""
    rehearsal = Rehearsal(world_of(data), clamping, part, points=points)
    return rehearsal.dc().loopback().excite().sweep().turning().impedances().observed()


def quick_screen(data: dict[str, Any] | None = None, *, part: str = "KX4-2207") -> Observed:
    """The quick screen on a world."""
    rehearsal = Rehearsal(world_of(data), 1, part)
    return rehearsal.dc(every_pair=False, repeats=1).loopback().excite().spots().observed()


def stator_only(data: dict[str, Any] | None = None, *, part: str = "KX4-2207") -> Observed:
    """A run without a rotor."""
    rehearsal = Rehearsal(world_of(data), 1, part, rotor="none")
    return rehearsal.dc().loopback().excite().impedances(("exc", "sin", "cos"), 8).observed()
