"""What a bench does while hands teach it a holder: the column a touch closes, one marked turn, a stand at an angle.

It must never excite anything nor judge: the meter alone looks through the relay matrix, and the axis turns with the
guard closed. Each of these is called on a bench opened for it and closed again before the next question, so that
nothing is held or energised while hands work. Source: hardware/relay_tree.md, first_steps.md 11.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rig.control.bench import Bench
from rig.control.guarded import GuardedAxis
from rig.errors import UsageError

RANGE_OHM = 1e3
QUARTER_S = 1.0
LOOK_S = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """A column that is not open against the clip's, with its two-wire resistance."""

    column: int
    ohm: float


def joined(bench: Bench, clip_column: int, columns: Iterable[int]) -> tuple[Joined, ...]:
    """Every column below the meter's range of 1 kohm against the clip's; relays open before and after."""
    switch = bench.file.switch
    found = []
    bench.switch.open_all()
    bench.switch.close_channels([switch.channel("meter_hi", clip_column)])
    for column in columns:
        _go_on(bench)
        low = switch.channel("meter_lo", column)
        bench.switch.close_channels([low])
        got = bench.multimeter.resistance_ohm(four_wire=False, range_ohm=RANGE_OHM, nplc=1.0)
        bench.switch.open_channels([low])
        if got.value is not None:
            found.append(Joined(column=column, ohm=got.value))
    bench.switch.open_all()
    return tuple(found)


def lead_zero_ohm(bench: Bench) -> float | None:
    """Two-wire resistance with the meter's leads joined at the adapter; None where no relay does it or over range."""
    relay = bench.file.switch.lead_short
    if relay is None:
        return None
    bench.switch.open_all()
    bench.switch.close_channels([relay])
    got = bench.multimeter.resistance_ohm(four_wire=False, range_ohm=RANGE_OHM, nplc=1.0)
    bench.switch.open_all()
    return got.value


def marked_turn(bench: Bench) -> int:
    """Index, one turn in the positive direction by quarters, a long stand, back, index again: steps found off."""
    axis = _indexed_axis(bench)
    for quarter in range(1, 5):
        axis.move_to(round(quarter * axis.steps_per_turn / 4))
        axis.wait_stopped()
        _stand(bench, LOOK_S if quarter == 4 else QUARTER_S)
    axis.move_to(0)
    axis.wait_stopped(QUARTER_S)
    return axis.index()


def stand_at(bench: Bench, steps: int) -> None:
    """Index, go to a position (steps from the index) and stand there for eight seconds under hold current."""
    axis = _indexed_axis(bench)
    axis.move_to(steps)
    axis.wait_stopped()
    _stand(bench, LOOK_S)


def _indexed_axis(bench: Bench) -> GuardedAxis:
    if bench.axis is None:
        raise UsageError(
            f"bench {bench.file.name} has no axis.", next_action="Answer none where the axis is asked for."
        )
    _go_on(bench)
    bench.axis.hold()
    bench.axis.index()
    return bench.axis


def _stand(bench: Bench, s: float) -> None:
    for _ in range(round(s)):
        _go_on(bench)
        bench.clock.sleep(1.0)
    _go_on(bench)


def _go_on(bench: Bench) -> None:
    bench.watchdog.progress()
    bench.token.check()
