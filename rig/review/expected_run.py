"""A run that nobody made: what a nominal part would show on a bench, from the part file and the bench file alone.

It must never know an instrument or the simulated bench. It exists so that the uncertainty that a bench will state can
be had from the very evaluation that will state it, before anything is bought or clamped. The part is taken in the
middle of its limits (a leak at twice its limit, an error curve and nulls at a third of theirs); where the part file
says nothing, an ordinary part stands in. Noise: the sampler's spec line "noise" (absolute, V rms), else one code.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import BenchFile
from rig.description.holders import Holder
from rig.observed import Observed
from rig.quantity import Reading, Scalar
from rig.resolver.part import COILS, Part
from rig.resolver.thermistor import resistance_ohm
from rig.resolver.turn.grids import good_sweep_points
from rig.resolver.winding import r_at
from rig.signal.waveform import HeldCaptures, WaveformStack

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
CHANNELS = ("exc_v", "exc_i", "sin", "cos")
CODES = 32_768
DEGC = 22.0
RANGES_OHM = (100.0, 1e3, 10e3, 100e3, 1e6, 10e6, 100e6)
ORDINARY = {"r20_ohm": 12.0, "ratio": 0.286, "phase_deg": 5.0, "error_elec_arcmin": 45.0, "null_v": 0.03}
UTC = "2000-01-01T00:00:00Z"
POINTS = 320
COLD_PTC_OHM = 100.0


def expected_run(part: Part, holder: Holder, bench: BenchFile, header: dict[str, Any] | None = None) -> Observed:
    """A full test of a nominal part on this bench. header: what a run header would add (a calibration in force)."""
    maker = _Maker(part, bench)
    maker.dc()
    maker.driven()
    return Observed(
        readings=tuple(maker.readings),
        captures=HeldCaptures(maker.stacks),
        part=part,
        holder=holder,
        bench=bench,
        header={"rotor": "own", "serial": "", "started_utc": UTC, "calibration": None, **(header or {})},
    )


def middle(part: Part, measurand: str, ordinary: float, share: float = 0.5) -> float:
    """A nominal value: between the limits, at `share` of a lone upper one, at twice a lone lower one."""
    limit = part.limit(measurand)
    if limit is None:
        return ordinary
    if limit.lower is not None and limit.upper is not None:
        return 0.5 * (limit.lower + limit.upper)
    return share * limit.upper if limit.upper is not None else 2.0 * (limit.lower or 0.0)


class _Maker:
    def __init__(self, part: Part, bench: BenchFile) -> None:
        self.part, self.bench = part, bench
        self.readings: list[Reading] = []
        self.stacks: dict[str, WaveformStack] = {}
        self.rng = np.random.default_rng(1)
        self.t_s = 0.0

    # ---- readings

    def read(self, quantity: str, value: Scalar, unit: str, **conditions: Scalar) -> None:
        self.t_s += 0.5
        self.readings.append(
            Reading(
                step="expected",
                quantity=quantity,
                value=value,
                unit=unit,
                instrument="expected",
                bench_time_s=self.t_s,
                time_utc=UTC,
                conditions=conditions,
            )
        )

    def dc(self) -> None:
        """Air, leads, coils, thermistor, leaks."""
        if self.bench.climate is not None:
            for phase in ("before", "after"):
                self.read("ambient_temperature", DEGC, "degC", phase=phase)
        for wires in (2, 4):
            self.read("lead_zero", 1e-4, "ohm", wires=wires)
        for coil in COILS:
            nominal = self.part.coils.get(coil)
            r20 = nominal.r20_ohm if nominal else middle(self.part, f"r20_{coil}", ORDINARY["r20_ohm"])
            ohm = r20 * r20 / float(r_at(r20, DEGC))
            self._repeat("coil_resistance", ohm, 1e-5, coil=coil, wires=4, offset_compensation=True, nplc=10.0)
        kind = self.part.thermistor
        if kind.kind != "none":
            ohm = COLD_PTC_OHM
            if kind.kind != "ptc":
                ohm = float(resistance_ohm(kind.kind, DEGC, r25_ohm=kind.r25_ohm, beta_k=kind.beta_k))
            for _ in range(3):
                self.read("thermistor_resistance", ohm, "ohm", wires=4, range_ohm=_range(ohm, 10e3))
        self._leaks()

    def _repeat(self, quantity: str, ohm: float, relative: float, **conditions: Scalar) -> None:
        for repeat in (1, 2, 3):
            for polarity in ("+", "-"):
                value = ohm * (1.0 + relative * float(self.rng.standard_normal()))
                self.read(
                    quantity, value, "ohm", polarity=polarity, repeat=repeat, range_ohm=_range(ohm, 100.0), **conditions
                )

    def _leaks(self) -> None:
        pairs = [(c, "core") for c in COILS] + [("exc", "sin"), ("exc", "cos"), ("sin", "cos")]
        if self.part.thermistor.kind != "none":
            pairs.append(("thermistor", "all"))
        for from_, to in pairs:
            id_ = "leak_thermistor" if to == "all" else f"leak_{from_}_{to}"
            ohm = min(middle(self.part, id_, 90e6), 95e6)
            between: dict[str, Scalar] = {"from": from_, "to": to, "range_ohm": _range(ohm, 10e3)}
            self.read("leak_resistance", ohm, "ohm", **between)

    # ---- captures

    def driven(self) -> None:
        """Loopback, excitation, both sweeps, impedances."""
        sampler, level = self.bench.sampler, self.part.excitation.level_v_rms
        one = np.full(8, 0.7 * sampler.range_v + 0j)
        self.captures("loopback", np.stack([one] * 4, axis=1), level, [{}] * 8)
        self.captures("background", np.zeros((4, 4), dtype=np.complex128), 0.0, [{}] * 4)
        self.captures("excitation", self._part_at(np.zeros(8)), level, [{}] * 8)
        if self.bench.axis is not None:
            for series, direction in (("sweep_ccw", "ccw"), ("sweep_cw", "cw")):
                self._sweep(series, direction, level)
        for coil in ("sin", "cos"):
            self._impedance(coil)

    def captures(self, series: str, phasors: Complexes, level: float, where: list[dict[str, Scalar]]) -> None:
        """phasors (n, 4): peak volts at the sampler's connectors."""
        sampler = self.bench.sampler
        ring_hz = self.bench.axis.ring_hz if self.bench.axis else 80.0
        rate, frequency = sampler.sample_rate_hz, self.part.excitation.frequency_hz
        m = math.ceil(rate / ring_hz)
        turn = np.exp(2j * np.pi * frequency * (np.arange(m) - (m - 1) / 2) / rate)
        start = np.exp(2j * np.pi * self.rng.random(len(phasors)))
        scale = sampler.range_v / CODES
        spec = sampler.spec_of("noise")
        noise = spec.absolute if spec else scale
        volts = np.real((phasors * start[:, None])[:, :, None] * turn[None, None, :])
        volts += noise * self.rng.standard_normal(volts.shape)
        self.stacks[series] = WaveformStack(
            codes=np.clip(np.rint(volts / scale), -CODES, CODES - 1).astype(np.int16),
            scale_v=np.full(4, scale),
            offset_v=np.zeros(4),
            sample_rate_hz=rate,
            channels=CHANNELS,
            rail_low=-CODES,
            rail_high=CODES - 1,
        )
        stated: dict[str, Scalar] = {"frequency_hz": frequency, "set_v_rms": level, "sample_rate_hz": rate}
        for i, place in enumerate(where):
            self.read(series, None, "V", **stated, **place)
            last = self.readings[-1]
            self.readings[-1] = Reading.from_dict({**last.to_dict(), "capture": f"{series}/{i}"})

    def _part_at(self, theta_mech_rad: Floats) -> Complexes:
        """(n, 4) connector phasors of the nominal part at these rotor angles."""
        part, sampler = self.part, self.bench.sampler
        peak = math.sqrt(2.0) * part.excitation.level_v_rms
        error = middle(part, "error_max_elec_arcmin", ORDINARY["error_elec_arcmin"], 1 / 3) * math.pi / 10_800.0
        elec = part.pole_pairs * theta_mech_rad
        elec = elec + error * np.sin(2.0 * elec)
        current = 0.5 * part.excitation.ceiling_a_rms * math.sqrt(2.0) * np.exp(-1j * math.radians(70.0))
        outputs = []
        for name, wave in (("sin", np.sin(elec)), ("cos", np.cos(elec))):
            phase = math.radians(middle(part, f"phase_{name}_deg", ORDINARY["phase_deg"]))
            null = middle(part, f"null_total_{name}_v", ORDINARY["null_v"], 1 / 3) * math.sqrt(2.0)
            ratio = middle(part, f"tr_{name}", ORDINARY["ratio"])
            outputs.append((peak * ratio * wave + 1j * null) * np.exp(1j * phase))
        ones = np.ones(theta_mech_rad.size)
        return np.stack([peak * sampler.exc_divider * ones, current * sampler.shunt_ohm * ones, *outputs], axis=1)

    def _sweep(self, series: str, direction: str, level: float) -> None:
        where = list(self._positions(direction))
        steps = np.array([float(str(place["position_steps"])) for place in where])
        turn = self.bench.axis.steps_per_turn if self.bench.axis else 3200
        self.captures(series, self._part_at(2.0 * np.pi * steps / turn), level, where)
        if self.bench.encoder is not None:
            for place, at in zip(where, steps, strict=True):
                self.read("encoder_angle", 360.0 * at / turn % 360.0, "deg", **place)

    def _positions(self, direction: str) -> Iterator[dict[str, Scalar]]:
        axis = self.bench.axis
        turn = axis.steps_per_turn if axis else 3200
        good = good_sweep_points(turn, self.part.pole_pairs, self.part.teeth)
        points = (axis.sweep_points if axis else None) or next((n for n in good if n >= POINTS), POINTS)
        for i in range(points + 1):
            at = i * turn // points
            steps = at if direction == "ccw" else turn - at
            yield {"position_steps": steps, "direction": direction, "point": i, "closing": i == points}

    def _impedance(self, coil: str) -> None:
        nominal = self.part.coils.get(coil)
        z = complex(nominal.r20_ohm if nominal else ORDINARY["r20_ohm"], 150.0)
        peak = 2.0 * math.sqrt(2.0)
        sampler, turn = self.bench.sampler, self.bench.axis.steps_per_turn if self.bench.axis else 3200
        row = [peak * sampler.exc_divider, peak / z * sampler.shunt_ohm, 0j, 0j]
        where: list[dict[str, Scalar]] = [{"position_steps": i * turn // 16} for i in range(16)]
        self.captures(f"impedance_{coil}", np.tile(np.array(row), (16, 1)), 2.0, where)


def _range(ohm: float, least: float) -> float:
    """The smallest range that holds a value."""
    return next((r for r in RANGES_OHM if r >= least and ohm <= r), RANGES_OHM[-1])
