"""Guided probing: ten to fifteen probes for eight pins in four circuits, nothing asked that follows from the rest."""

import math
import random
from dataclasses import dataclass

import pytest
from invented_parts import Made, resolver

from rig.pins.by_hand.probing import Probing, Row, Settling
from rig.pins.readings import PairTable, pair_table
from rig.pins.search import identify
from rig.records.elsewhere.pairs import pair_readings


@dataclass
class Probed:
    probes: int
    circuits: int
    rows: list[Row]

    def table(self) -> PairTable:
        return pair_table(reading for row in self.rows for reading in pair_readings(*row))


def probe(made: Made, core: bool = False) -> Probed:
    """A session to its end on an invented part."""
    probing, rows, circuits = Probing(tuple(made.pins), core=core), [], 0
    while (asked := probing.next_pair()) is not None:
        ohm = made.ohm(asked.pin_a, asked.pin_b)
        ohm = ohm if ohm < 50e6 else math.inf
        probing.put(asked.pin_a, asked.pin_b, ohm)
        rows.append((asked.pin_a, asked.pin_b, ohm))
        circuits += asked.stage == "circuits"
        assert len(rows) <= 28 + 9, "the planner does not end"
    return Probed(len(rows), circuits, rows)


def test_eight_pins_take_ten_to_fifteen_probes_and_give_the_whole_map() -> None:
    """400 random parts of three coils and a sensor: mean near twelve, 97 % within fifteen, never above sixteen."""
    counts = []
    for seed in range(400):
        made, truth = resolver(random.Random(seed))
        session = probe(made)
        counts.append(session.probes)
        if seed % 8 == 0:
            report = identify(session.table())
            assert report.excitation is not None and set(report.excitation.pins) == truth["exc"]
            assert {frozenset(s.circuit.pins) for s in report.sensors} == {frozenset(truth["sensor 0"])}
            assert report.missing == ()
    assert min(counts) == 10 and max(counts) <= 16
    assert 11 <= sum(counts) / len(counts) <= 13
    assert sum(n <= 15 for n in counts) >= 0.97 * len(counts)


def test_a_tidy_connector_takes_the_least_that_proves_it() -> None:
    """Neighbouring or mirrored pins: four circuits and six times apart."""
    ohms = (9.0, 15.0, 15.1, 10e3)
    pins = [str(n) for n in range(1, 9)]
    for pairs in ([("1", "2"), ("3", "4"), ("5", "6"), ("7", "8")], [("1", "8"), ("2", "7"), ("3", "6"), ("4", "5")]):
        made = Made(pins, [(a, b, ohm) for (a, b), ohm in zip(pairs, ohms, strict=True)])
        assert probe(made).probes <= 14
    assert probe(Made(pins, [(a, b, 9.0) for a, b in (("1", "2"), ("3", "4"), ("5", "6"), ("7", "8"))])).probes == 10


def test_empty_pins_and_shared_returns_end_too() -> None:
    """More circuits to hold apart take more probes; no pair is asked twice and all pins are accounted for."""
    for seed in range(50):
        made, truth = resolver(random.Random(seed), n=8, sensors=0)
        session = probe(made, core=True)
        assert len({frozenset(row[:2]) for row in session.rows}) == session.probes <= 28
        report = identify(session.table())
        assert set(report.empty) == truth["empty"] and report.excitation is not None


def test_a_hand_held_reading_counts_once_it_stands_still_and_the_probes_were_lifted() -> None:
    """Bounce is passed over, one value a touch, lifted before the next, open after a while of nothing."""
    settling = Settling(open_after=6)
    given = [settling.feed(v) for v in (math.inf, 900.0, 25.0, 19.4, 19.01, 19.0, 19.02, 19.01, 19.0, 19.0)]
    assert [v for v in given if v is not None] == [pytest.approx(19.01, abs=0.02)]
    settling.begin()
    assert settling.feed(19.0) is None
    assert [settling.feed(math.inf) for _ in range(3)] == [None, None, None]
    assert [v for v in (settling.feed(6.8) for _ in range(6)) if v] == [pytest.approx(6.8)]
    settling.begin()
    assert [settling.feed(math.inf) for _ in range(6)] == [None] * 5 + [math.inf]
