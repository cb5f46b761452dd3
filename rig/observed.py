"""What evaluation looks at: the readings and captures of one run beside the part, the holder and the bench file.

It must never know where these came from: a stored run, a running one or a test. Vocabulary of the readings and of
their conditions: rig/vocabulary.py. Nothing here writes, and nothing is changed after it was built.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.description.benches import BenchFile
from rig.description.holders import Holder
from rig.quantity import Reading, Scalar
from rig.resolver.part import Part
from rig.signal.waveform import Captures, WaveformStack

Complexes = NDArray[np.complex128]
RECORD = "record"
"""Series of a recording whose position nobody knows, or of a rotor that somebody turned meanwhile."""
BESIDE = "_cosine"
"""Ending of the series of excitation and cosine that a recorder with two channels made beside excitation and sine."""


class Absent(StrEnum):
    """A witness that a bench run has and a recording may lack; the value names it in words."""

    RECORDER = "a bench file that states the recorder's channels"
    POSITIONER = "a bench file that states the positioner"
    PART = "a part file"
    POLE_PAIRS = "the pole pairs of the part"
    LOOPBACK = "a loopback of the channels"
    CURRENT = "the excitation's current"
    DC = "DC resistances and leaks"
    INDEX = "an index that was sought again"
    POSITIONS = "the positions of the rotor"
    EXCITATION = "the excitation beside every record"
    WAVEFORMS = "waveforms behind the phasors"
    FREQUENCY = "the excitation's frequency"
    RAILS = "the converter's rails"
    SETTING = "what the source was set to"
    TIMES = "the times of the records"
    VOLTS = "volts: the file holds fractions of full scale"
    BACKGROUND = "captures with the excitation off"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhasorSeries:
    """A series recorded as phasors: (n,) complex, peak volts at the part; exc_i in A peak, None where absent."""

    exc_v: Complexes
    sine: Complexes
    cosine: Complexes
    exc_i: Complexes | None = None

    def __len__(self) -> int:
        return int(self.exc_v.size)


class CountedCaptures:
    """Captures that a reading speaks of: of a series with readings those alone, of any other series all.

    Left out are the captures of failed attempts at a repeated step, and those whose reading was lost: nobody knows at
    which position they were taken. told, gone: captures of the readings that count, and of those that count no more,
    "series/index" as the raw file numbers them. inner: the captures as they are.
    """

    def __init__(self, inner: Captures, told: frozenset[str], gone: frozenset[str]) -> None:
        self.inner = inner
        self._told = told
        self._spoken_of = {name.rpartition("/")[0] for name in told}
        self._empty = {name.rpartition("/")[0] for name in gone} - self._spoken_of

    def series(self) -> tuple[str, ...]:
        """Names of the series that hold at least one capture that counts."""
        return tuple(name for name in self.inner.series() if name not in self._empty)

    def stack(self, series: str) -> WaveformStack:
        """The captures of a series that count, in order. Raises KeyError for a series without any."""
        if series in self._empty:
            raise KeyError(series)
        stack = self.inner.stack(series)
        if series not in self._spoken_of:
            return stack
        counting = [i for i in range(len(stack)) if f"{series}/{i}" in self._told]
        return stack if len(counting) == len(stack) else replace(stack, codes=stack.codes[counting])


@dataclass(frozen=True, kw_only=True)
class Observed:
    """Everything that was seen in one run. header: the run header as data (rig/records/run/record.py).

    superseded: readings of failed attempts at repeated steps; they and their captures are not looked at.
    absent: what a recording lacks of a run (rig/records/elsewhere); never what a bench run left out by choice.
    tables: series that came as phasors, without waveforms. digit_v: half a unit of the last digit of volts given as
    text; u_rate_relative: standard uncertainty of the sample rate by the rounding of its time column.
    """

    readings: tuple[Reading, ...]
    captures: Captures
    part: Part
    holder: Holder
    bench: BenchFile
    header: Mapping[str, Any] = field(default_factory=dict)
    superseded: tuple[Reading, ...] = ()
    absent: frozenset[Absent] = frozenset()
    tables: Mapping[str, PhasorSeries] = field(default_factory=dict)
    digit_v: float = 0.0
    u_rate_relative: float = 0.0

    def __post_init__(self) -> None:
        inner = self.captures.inner if isinstance(self.captures, CountedCaptures) else self.captures
        told = frozenset(r.capture for r in self.readings if r.capture)
        gone = frozenset(r.capture for r in self.superseded if r.capture)
        object.__setattr__(self, "captures", CountedCaptures(inner, told, gone))

    def select(self, quantity: str, **conditions: Scalar) -> list[Reading]:
        """Readings of a quantity whose conditions are all as given (a float matches within 1e-9 relative)."""
        return [
            reading
            for reading in self.readings
            if reading.quantity == quantity
            and all(_same(reading.conditions.get(key), value) for key, value in conditions.items())
        ]

    def numbers(self, quantity: str, **conditions: Scalar) -> list[float]:
        """The values of those readings that are in range."""
        return [r.number() for r in self.select(quantity, **conditions) if not r.overload and r.value is not None]

    def has(self, series: str) -> bool:
        """Whether the series holds at least one capture, as waveforms or as phasors."""
        return series in self.tables or series in self.captures.series()

    def lacks(self, *witnesses: Absent) -> bool:
        """Whether any of these witnesses is absent."""
        return not self.absent.isdisjoint(witnesses)

    def capture_readings(self, series: str) -> list[Reading]:
        """The readings that belong to a series' captures, in the order of the captures."""
        found = [r for r in self.readings if r.capture.rpartition("/")[0] == series]
        return sorted(found, key=lambda r: int(r.capture.rpartition("/")[2]))

    def channels_of(self, series: str) -> frozenset[str]:
        """Inputs of the sampler that something was on in a series; empty where it was all of them."""
        told = next((r.conditions.get("channels") for r in self.capture_readings(series)), None)
        return frozenset(str(told).split()) if told else frozenset()

    @property
    def rotor(self) -> str:
        """ "own", "shop master" or "none"; from the reading, else from the header, else "own"."""
        readings = self.select("rotor")
        return str(readings[-1].value) if readings else str(self.header.get("rotor") or "own")


def _same(found: Scalar, wanted: Scalar) -> bool:
    if isinstance(found, int | float) and isinstance(wanted, int | float) and not isinstance(found, bool):
        return abs(found - wanted) <= 1e-9 * max(abs(found), abs(wanted))
    return found == wanted
