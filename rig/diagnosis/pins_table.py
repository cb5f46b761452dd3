"""Resistances between pins as diagnosis looks at them: pairs in both polarities, leads taken off, what is missing.

It must never know where the table came from (file, bench, hand). Ohms, infinite over range, None not measured.
Pins are names; "core" is the lamination or housing, "shield" the cable's screen.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations

CORE, SHIELD = "core", "shield"
Pair = frozenset[str]

COIL_OHM = 1e3  # below: a winding, or a sensor that looks like one
SENSOR_OHM = 500e3  # below: a thermistor may be
OPEN_OHM = 20e6  # above: open
POLARITY = 0.03  # relative; more is a semiconductor
LIVE_OHM = -0.5  # a reading below says that the pair carries a voltage


@dataclass(frozen=True, slots=True, kw_only=True)
class PairReading:
    """One pair: ohm with pin_a positive, reversed_ohm with pin_b positive (None where it was not taken)."""

    pin_a: str
    pin_b: str
    ohm: float
    reversed_ohm: float | None = None

    @property
    def pair(self) -> Pair:
        """The two pins."""
        return frozenset((self.pin_a, self.pin_b))


def natural(name: str) -> tuple[object, ...]:
    """Key that puts pin 2 before pin 10, and core and shield last."""
    words = tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", name) if part)
    return (name in (CORE, SHIELD), *words)


def told(pair: Iterable[str]) -> str:
    """A pair as it is printed: "3-5"."""
    return "-".join(sorted(pair, key=natural))


@dataclass(frozen=True)
class PairTable:
    """All pairs that were measured. lead_ohm: lead resistance of a pair that is still in the readings and is taken off
    here; 0 when it was taken off before; None when nobody knows. conflicts: pairs told twice with different values.
    pins_named: pins that exist though no pair of theirs may have been measured yet."""

    readings: tuple[PairReading, ...]
    lead_ohm: float | None = None
    conflicts: tuple[tuple[str, str, float, float], ...] = ()
    source: str = ""
    pins_named: tuple[str, ...] = field(default=())

    @cached_property
    def by_pair(self) -> dict[Pair, PairReading]:
        """Pair -> reading."""
        return {reading.pair: reading for reading in self.readings}

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """Every pin of the table, core and shield too, in natural order."""
        names = {pin for reading in self.readings for pin in reading.pair} | set(self.pins_named)
        return tuple(sorted(names, key=natural))

    @property
    def pins(self) -> tuple[str, ...]:
        """The connector's pins: without core and shield."""
        return tuple(pin for pin in self.nodes if pin not in (CORE, SHIELD))

    @property
    def zeroed(self) -> bool:
        """Whether lead resistance is known to be out of the values."""
        return self.lead_ohm is not None

    def ohm(self, a: str, b: str) -> float | None:
        """Lower of both polarities, leads taken off, never below zero; infinite when open, None when not measured."""
        reading = self.by_pair.get(frozenset((a, b)))
        if reading is None:
            return None
        value = min(reading.ohm, math.inf if reading.reversed_ohm is None else reading.reversed_ohm)
        if value >= OPEN_OHM:
            return math.inf
        return max(0.0, value - (self.lead_ohm or 0.0))

    def polarity(self, pair: Iterable[str]) -> float | None:
        """Relative difference between the polarities of a pair; infinite for a diode; None when only one was taken."""
        reading = self.by_pair.get(frozenset(pair))
        if reading is None or reading.reversed_ohm is None:
            return None
        low, high = sorted((abs(reading.ohm), abs(reading.reversed_ohm)))
        if math.isinf(low) or high == 0.0:
            return 0.0
        return math.inf if math.isinf(high) else (high - low) / max(low, 1e-9)

    def one_way(self, pair: Iterable[str]) -> bool:
        """Whether a pair conducts better one way: more than 3 % and a tenth of an ohm apart."""
        reading = self.by_pair.get(frozenset(pair))
        if reading is None or reading.reversed_ohm is None:
            return False
        apart = abs(reading.ohm - reading.reversed_ohm)
        return (self.polarity(pair) or 0.0) > POLARITY and not apart <= 0.1

    def missing(self) -> list[Pair]:
        """Pairs of named pins that were not measured."""
        return [frozenset(p) for p in combinations(self.nodes, 2) if frozenset(p) not in self.by_pair]

    def live(self) -> list[PairReading]:
        """Readings that no resistance gives: below zero by more than any lead or offset."""
        return [r for r in self.readings if min(r.ohm, r.reversed_ohm or 0.0) < LIVE_OHM]


class Sets:
    """Disjoint sets of names."""

    def __init__(self, names: Iterable[str]) -> None:
        self._up = {name: name for name in names}

    def find(self, name: str) -> str:
        """The name that stands for the set."""
        while self._up[name] != name:
            self._up[name] = self._up[self._up[name]]
            name = self._up[name]
        return name

    def join(self, a: str, b: str) -> bool:
        """Make one set of two; False when they were one."""
        a, b = self.find(a), self.find(b)
        self._up[b] = a
        return a != b

    def groups(self) -> list[tuple[str, ...]]:
        """The sets, members and sets in natural order."""
        found: dict[str, list[str]] = {}
        for name in sorted(self._up, key=natural):
            found.setdefault(self.find(name), []).append(name)
        return [tuple(group) for group in found.values()]
