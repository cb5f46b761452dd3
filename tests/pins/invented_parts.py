"""Invented parts as circuits between pins, for tests of the search for pins: the resistance of any pair, by nodal
analysis of the circuits themselves (nothing of rig/pins is used), and tables as people write them.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from rig.pins.readings import PairReading, PairTable


@dataclass
class Made:
    """resistors: (pin, pin, ohm); one_way: pins -> factor of the reversed reading; lead_ohm: in every reading."""

    pins: list[str]
    resistors: list[tuple[str, str, float]] = field(default_factory=list)
    one_way: dict[tuple[str, str], float] = field(default_factory=dict)
    lead_ohm: float = 0.0
    extra: list[str] = field(default_factory=list)

    def ohm(self, a: str, b: str) -> float:
        """Resistance between two nodes, infinite when nothing joins them."""
        names = sorted({n for x, y, _ in self.resistors for n in (x, y)} | {a, b})
        reach, grown = {a}, True
        while grown:
            grown = False
            for x, y, _ in self.resistors:
                if (x in reach) != (y in reach):
                    reach |= {x, y}
                    grown = True
        if b not in reach:
            return math.inf
        used = [n for n in names if n in reach and n != b]
        g = np.zeros((len(used), len(used)))
        at = {n: i for i, n in enumerate(used)}
        for x, y, ohm in self.resistors:
            if x not in reach:
                continue
            for p, q in ((x, y), (y, x)):
                if p in at:
                    g[at[p], at[p]] += 1 / ohm
                    if q in at:
                        g[at[p], at[q]] -= 1 / ohm
        current = np.zeros(len(used))
        current[at[a]] = 1.0
        return float(np.linalg.solve(g, current)[at[a]])

    def table(self, rng: random.Random, *, core: bool = False, both: bool = False, zeroed: bool = False) -> PairTable:
        """As a meter gives it: 0.3 % scatter and a hundredth of an ohm, above 50 Mohm over range."""
        readings = []
        for a, b in combinations([*self.pins, *(["core"] if core else [])], 2):
            true = self.ohm(a, b) + self.lead_ohm
            seen = true * (1 + 0.003 * rng.uniform(-1, 1)) + 0.01 * rng.uniform(-1, 1)
            seen = seen if seen < 50e6 else math.inf
            back = None
            if both and math.isfinite(seen):
                back = seen * self.one_way.get((a, b), self.one_way.get((b, a), 1.0))
            readings.append(PairReading(pin_a=a, pin_b=b, ohm=seen, reversed_ohm=back))
        return PairTable(tuple(readings), 0.0 if zeroed else None)


def shuffled(rng: random.Random, n: int) -> list[str]:
    """Pin names in random order."""
    names = [str(i + 1) for i in range(n)]
    rng.shuffle(names)
    return names


def resolver(
    rng: random.Random, *, n: int = 8, sensors: int = 1, alike: bool = False
) -> tuple[Made, dict[str, set[str]]]:
    """A part with three coils on random pins, sensors and empty pins; and what stands where."""
    free = shuffled(rng, n)
    made = Made(sorted(free, key=int))
    pair = rng.uniform(6, 110)
    odd = pair * (rng.uniform(0.98, 1.02) if alike else rng.choice([rng.uniform(0.25, 0.8), rng.uniform(1.25, 3.0)]))
    truth: dict[str, set[str]] = {}
    for name, ohm in (("exc", odd), ("a", pair), ("b", pair * rng.uniform(0.985, 1.015))):
        x, y = free.pop(), free.pop()
        made.resistors.append((x, y, ohm))
        truth[name] = {x, y}
    for i in range(sensors):
        x, y = free.pop(), free.pop()
        made.resistors.append((x, y, rng.choice([2.3e3, 5.2e3, 10.4e3, 52e3, 104e3])))
        truth[f"sensor {i}"] = {x, y}
    truth["empty"] = set(free)
    return made, truth
