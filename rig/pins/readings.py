"""Readings of pairs of pins as a table: both polarities, leads taken off, what contradicts itself, what is missing.

It must never know where a reading came from: a bench run, a file and a person give the same (`Reading` of quantity
`pair_resistance` with conditions pin_a, pin_b, polarity; `leak_resistance`; `lead_zero`). Ohms, infinite over range,
None not measured. Pins are names; "core" is the lamination or housing, "shield" the cable's screen.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

from rig.evaluation.inspection.thresholds import OPEN_OHM
from rig.pins.thresholds import (
    LIVE_OHM,
    POLARITY_OHM,
    POLARITY_RELATIVE,
    SAME_OHM,
    SAME_RELATIVE,
)
from rig.quantity import Reading

CORE, SHIELD = "core", "shield"
Pair = frozenset[str]


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

    @property
    def lowest_ohm(self) -> float:
        """The lower of both polarities."""
        return self.ohm if self.reversed_ohm is None else min(self.ohm, self.reversed_ohm)

    @property
    def one_way(self) -> bool:
        """Whether the pair conducts better one way: both readings differ by more than 3 % and a tenth of an ohm."""
        if self.reversed_ohm is None or self.ohm == self.reversed_ohm:
            return False
        low, high = sorted((abs(self.ohm), abs(self.reversed_ohm)))
        return high - low > max(POLARITY_OHM, POLARITY_RELATIVE * low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """Resistance between two groups of pins, each joined in itself (ohm, infinite over range)."""

    a: tuple[str, ...]
    b: tuple[str, ...]
    ohm: float


def natural(name: str) -> tuple[object, ...]:
    """Key that puts pin 2 before pin 10, and core and shield last."""
    words = tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", name) if part)
    return (name in (CORE, SHIELD), *words)


def order_pins(pair: Sequence[str]) -> tuple[str, str]:
    """Two pins in natural order."""
    first, second = sorted(pair, key=natural)
    return first, second


def pin_list(pins: Iterable[str]) -> str:
    """Pins as they are printed: "3-5"."""
    return "-".join(sorted(pins, key=natural))


@dataclass(frozen=True)
class PairTable:
    """All pairs that were measured. lead_ohm: lead resistance of a pair that is still in the readings and is taken off
    here; 0 when it was taken off before; None when nobody knows. conflicts: pairs read twice with different values.
    pins_named: pins that exist though no pair of theirs may have been measured. leaks: between groups of joined pins.
    """

    readings: tuple[PairReading, ...]
    lead_ohm: float | None = None
    conflicts: tuple[tuple[str, str, float, float], ...] = ()
    pins_named: tuple[str, ...] = ()
    leaks: tuple[Leak, ...] = ()

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
    def is_zeroed(self) -> bool:
        """Whether lead resistance is known to be out of the values."""
        return self.lead_ohm is not None

    def less_leads(self, ohm: float) -> float:
        """A reading with the leads taken off, never below zero; infinite when open."""
        return math.inf if ohm >= OPEN_OHM else max(0.0, ohm - (self.lead_ohm or 0.0))

    def ohm(self, a: str, b: str) -> float | None:
        """Lower of both polarities, leads taken off; infinite when open, None when not measured."""
        reading = self.by_pair.get(frozenset((a, b)))
        return None if reading is None else self.less_leads(reading.lowest_ohm)

    def nearest(self, a: Sequence[str], b: Sequence[str]) -> float | None:
        """Lowest resistance known between two groups of pins, by pairs and by leaks; None when nothing was read."""
        found = [v for x in a for y in b if (v := self.ohm(x, y)) is not None]
        found += [self.less_leads(leak.ohm) for leak in self.leaks if _between(leak, a, b)]
        return min(found, default=None)

    def missing(self) -> list[tuple[str, str]]:
        """Pairs of named pins that were not measured, in natural order."""
        return [pair for pair in combinations(self.nodes, 2) if frozenset(pair) not in self.by_pair]

    def live(self) -> list[PairReading]:
        """Readings that no resistance gives: below zero by more than any lead or offset, the lowest first."""
        return sorted((r for r in self.readings if r.lowest_ohm < LIVE_OHM), key=lambda r: r.lowest_ohm)


def _between(leak: Leak, a: Sequence[str], b: Sequence[str]) -> bool:
    return any(set(x) & set(leak.a) and set(y) & set(leak.b) for x, y in ((a, b), (b, a)))


def pair_table(readings: Iterable[Reading], adapter_ohm: float = 0.0) -> PairTable:
    """The table of a run, a file or a person. adapter_ohm: the adapter's own lead resistance, which a two-wire lead
    zero (quantity `lead_zero`, the last one counts) does not hold."""
    values: dict[tuple[str, str], tuple[list[float], list[float]]] = {}
    zeros_ohm: list[float] = []
    for reading in readings:
        if reading.quantity == "lead_zero" and reading.conditions.get("wires") == 2 and reading.value is not None:
            zeros_ohm.append(reading.number())
        elif reading.quantity == "pair_resistance":
            a, b = str(reading.conditions.get("pin_a")), str(reading.conditions.get("pin_b"))
            turned = (b, a) in values
            both_ways = values.setdefault((b, a) if turned else (a, b), ([], []))
            if (ohm := _ohm(reading)) is not None:
                both_ways[turned != (reading.conditions.get("polarity") == "-")].append(ohm)
    pairs = [row for ends, (there, back) in values.items() if (row := _pair(ends, there, back)) is not None]
    conflicts = [(*ends, *two) for ends, ways in values.items() for way in ways if (two := _contradiction(way))]
    return PairTable(
        tuple(pairs),
        zeros_ohm[-1] + adapter_ohm if zeros_ohm else None,
        tuple(conflicts),
        tuple(dict.fromkeys(pin for ends in values for pin in ends)),
    )


def _ohm(reading: Reading) -> float | None:
    """Infinite over range, None for a pair that was not measured."""
    if reading.overload:
        return math.inf
    return None if reading.value is None else reading.number()


def _pair(ends: tuple[str, str], there: list[float], back: list[float]) -> PairReading | None:
    if not there:
        ends, there, back = ends[::-1], back, []
    if not there:
        return None
    mean = [math.fsum(way) / len(way) for way in (there, back) if way]
    return PairReading(pin_a=ends[0], pin_b=ends[1], ohm=mean[0], reversed_ohm=mean[1] if back else None)


def _contradiction(ohms: Sequence[float]) -> tuple[float, float] | None:
    """Two readings of one pair and polarity that differ by more than contact and meter explain."""
    for other in ohms[1:]:
        least = max(SAME_OHM, SAME_RELATIVE * max(abs(ohms[0]), abs(other)))
        if ohms[0] != other and not abs(ohms[0] - other) <= (least if math.isfinite(least) else 0.0):
            return ohms[0], other
    return None


def leaks_of(readings: Iterable[Reading], coils: Mapping[str, tuple[str, ...]]) -> tuple[Leak, ...]:
    """The leaks that a run read with both ends of each coil joined. coils: name in the readings -> its pins."""
    ends = {CORE: (CORE,), **coils}
    found = []
    for reading in (r for r in readings if r.quantity == "leak_resistance"):
        a, b = (ends.get(str(reading.conditions.get(key))) for key in ("from", "to"))
        if a and b and (ohm := _ohm(reading)) is not None:
            found.append(Leak(a=a, b=b, ohm=ohm))
    return tuple(found)
