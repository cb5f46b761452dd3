"""Hands-free probing: a person with two probes, bounce and slips included, ends with the whole map."""

from __future__ import annotations

import math
import re
from collections import deque
from itertools import cycle

import pytest

from rig.errors import UsageError
from rig.evaluation.evaluated import evaluate
from rig.jobs.pins.by_hand import by_bench, by_meter
from rig.pins.search import find_pins

OHMS = {("1", "4"): 19.0, ("2", "5"): 6.8, ("3", "8"): 6.82, ("6", "7"): 10_240.0}


class Person:
    """Hears the pair, lifts, touches with bounce; slips once on a given pair."""

    def __init__(self, slips_on: tuple[str, str] | None = None) -> None:
        self.heard: list[str] = []
        self.coming: deque[float] = deque()
        self.now = math.inf
        self.slips_on = slips_on

    def say(self, text: str) -> None:
        self.heard.append(text)
        if (pair := re.search(r"pins (\w+) and (\w+)", text)) is None:
            return
        a, b = sorted(pair.groups())
        ohm = OHMS.get((a, b), math.inf)
        if (a, b) == self.slips_on:
            ohm, self.slips_on = math.inf, None
        self.coming.extend([math.inf] * 3)
        if math.isfinite(ohm):
            self.coming.extend([ohm * 7, math.inf, ohm * 1.4, ohm * 1.02])
        self.now = ohm

    def read(self) -> float:
        return self.coming.popleft() if self.coming else self.now


def pins_of(person: Person) -> list[tuple[str, ...]]:
    observed = by_meter([str(n) for n in range(1, 9)], person.read, person.say)
    report = find_pins(evaluate(observed)).found
    assert report.may_excite
    assert report.excitation is not None
    return [report.excitation.pins, *(s.circuit.pins for s in report.sensors)]


def test_every_pair_is_named_read_steady_and_sounded() -> None:
    """Ten to sixteen pairs of pins, then each circuit to the core, one sound each; the map at the end."""
    person = Person()
    assert pins_of(person) == [("1", "4"), ("6", "7")]
    asked = [text for text in person.heard if "pins" in text]
    sounded = [text for text in person.heard if "\a" in text]
    assert len(asked) == len(sounded)
    assert 10 <= sum("core" not in text for text in asked) <= 16
    assert [text for text in asked if "core" in text] == asked[-4:]


def test_one_slipped_probe_does_not_lose_a_circuit() -> None:
    """Pins that came out empty are asked once more."""
    assert pins_of(Person(slips_on=("6", "7"))) == [("1", "4"), ("6", "7")]


def test_a_value_that_never_stands_and_a_simulated_bench_are_refused() -> None:
    """A bad joint is named; nobody can hold probes to a simulation."""
    values = cycle((10.0, 20.0, 15.0))
    with pytest.raises(UsageError, match="no steady reading"):
        by_meter(["1", "2"], lambda: next(values), lambda _: None)
    with pytest.raises(UsageError, match="simulated"):
        by_bench(["1", "2"], "simulated", lambda _: None, None)
