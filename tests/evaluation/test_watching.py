"""Drop-outs of a watched coil, reading by reading."""

from __future__ import annotations

import pytest

from rig.evaluation.bench.watching import Hold, drop_out_sentence, hold_of, summary
from rig.quantity import Reading


def reading(at_s: float, ohm: float | None, quantity: str = "watch_resistance") -> Reading:
    return Reading(
        step="watch",
        quantity=quantity,
        value=ohm,
        unit="ohm",
        instrument="meter",
        bench_time_s=at_s,
        time_utc=f"2026-11-25T08:00:{at_s:09.6f}Z",
        overload=ohm is None,
    )


def run(values: list[float | None]) -> Hold:
    return hold_of(reading(0.1 * i, value) for i, value in enumerate(values))[""]


def test_a_steady_coil_has_no_drop_out() -> None:
    """Least and most are those of the readings; the count is whole."""
    hold = run([15.0, 15.01, 14.99, 15.0])
    assert (hold.least, hold.most, hold.count) == (14.99, 15.01, 4)
    assert hold.drop_outs == []


def test_an_open_is_caught_with_its_times() -> None:
    """From the first reading that was off to the last; over range has no worst value."""
    hold = run([15.0] * 5 + [None] * 3 + [15.0] * 5)
    (one,) = hold.drop_outs
    assert one.end_s - one.begin_s == pytest.approx(0.2)
    assert one.begin_utc == "2026-11-25T08:00:00.500000Z"
    assert one.worst is None and not one.open
    assert "over range" in drop_out_sentence(one, "ohm")
    assert hold.most == 15.0


def test_a_jump_of_resistance_is_a_drop_out_and_slow_warming_is_none() -> None:
    """Copper that warms by a third is followed; a contact that adds a tenth at once is not."""
    warming = [15.0 * (1.0 + 0.001 * i) for i in range(300)]
    assert run([*warming]).drop_outs == []
    (one,) = run([*warming[:50], 17.5, 17.0, *warming[50:60]]).drop_outs
    assert one.worst == 17.5


def test_a_coil_that_stays_lost_is_told() -> None:
    """A drop-out at the end stands open."""
    hold = run([15.0, 15.0, None])
    assert hold.drop_outs[0].open and hold.is_dropped
    assert "still lost" in drop_out_sentence(hold.drop_outs[0], "ohm")


def test_one_that_was_never_in_contact_has_no_range() -> None:
    """Nothing but over range: one drop-out, no least."""
    hold = run([None, None])
    assert hold.least is None and len(hold.drop_outs) == 1
    assert "none in range" in summary(hold, "sin")


def test_other_readings_of_the_run_are_passed_over() -> None:
    """Pair resistances and the like are not watched."""
    assert hold_of([reading(0.0, 1.0, "pair_resistance")]) == {}
