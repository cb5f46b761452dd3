"""A wet part's leaks from run to run: dries, dry, stays, gets worse."""

from __future__ import annotations

import math

import pytest

from rig.review.units.drying import LeakRun, leak_trend

CORE, PAIR = "leak_sin_core", "leak_exc_sin"


def runs(*ohms: tuple[float, float]) -> list[LeakRun]:
    return [
        LeakRun(run=f"r{i}", begun_utc=f"2026-11-25T{8 + i:02d}:00:00Z", ohm={CORE: core, PAIR: pair})
        for i, (core, pair) in enumerate(ohms)
    ]


@pytest.mark.parametrize(
    ("ohms", "answer"),
    [
        (((3e5, 4e5), (4e6, 5e6)), "rising"),
        (((3e5, 4e5), (4e6, 5e6), (math.inf, math.inf)), "gone"),
        (((3e5, 4e5), (3.3e5, 4e6), (3.1e5, math.inf)), "staying"),
        (((4e6, 5e6), (3e5, 5e6)), "falling"),
        (((3e5, 4e5), (9e6, 9e6), (2e6, 9e6)), "falling"),  # taken up again after it was drier
        (((math.inf, math.inf), (3e5, 4e5), (4e6, 5e6)), "rising"),  # the dry run before it got wet counts not
    ],
)
def test_the_worst_leak_tells_the_answer(ohms: tuple[tuple[float, float], ...], answer: str) -> None:
    """Twice as much counts as a change; what was above the range before it got wet is left out."""
    found = leak_trend(runs(*ohms), {})
    assert found is not None and found.answer == answer
    assert found.lines[-1] == CORE and found.to_dict()["told"]


@pytest.mark.parametrize("ohms", [((3e5, 4e5),), ((math.inf, 9e7), (math.inf, 8e7)), ((math.inf, 9e7), (3e5, 9e7))])
def test_one_low_run_or_none_makes_no_trend(ohms: tuple[tuple[float, float], ...]) -> None:
    assert leak_trend(runs(*ohms), {}) is None


def test_the_part_files_own_floor_counts() -> None:
    """A leak of 50 MOhm is low where 100 is asked for."""
    found = leak_trend(runs((5e7, math.inf), (1.5e8, math.inf)), {CORE: 1e8})
    assert found is not None and (found.answer, found.lines, found.hours) == ("gone", (CORE,), 1.0)
    assert found.to_dict()["runs"][0]["ohm"] == {CORE: 5e7}
