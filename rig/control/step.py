"""What a step gets: the bench, the part, and one way to put down what it reads, before the next step begins.

It must never evaluate or judge. Every reading goes to the journal (flushed and synced there) at once; a capture
goes to the raw file first and is then named in the journal. `check_stop` is called often: by every reading here,
and by steps that wait.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from drivers.roles import MeterReading
from rig.control.arming.hot import hot_words, sensor_degc
from rig.control.bench import Bench
from rig.control.clock import Clock
from rig.description.holders import Holder
from rig.quantity import Reading, Scalar
from rig.resolver.part import Part
from rig.signal.waveform import Waveform
from rig.vocabulary import check

CHANNELS = ("exc_v", "exc_i", "sin", "cos")
PASSES = ("sweep_ccw", "sweep_cw", "turning_ccw", "turning_cw")
KEPT = ("background", "ramp", "excitation", *PASSES, *(f"{way}_again" for way in PASSES))  # series that gates look at


class JournalWriter(Protocol):
    """Where readings and events go, one line each; `path` stands in the run's folder, `count`: lines so far."""

    path: Path

    @property
    def count(self) -> int: ...

    def append(self, kind: str, data: Mapping[str, Any]) -> None: ...


class RawWriter(Protocol):
    """Where captures go; returns "series/index"."""

    def append(self, series: str, waveform: Waveform) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ManualEntry:
    """What a person read elsewhere: value with unit, instrument, qualifier ">", "<" or "", caution text."""

    name: str
    value: Scalar
    unit: str = ""
    instrument: str = ""
    qualifier: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Where an attempt at a step began: journal lines, readings and kept captures (series -> number) until then."""

    lines: int
    readings: int
    captures: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far the run is: a line of text, done of total within the step, and live figures with their unit."""

    step: str
    text: str
    done: int = 0
    total: int = 0
    figures: Mapping[str, str] = field(default_factory=dict)


def _silent(_: Progress) -> None:
    """Nobody looks on."""


def _no_answer(_question: str, _answers: tuple[str, ...]) -> str:
    """Nobody is there to ask."""
    return ""


@dataclass(kw_only=True)
class Context:
    """One run's surroundings. rotor: own, shop master or none. calibration: the loopback in force, or None.

    facts: what steps tell later steps and gates (never evaluation). captures: all waveforms of the series that
    gates look at (`keep`), in the order taken. ask: put a question to an operator who is present; the answers
    offered; "" where nobody answers. temperatures_degc: of each coil and the thermistor, as read last (HOT).
    """

    bench: Bench
    part: Part
    holder: Holder
    journal: JournalWriter
    raw: RawWriter
    rotor: str = "own"
    header: Mapping[str, Any] = field(default_factory=dict)
    calibration: Mapping[str, Any] | None = None
    manual: tuple[ManualEntry, ...] = ()
    on_progress: Callable[[Progress], None] = _silent
    on_reading: Callable[[Reading], None] | None = None
    ask: Callable[[str, tuple[str, ...]], str] = _no_answer
    step: str = ""
    readings: list[Reading] = field(default_factory=list)
    captures: dict[str, list[Waveform]] = field(default_factory=dict)
    keep: tuple[str, ...] = KEPT
    facts: dict[str, Any] = field(default_factory=dict)
    temperatures_degc: dict[str, float] = field(default_factory=dict)

    @property
    def clock(self) -> Clock:
        """The bench's clock, for this thread."""
        return self.bench.clock

    def check_stop(self) -> None:
        """Raise the latched stop (SafetyStop, Cancelled); tells the watchdog that the run gets on."""
        self.bench.watchdog.progress()
        self.bench.token.check()

    def read(self, quantity: str, value: Scalar, unit: str, instrument: str, /, **conditions: Scalar) -> Reading:
        """Put one reading down. instrument: its role's name. Raises the latched stop once it is written."""
        return self._put(quantity, value, unit, instrument, conditions)

    def read_meter(self, quantity: str, got: MeterReading, **conditions: Scalar) -> Reading:
        """A multimeter's reading as it is: None with `overload` when over range."""
        name = self.bench.name("multimeter")
        told = sensor_degc(self.part, quantity, got.value, str(conditions.get("coil", "")), conditions.get("wires", 4))
        if told is not None:
            self.temperatures_degc[told[0]] = told[1]
            self.bench.guard.hot = hot_words(self.temperatures_degc)
        return self._put(quantity, got.value, got.unit, name, conditions, overload=got.overload)

    def capture(self, series: str, waveform: Waveform, **conditions: Scalar) -> Reading:
        """Put one capture down: raw file first, then its line in the journal."""
        where = self.raw.append(series, waveform)
        if series in self.keep:
            self.captures.setdefault(series, []).append(waveform)
        conditions.setdefault("sample_rate_hz", waveform.sample_rate_hz)
        return self._put(series, None, "V", self.bench.name("sampler"), conditions, capture=where)

    def _put(
        self,
        quantity: str,
        value: Scalar,
        unit: str,
        instrument: str,
        conditions: Mapping[str, Scalar],
        *,
        overload: bool = False,
        capture: str = "",
    ) -> Reading:
        check(quantity, unit, conditions, capture=bool(capture))
        at_s, utc = self.clock.stamp()
        reading = Reading(
            step=self.step,
            quantity=quantity,
            value=value,
            unit=unit,
            instrument=instrument,
            bench_time_s=at_s,
            time_utc=utc,
            conditions=conditions,
            overload=overload,
            capture=capture,
        )
        self.journal.append("reading", reading.to_dict())
        self.readings.append(reading)
        if self.on_reading is not None:
            self.on_reading(reading)
        self.check_stop()
        return reading

    def event(self, name: str, **data: Any) -> None:
        """Something that is no reading: a step's begin, a gate's answer."""
        self.journal.append("event", {"name": name, "step": self.step, "utc": self.clock.utc()} | data)

    def mark(self) -> Mark:
        """Where things stand now."""
        kept = {series: len(taken) for series, taken in self.captures.items()}
        return Mark(lines=self.journal.count, readings=len(self.readings), captures=kept)

    def forget_since(self, mark: Mark) -> None:
        """What was read since then counts no more for steps and gates; journal and raw file keep it."""
        del self.readings[mark.readings :]
        for series, taken in self.captures.items():
            del taken[mark.captures.get(series, 0) :]

    def progress(self, text: str, done: int = 0, total: int = 0, figures: Mapping[str, str] | None = None) -> None:
        """Tell whoever looks on."""
        self.on_progress(Progress(step=self.step, text=text, done=done, total=total, figures=figures or {}))

    def select(self, quantity: str, **conditions: Scalar) -> list[Reading]:
        """Readings so far of a quantity under the given conditions."""
        return [
            r
            for r in self.readings
            if r.quantity == quantity and all(r.conditions.get(key) == value for key, value in conditions.items())
        ]
