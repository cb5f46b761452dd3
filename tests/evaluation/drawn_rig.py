"""A random part on a random rig whose true errors are distributed as the bench file states them, for coverage trials.

Each stated half-width is drawn evenly within itself, each stated standard uncertainty from a normal distribution. An
order of the positions has two components, each even within the stated half-width: amplitude a sqrt(1 - z^2), z even in
0..1, phase even (a point drawn evenly on a sphere, seen from above). What the world file has no key for is added where
the reading is taken: the meter's offset and linearity by range, orders of the axis that nobody stated, what the
channels drift between the loopback and the sweep, the phases of divider and shunt. Helper of tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from observed_from_world import Rehearsal, world_of
from still_captures import StillWorld

from drivers.simulated.worldfile.keys import WorldFile
from rig.description.benches import BenchFile, load_bench
from rig.observed import Observed
from rig.quantity import Reading, Scalar

NS_PER_RAD = 1e9 / (2 * math.pi * 10_000.0)
LINEARITY = 0.2  # share of a meter's error that two readings of one range do not have in common
DIVIDER_PHASE_RAD = 5e-4
SHUNT_PHASE_RAD = 5e-4
CROSSTALK = 2e-5
UNSTATED_ORDERS = (3, 4, 5, 6, 8, 12, 16)  # five of them in each world
UNSTATED_ARCMIN = 0.1  # half-width, mechanical: a twentieth of a third of the stated cyclic error
ENCODER_ORDERS = (2, 3, 4, 5, 6, 8, 12, 16)
DISTORTION = 1e-4  # half-width of each component of a harmonic that a channel makes, relative to its fundamental
MOVE_S = 0.15
PARTS = ("KX4-2207", "KX2-1184")


def even(rng: np.random.Generator, half_width: float) -> float:
    """A draw within +-half_width."""
    return half_width * float(rng.uniform(-1.0, 1.0))


def order_amplitude(rng: np.random.Generator, half_width: float) -> float:
    """Amplitude of an order each of whose components is even within +-half_width."""
    return half_width * math.sqrt(1.0 - float(rng.uniform()) ** 2)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One trial's world, what it looked like at the loopback, and what is added to readings and positions."""

    seed: int
    part: str
    clamping: int
    file: WorldFile
    at_loopback: WorldFile
    samples: int
    orders: tuple[tuple[int, float, float], ...]  # of the axis: order, amplitude mech arcmin, phase rad
    encoder_orders: tuple[tuple[int, float, float], ...]
    distortion: NDArray[np.complex128]  # (4, 3) harmonics 2, 3 and 5 that each channel makes itself, relative
    rng: np.random.Generator = field(repr=False)


def drawn(seed: int, *, ringing: bool = False, changes: dict[str, dict[str, Any]] | None = None) -> Drawn:
    """World number `seed`. changes: keys by section laid over the draw (the wrong assumptions of a trial)."""
    rng = np.random.default_rng((404, seed))
    bench = load_bench("simulated")
    part = PARTS[int(rng.integers(2))]
    clamping = int(rng.integers(1, 4))
    sampler, before = _sampler(rng, bench)
    climate = _climate(rng, bench)
    data: dict[str, Any] = {
        "seed": int(rng.integers(1, 2**31)),
        "clampings": 3,
        "part": _part(rng, part),
        "axis": _axis(rng, bench, ringing),
        "multimeter": {"gain_ppm": 0.0, "emf_uv": even(rng, 5.0), "noise_ppm": float(rng.uniform(1.0, 5.0))},
        "generator": {"frequency_ppm": even(rng, 20.0), "thd": float(rng.uniform(0.0005, 0.004))},
        "climate": climate,
    }
    for section, keys in (changes or {}).items():
        if section == "sampler":
            sampler, before = {**sampler, **keys}, {**before, **keys}
        else:
            data[section] = {**data[section], **keys}
    return Drawn(
        seed=seed,
        part=part,
        clamping=clamping,
        file=world_of({**data, "sampler": sampler}),
        at_loopback=world_of({**data, "sampler": before}),
        samples=int(rng.choice([755, 1510])),
        orders=_orders(rng, tuple(rng.choice(UNSTATED_ORDERS, 5, replace=False).tolist()), UNSTATED_ARCMIN),
        encoder_orders=_orders(rng, ENCODER_ORDERS, bench.encoder.residual_arcmin if bench.encoder else 0.0),
        distortion=DISTORTION * (rng.uniform(-1, 1, (4, 3)) + 1j * rng.uniform(-1, 1, (4, 3))),
        rng=rng,
    )


def _orders(rng: np.random.Generator, orders: tuple[int, ...], half: float) -> tuple[tuple[int, float, float], ...]:
    return tuple((n, order_amplitude(rng, half), float(rng.uniform(0.0, 2.0 * math.pi))) for n in orders)


