"""The line that stands over every view of a bench: off, ohms, armed or live; guard, emergency stop, what is hot.

It must never ask an instrument: guard and sequencer have read what stands here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rig.control.arming.arming import ArmingState

if TYPE_CHECKING:
    from rig.control.bench import Bench

OFF, OHMS, ARMED, LIVE = "OFF", "OHMS", "ARMED", "LIVE"


def bench_line(bench: Bench | None, last_hot: Any) -> dict[str, Any]:
    """The line of a bench; None for a closed one, which is as warm as it was read last (last_hot)."""
    if bench is None:
        return {"state": OFF, "guard": None, "stop": None, "may_open": last_hot is None, "hot": last_hot}
    guard = bench.guard
    seen, hot = guard.seen, guard.hot
    if guard.is_excited or (bench.axis is not None and bench.axis.moving):
        state = LIVE
    elif guard.ohms:
        state = OHMS
    else:
        state = ARMED if arming_state(bench) is ArmingState.ARMED else OFF
    return {
        "state": state,
        "guard": None if seen is None else "closed" if seen.guard_closed else "open",
        "stop": None if seen is None else "pressed" if seen.emergency_stop else "released",
        "may_open": state in (OFF, OHMS) and hot is None,
        "hot": hot,
    }


def arming_state(bench: Bench) -> ArmingState:
    """The state of a bench's arming; a bench without one (simulated) counts as armed."""
    return ArmingState.ARMED if bench.guard.arming is None else bench.guard.arming.state
