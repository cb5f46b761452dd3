"""A bench of plain objects for tests of steps: every call goes into one list, in order; time is a number.

The part is a few resistors and a sine: enough to see what a step asks for, nothing to evaluate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np

from drivers.roles import (
    ClimateReading,
    Identity,
    InterlockState,
    MeterReading,
    MultimeterAbilities,
    SamplerAbilities,
)
from rig.control.bench import Bench
from rig.control.guard import Ceilings, Guard
from rig.control.guarded import GuardedAxis, GuardedGenerator, GuardedSwitch
from rig.control.step import Context
from rig.control.stop import StopToken
from rig.description.benches import load_bench
from rig.description.holders import load_holder
from rig.description.parts import load_part
from rig.signal.waveform import Waveform


class FakeClock:
    """Time that moves when somebody sleeps, or an instrument takes its time."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def now_s(self) -> float:
        return self.t_s

    def utc(self) -> str:
        return "2030-01-01T00:00:00Z"

    def stamp(self) -> tuple[float, str]:
        return self.t_s, self.utc()

    def sleep(self, s: float) -> float:
        self.t_s += max(0.0, s)
        return self.t_s

    def another(self) -> FakeClock:
        return self

    def close(self) -> None:
        """Nothing to give back."""


class Fake:
    """One instrument: records calls as (name, word, arguments)."""

    def __init__(self, name: str, world: FakeWorld) -> None:
        self.name = name
        self.w = world

    def note(self, word: str, *what: Any) -> None:
        self.w.calls.append((self.name, word, *what))

    def open(self) -> None:
        self.note("open")

    def identity(self) -> Identity:
        return Identity(maker="fake", model="fake", serial="SIM", firmware="")

    def safe_state(self) -> None:
        self.note("safe_state")

    def close(self) -> None:
        self.note("close")


class FakeGenerator(Fake):
    on = False
    v = 0.0

    def prepare_sine(self, *, frequency_hz: float, level_v_rms: float) -> None:
        self.v = level_v_rms
        self.note("prepare", level_v_rms)

    def level_v_rms(self, level_v_rms: float) -> None:
        self.v = level_v_rms
        self.note("level", level_v_rms)

    def frequency_hz(self, frequency_hz: float) -> None:
        self.note("frequency", frequency_hz)

    def output(self, on: bool) -> None:
        self.on = on
        self.note("output", on)

    def output_is_on(self) -> bool:
        return self.on


class FakeSampler(Fake):
    abilities = SamplerAbilities(
        simultaneous=True,
        channels=4,
        bits=16,
        max_rate_hz=250e3,
        max_samples=1_000_000,
        ranges_v=(10.0,),
        skew_s=(0.0,) * 4,
    )
    rate_hz = 0.0
    samples = 0

    def configure(
        self, *, ranges_v: Sequence[float], sample_rate_hz: float, samples: int, channels: Sequence[str]
    ) -> float:
        self.rate_hz, self.samples = sample_rate_hz, samples
        self.note("configure", tuple(ranges_v), samples)
        return sample_rate_hz

    def arm(self) -> None:
        self.w.clock.t_s += self.w.arm_s
        self.note("arm")

    def trigger(self) -> None:
        self.note("trigger")

    def wait_captured(self) -> None:
        self.w.clock.t_s += self.samples / self.rate_hz
        self.note("captured")

    def fetch(self) -> Waveform:
        self.w.clock.t_s += self.w.read_s
        self.note("fetch")
        g = self.w.generator
        v = g.v * self.w.amplifier * self.w.arrives if g.on else 0.0
        t_s = np.arange(self.samples) / self.rate_hz
        wave = np.sqrt(2.0) * np.sin(2 * np.pi * 10_000.0 * t_s)
        volts = np.stack([v * 0.5 * wave, v / self.w.z_ohm * wave, 0.3 * v * wave, 0.0 * wave])
        return Waveform(
            codes=np.round(volts / 3e-4).astype(np.int16),
            scale_v=np.full(4, 3e-4),
            offset_v=np.zeros(4),
            sample_rate_hz=self.rate_hz,
            channels=("exc_v", "exc_i", "sin", "cos"),
            rail_low=-32768,
            rail_high=32767,
        )


class FakeAxis(Fake):
    steps_per_turn = 3200
    position_known = True
    at = 0
    end_s = 0.0

    def position_steps(self) -> int:
        return self.at

    def release(self) -> None:
        self.note("release")

    def hold(self) -> None:
        self.note("hold")

    def index(self) -> int:
        self.at = 0
        self.note("index")
        return 0

    def move_to(self, steps: int) -> None:
        self.w.clock.t_s += self.w.command_s
        self.end_s = self.w.clock.t_s + self.w.move_s
        self.at = steps
        self.note("move", steps)

    def wait_stopped(self, dwell_s: float = 0.0) -> None:
        self.w.clock.t_s = max(self.w.clock.t_s, self.end_s) + dwell_s
        self.note("stopped", dwell_s)

    def halt(self) -> None:
        self.note("halt")


class FakeSwitch(Fake):
    def __init__(self, name: str, world: FakeWorld) -> None:
        super().__init__(name, world)
        self.closed: set[int] = set()

    def close_channels(self, channels: Sequence[int]) -> None:
        self.closed |= set(channels)
        self.note("close", tuple(channels))

    def open_channels(self, channels: Sequence[int]) -> None:
        self.closed -= set(channels)
        self.note("open", tuple(channels))

    def open_all(self) -> None:
        self.closed.clear()
        self.note("open_all")

    def closed_channels(self) -> tuple[int, ...]:
        return tuple(sorted(self.closed))