def _sampler(rng: np.random.Generator, bench: BenchFile) -> tuple[dict[str, Any], dict[str, Any]]:
    """The sampler in use, and as it was at the loopback (divider and shunt bypassed)."""
    stated = bench.sampler
    gain = stated.spec_of("gain")
    clock = stated.spec_of("frequency")
    assert gain is not None and clock is not None
    half = gain.percent_reading / 100.0
    first = [even(rng, half)] + [even(rng, 0.01) for _ in range(3)]
    skew = [0.0] + [even(rng, 200.0) for _ in range(3)]
    common = {
        "noise_v": float(rng.uniform(0.0002, 0.001)),
        "offset_v": [even(rng, 0.005) for _ in range(4)],
        "clock_ppm": even(rng, 1e4 * clock.percent_reading),
        "exc_divider": stated.exc_divider * (1.0 + stated.exc_divider_u * float(rng.standard_normal())),
        "shunt_ohm": stated.shunt_ohm * (1.0 + stated.shunt_u * float(rng.standard_normal())),
        "input_pf": stated.input_pf + stated.input_pf_u * float(rng.standard_normal()),
        "crosstalk": even(rng, CROSSTALK),
    }
    now = [g + (even(rng, half) if i else 0.0) for i, g in enumerate(first)]
    later = [s + (even(rng, half) * NS_PER_RAD if i else 0.0) for i, s in enumerate(skew)]
    later[0] += even(rng, DIVIDER_PHASE_RAD) * NS_PER_RAD
    later[1] += even(rng, SHUNT_PHASE_RAD) * NS_PER_RAD
    return {**common, "gain_error": now, "skew_ns": later}, {**common, "gain_error": first, "skew_ns": skew}


def _axis(rng: np.random.Generator, bench: BenchFile, ringing: bool) -> dict[str, Any]:
    stated, encoder = bench.axis, bench.encoder
    assert stated is not None and encoder is not None
    keys: dict[str, Any] = {f"cyclic_{n}_arcmin": order_amplitude(rng, stated.cyclic_arcmin) for n in (50, 100, 200)}
    return keys | {
        "once_arcmin": order_amplitude(rng, stated.once_arcmin),
        "twice_arcmin": order_amplitude(rng, stated.twice_arcmin),
        "backlash_arcmin": float(rng.uniform(0.0, stated.backlash_arcmin)),
        "index_repeat_arcmin": stated.index_repeat_arcmin / 2.0,
        "ring_fraction": 0.2 if ringing else 0.0,
        "ring_hz": stated.ring_hz * (1.0 + even(rng, 0.02)),
        "encoder": bool(rng.uniform() < 0.3),
        "encoder_once_arcmin": order_amplitude(rng, encoder.once_arcmin),
        "encoder_arcmin": 0.005,
    }


def _climate(rng: np.random.Generator, bench: BenchFile) -> dict[str, Any]:
    air = float(rng.uniform(17.0, 29.0))
    stated = bench.climate.spec_of("temperature") if bench.climate else None
    assert stated is not None
    return {
        "ambient_degc": air,
        "part_degc": round(air + 0.1 * float(rng.standard_normal()), 2),  # the world's own step
        "probe_error_degc": even(rng, stated.absolute),
    }


def _part(rng: np.random.Generator, name: str) -> dict[str, Any]:
    teeth = {"KX4-2207": (4, 16), "KX2-1184": (2, 8)}[name]
    at_25_ohm_k = 10_000.0 * 3435.0 / 298.15**2
    leaks = {}
    for key in ("exc_sin", "exc_cos", "sin_cos", "exc_core", "sin_core", "cos_core", "thermistor"):
        if rng.uniform() < 0.3:
            leaks[f"leak_{key}_ohm"] = float(10 ** rng.uniform(6.3, 7.9))
    return {
        "pole_pairs": teeth[0],
        "teeth": teeth[1],
        "gap_mean_mm": float(rng.uniform(0.66, 0.78)),
        "lobe_mm": float(rng.uniform(0.32, 0.40)),
        "turns_exc": int(rng.integers(22, 27)),
        "turns_out": int(rng.integers(30, 40)),
        "lobe_shape": "gap" if rng.uniform() < 0.2 else "permeance",
        "leakage": float(rng.uniform(0.12, 0.18)),
        "r20_exc_ohm": 9.0 * (1.0 + even(rng, 0.08)),
        "r20_sin_ohm": 15.0 * (1.0 + even(rng, 0.08)),
        "r20_cos_ohm": 15.0 * (1.0 + even(rng, 0.08)),
        "gap_scatter": float(rng.uniform(0.0, 0.006)),
        "core_loss_deg": float(rng.uniform(0.2, 1.2)),
        "c_winding_pf": float(rng.uniform(40.0, 150.0)),
        "thermistor": {"r25_ohm": 10_000.0 + even(rng, 0.1) * at_25_ohm_k},
        "faults": {
            "static_offset_mm": float(rng.uniform(0.0, 0.03)),
            "static_offset_deg": float(rng.uniform(0.0, 360.0)),
            "runout_mm": float(rng.uniform(0.0, 0.02)),
            "runout_deg": float(rng.uniform(0.0, 360.0)),
            **leaks,
        },
    }


