"""Guided probing by hand: which pair of pins to measure next, and when a reading has settled.

It must never know a meter. `probe` asks pair by pair until nothing more is needed; whoever measures (a person who
types, a meter that is read) is handed in. Planner: pins without a partner first, each with the pin that is likeliest
to be it (neighbours and mirrored pins a little before the others), as nothing tells more than the pair that most
likely conducts; then one pair between any two circuits that nothing separates yet. What follows from other pairs is
never asked: open between two circuits is asked once. Each circuit's own resistance is measured, so eight pins in four
circuits take ten probes at least; sixteen is the worst that any order can be forced to. Each circuit against the core
comes last: without it nothing may be driven.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import combinations

from rig.pins.circuits import Sets
from rig.pins.readings import CORE, Pair, natural
from rig.pins.thresholds import LIFTED_COUNT, SENSOR_OHM, SETTLED_COUNT, SETTLED_OHM, SETTLED_RELATIVE

NEIGHBOUR, MIRROR = 2, 1
AGAIN = 6  # pairs of idle pins that are asked a second time at most
Row = tuple[str, str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """The next pair to measure and why; stage "circuits" while partners are sought, "isolation" between circuits."""

    pin_a: str
    pin_b: str
    stage: str
    why: str


@dataclass
class Probing:
    """One session. pins: names in the connector's order. core: whether the core is probed against each circuit too."""

    pins: tuple[str, ...]
    core: bool = False
    known: dict[Pair, float] = field(default_factory=dict)

    def put(self, pin_a: str, pin_b: str, ohm: float) -> None:
        """A measured pair; infinite over range."""
        self.known[frozenset((pin_a, pin_b))] = ohm

    def next_pair(self) -> Probe | None:
        """The next most telling pair; None when nothing more is needed."""
        groups = self._groups()
        alone = [group[0] for group in groups if len(group) == 1]
        unread = [pair for pair in combinations(alone, 2) if frozenset(pair) not in self.known]
        if unread:
            first, second = max(unread, key=lambda pair: self._telling(pair, alone, groups))
            return Probe(pin_a=first, pin_b=second, stage="circuits", why="likeliest to be one circuit")
        for a, b in combinations(groups, 2):
            pairs = [(x, y) for x in a for y in b]
            if not any(frozenset(pair) in self.known for pair in pairs):
                x, y = pairs[0]
                why = "is this pin empty?" if 1 in (len(a), len(b)) else "are these circuits apart?"
                return Probe(pin_a=x, pin_b=y, stage="isolation", why=why)
        return self._core(groups)

    def _core(self, groups: list[tuple[str, ...]]) -> Probe | None:
        for group in groups if self.core else []:
            if not any(frozenset((pin, CORE)) in self.known for pin in group):
                return Probe(pin_a=group[0], pin_b=CORE, stage="isolation", why="is it clear of the core?")
        return None

    def _groups(self) -> list[tuple[str, ...]]:
        sets = Sets(self.pins)
        for pair, ohm in self.known.items():
            if ohm < SENSOR_OHM and CORE not in pair:
                a, b = sorted(pair, key=natural)
                sets.join(a, b)
        return sets.groups()

    def _at(self, pin: str) -> int:
        return self.pins.index(pin)

    def _telling(self, pair: tuple[str, str], alone: list[str], groups: list[tuple[str, ...]]) -> tuple[float, ...]:
        """What to prefer: likeliest to conduct (fewest partners left), then what is already told apart from most
        circuits (nothing is asked twice), then neighbours and mirrored pins, then the connector's order."""
        left = min(sum(frozenset((pin, other)) not in self.known for other in alone if other != pin) for pin in pair)
        apart = sum(
            any(frozenset((x, y)) in self.known for x in pair for y in group) for group in groups if len(group) > 1
        )
        a, b = (self._at(pin) for pin in pair)
        habit = 0
        if abs(a - b) == 1 and min(a, b) % 2 == 0:
            habit = NEIGHBOUR
        elif a + b == len(self.pins) - 1:
            habit = MIRROR
        return (1.0 / max(1, left), apart, habit, -a, -b)


def probe(pins: list[str], measure: Callable[[int, Probe], float | None], *, doubts: bool = False) -> list[Row]:
    """The pairs that it takes, measured in the most telling order: (pin, pin, ohm; infinite over range).

    measure: number of the probe and the probe; gives ohm, or None to end early. doubts: pins that all came out empty
    are asked once more, since a slipped probe reads open too; a value takes the place of "open".
    """
    probing = Probing(tuple(pins), core=True)
    rows: list[Row] = []
    while (asked := probing.next_pair()) is not None:
        ohm = measure(len(rows) + 1, asked)
        if ohm is None:
            return rows
        probing.put(asked.pin_a, asked.pin_b, ohm)
        rows.append((asked.pin_a, asked.pin_b, ohm))
    return _again(rows, measure) if doubts else rows


def _again(rows: list[Row], measure: Callable[[int, Probe], float | None]) -> list[Row]:
    used = {pin for a, b, ohm in rows if math.isfinite(ohm) for pin in (a, b)} | {CORE}
    idle = [i for i, (a, b, _) in enumerate(rows) if not {a, b} & used][:AGAIN]
    for i in idle:
        a, b = rows[i][:2]
        ohm = measure(i + 1, Probe(pin_a=a, pin_b=b, stage="again", why="once more: both pins came out empty"))
        if ohm is None:
            break
        rows[i] = (a, b, ohm)
    return rows


@dataclass
class Settling:
    """Readings of a hand-held pair as they come: a value counts when it stood still, and no other before the probes
    were lifted. An open pair looks like lifted probes, so over range counts only after `open_after` readings of it in a
    row since the pair was asked (`begin`)."""

    open_after: int = 25
    last: list[float] = field(default_factory=list)
    touching: bool = False
    over: int = 0

    def begin(self) -> None:
        """The next pair is asked."""
        self.last.clear()
        self.over = 0

    def feed(self, ohm: float) -> float | None:
        """One reading (ohm, infinite over range); the value (infinite for open) once it counts, else None."""
        if math.isinf(ohm):
            self.last.clear()
            self.over += 1
            self.touching = self.touching and self.over < LIFTED_COUNT
            return math.inf if self.over >= self.open_after else None
        self.over = 0
        if self.touching:
            return None
        self.last = [*self.last, ohm][-SETTLED_COUNT:]
        low, high = min(self.last), max(self.last)
        if len(self.last) < SETTLED_COUNT or high - low > SETTLED_RELATIVE * high + SETTLED_OHM:
            return None
        self.touching = True
        self.last.clear()
        return (low + high) / 2.0