class FakeMeter(Fake):
    abilities = MultimeterAbilities(offset_compensation=True)

    def resistance_ohm(
        self, *, four_wire: bool, range_ohm: float | None, nplc: float, offset_compensation: bool = False
    ) -> MeterReading:
        self.note("ohms", four_wire, range_ohm)
        value = self.w.between()
        top = range_ohm or 1e9
        if value is None or value > 1.2 * top:
            return MeterReading(value=None, unit="ohm", range_upper=top, overload=True)
        return MeterReading(value=value, unit="ohm", range_upper=top)

    def dc_volts(self, *, range_v: float | None, nplc: float) -> MeterReading:
        self.note("dc")
        return MeterReading(value=self.w.live_v, unit="V", range_upper=100.0)

    def ac_volts_rms(self, *, range_v: float | None, bandwidth_hz: float = 20.0) -> MeterReading:
        self.note("ac")
        return MeterReading(value=0.0, unit="V", range_upper=10.0)


class FakeInterlock(Fake):
    now = InterlockState(guard_closed=True, emergency_stop=False)

    def state(self) -> InterlockState:
        return self.now


class FakeClimate(Fake):
    def read(self) -> ClimateReading:
        return ClimateReading(temperature_degc=22.0, humidity_pct=45.0)


class FakeDog:
    """Nobody watches."""

    def folder(self, path: Path) -> None:
        """Nothing to leave there."""

    def progress(self, limit_s: float | None = None) -> None:
        """Nothing to note."""


class FakeWorld:
    """Knobs of the fakes, and the list of calls."""

    def __init__(self) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self.retries: list[str] = []
        self.clock = FakeClock()
        self.arm_s, self.read_s, self.command_s, self.move_s = 0.015, 0.025, 0.005, 0.047
        self.amplifier, self.arrives, self.z_ohm, self.live_v = 2.0, 1.0, 103.0, 0.0
        self.ohms: dict[frozenset[int], float] = {
            frozenset((1, 2)): 9.2,
            frozenset((3, 4)): 15.2,
            frozenset((5, 6)): 15.3,
            frozenset((7, 8)): 11_000.0,
        }
        self.generator = FakeGenerator("generator", self)
        self.switch = FakeSwitch("switch", self)

    def between(self) -> float | None:
        """The resistance that the closed relays put on the meter."""
        if 2002 in self.switch.closed:
            return 0.1
        if 2003 in self.switch.closed:
            return 100.0
        hi = {c % 100 for c in self.switch.closed if c // 100 == 11}
        lo = {c % 100 for c in self.switch.closed if c // 100 == 12}
        return next((self.ohms[frozenset((a, b))] for a in hi for b in lo if frozenset((a, b)) in self.ohms), None)

    def words(self, *names: str) -> list[tuple[Any, ...]]:
        """Calls of some instruments."""
        return [call for call in self.calls if call[0] in names]


class FakeBench:
    """Stands for an opened bench."""

    def __init__(self, world: FakeWorld) -> None:
        self.file = load_bench("simulated")
        self.holder = load_holder("adapter_8")
        self.clock = world.clock
        self.token = StopToken()
        axis = FakeAxis("axis", world)
        self.interlock = FakeInterlock("interlock", world)
        self.guard = Guard(
            token=self.token, interlock=self.interlock, clock=self.clock, generator=world.generator, axis=axis
        )
        self.guard.ceilings = Ceilings(v_rms=8.0, a_rms=0.15)
        self.axis = GuardedAxis(axis, self.guard)
        self.generator = GuardedGenerator(world.generator, self.guard, self.clock, 2.0)
        self.switch = GuardedSwitch(world.switch, world.generator, self.axis)
        self.sampler = FakeSampler("sampler", world)
        self.multimeter = FakeMeter("multimeter", world)
        self.climate = FakeClimate("climate", world)
        self.encoder = None
        self.hands = None
        self.watchdog = FakeDog()
        self.world = world
        self.made_safe = 0

    def name(self, role: str) -> str:
        return role

    def retries(self) -> dict[str, tuple[str, ...]]:
        return {"multimeter": tuple(self.world.retries)}

    def make_safe(self) -> dict[str, str]:
        self.made_safe += 1
        self.world.generator.output(False)
        return {}


class ListJournal:
    """Lines in memory."""

    path = Path("nowhere") / "journal.jsonl"

    def __init__(self) -> None:
        self.lines: list[tuple[str, dict[str, Any]]] = []

    @property
    def count(self) -> int:
        return len(self.lines)

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        self.lines.append((kind, dict(data)))


class ListRaw:
    """Counts captures."""

    def __init__(self) -> None:
        self.counts: dict[str, int] = {}

    def append(self, series: str, waveform: Waveform) -> str:
        n = self.counts.get(series, 0)
        self.counts[series] = n + 1
        return f"{series}/{n}"


def context(world: FakeWorld, part: str = "KX4-2207", **more: Any) -> Context:
    """A run on the fake bench."""
    bench = FakeBench(world)
    return Context(
        bench=cast(Bench, bench),
        part=load_part(part).part(),
        holder=bench.holder,
        journal=ListJournal(),
        raw=ListRaw(),
        step="test",
        **more,
    )