class DrawnRun(Rehearsal):
    """A full test of a drawn world: the rehearsal with the rig's own errors, captures of a series made at once."""

    def __init__(self, trial: Drawn, points: int = 320) -> None:
        super().__init__(trial.file, trial.clamping, trial.part, points=points)
        self.trial = trial
        self.still = StillWorld(trial.file, trial.clamping)
        self.world = self.still
        self.samples = trial.samples
        self._meter: dict[tuple[float, int], float] = {}
        self.still.distortion = trial.distortion
        self.true_level_v_rms = self.true_thd = math.nan
        self._at_steps, self._angle = -1e9, 0.0
        self._held: list[tuple[float, float]] = []
        self._held_series = ""

    # ---- the meter

    def ohms(self, four_wire: bool, range_ohm: float, nplc: float = 10.0, offset: bool = False) -> float | None:
        """One reading with the meter's error in that range: most of it common, a share of each circuit's own."""
        value = super().ohms(four_wire, range_ohm, nplc, offset)
        spec = self.bench.multimeter.spec_of("resistance", range_ohm)
        if value is None or spec is None:
            return value
        reading, full = spec.percent_reading / 100.0 * abs(value), spec.percent_range / 100.0 * range_ohm
        common = math.sqrt(1.0 - LINEARITY**2)
        circuit = 10 + round(40.0 * math.log(abs(value) + 1.0))
        error = reading * (common * self._draw(range_ohm, 0) + LINEARITY * self._draw(range_ohm, circuit))
        error += full * (common * self._draw(range_ohm, 0) + LINEARITY * self._draw(range_ohm, circuit))
        return value + error

    def _draw(self, range_ohm: float, which: int) -> float:
        return self._meter.setdefault((range_ohm, which), even(self.trial.rng, 1.0))

    # ---- the axis

    def move(self, steps: float) -> None:
        """Where the axis really goes when it is sent to `steps`."""
        turn = 3200 if self.bench.axis is None else self.bench.axis.steps_per_turn
        true = steps + self._arcmin(self.trial.orders, 2.0 * math.pi * steps / turn) * turn / 21_600.0
        if self.trial.file.axis.ring_fraction:
            super().move(true)
            return
        self._angle = self.still.resting_mech_rad(true, steps > self._at_steps)
        self._at_steps = steps
        self.t_s += MOVE_S

    def index(self, phase: str) -> None:
        """The mark, as the sequences seek it; a resting axis stands there and has moved nowhere since."""
        super().index(phase)
        self._at_steps = 0.0

    def encoder_deg(self) -> float | None:
        """The encoder with orders of its own."""
        at = self.world.encoder_deg(self.t_s) if self.trial.file.axis.ring_fraction else None
        if not self.trial.file.axis.ring_fraction:
            at = self.still.encoder_at_deg(self._angle)
        return None if at is None else at + self._arcmin(self.trial.encoder_orders, math.radians(at)) / 60.0

    @staticmethod
    def _arcmin(orders: tuple[tuple[int, float, float], ...], angle_mech_rad: float) -> float:
        return sum(a * math.sin(n * angle_mech_rad + phase) for n, a, phase in orders)

    # ---- the sampler

    def loopback(self, captures: int = 8) -> Rehearsal:
        """With the channels as they were then."""
        self.world, now = StillWorld(self.trial.at_loopback, self.trial.clamping), self.world
        super().loopback(captures)
        self.world = now
        return self

    def capture(self, series: str, level: float, **where: Scalar) -> np.ndarray[Any, Any]:
        """As the rehearsal's where the rotor rings; else sweeps and impedances are held back and made together."""
        together = series.startswith(("sweep", "impedance", "spots")) and not self.trial.file.axis.ring_fraction
        if not together:
            return super().capture(series, level, **where)
        if series != self._held_series:
            self.flush()
            self._held_series = series
        index = len(self._held)
        self._held.append((self.t_s, self._angle))
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
        return np.zeros((4, 1), dtype=np.int16)

    def flush(self) -> None:
        """Make the captures that were held back."""
        if not self._held:
            return
        t0_s, angles = np.array(self._held).T
        codes = self.still.sample_still(
            t0_s, angles, rate_hz=self.kept.rate_hz, n=self.samples, range_v=self.kept.range_v
        )
        self.kept.codes[self._held_series] = list(codes)
        if self._held_series.startswith("sweep"):
            self.true_level_v_rms, self.true_thd = self.still.true_level_v_rms, self.still.true_thd
        self._held = []

    def source(self, on: bool, coil_v_rms: float = 0.0) -> None:
        """What was held back belongs to the source as it was."""
        self.flush()
        super().source(on, coil_v_rms)

    def route(self, channels: list[int]) -> None:
        """And to the relays as they were."""
        self.flush()
        super().route(channels)

    def whole(self, loopback: bool = True, **header: Any) -> Observed:
        """The full test's readings and captures; loopback False: nobody compared the channels."""
        self.dc(every_pair=False)
        if loopback:
            self.loopback()
        self.excite().sweep().impedances()
        self.flush()
        return self.observed(clamping=str(self.trial.clamping), **header)
