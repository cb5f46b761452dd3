"""The interlock between two runs of one arming: nothing else is open, and an opened guard still ends the arming.

Only the interlock's own link is opened, under the bench's lock. That nothing is energised is the work of the run
before: it ended with its outputs off, read back. A link that does not answer is a loss of the interlock, which ends
the arming as an open guard does: nobody then knows whether hands were in the fixture.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from drivers.exclusive.bench_lock import BenchLock
from drivers.roles import Interlock
from rig.control.arming.refusals import refusal_of
from rig.control.clock import BenchClock, Clock, WallClock
from rig.control.instruments import OVERLAID, build
from rig.description.benches import BenchFile
from rig.errors import BenchError, SafetyStop

POLL_S = 0.5
SIMULATED_POLL_S = 10.0  # in the time of a simulated bench, which may pass a hundred times as fast
NEXT = "Look at the bench; what is left goes on after a new arming."


def watch_between_runs(
    file: BenchFile, seconds: float, is_over: Callable[[], bool], purpose: str = "a night"
) -> SafetyStop | None:
    """Read the interlock for so long in the bench's time, or until `is_over`; what ends the arming, None for nothing.

    A bench whose file names a world exists only within its runs: its time passes unread. Raises BenchBusy.
    """
    device = file.interlock
    is_read = file.world is None and device.link != OVERLAID
    clock: Clock = BenchClock(file.clock) if is_read and file.clock else WallClock()
    try:
        if not is_read:
            return _pass(clock, seconds, is_over, lambda: None)
        links = [one.link for one in file.devices().values() if one.link != OVERLAID]
        with BenchLock(links, purpose):
            interlock = cast(Interlock, build("interlock", device))
            try:
                interlock.open()
                return _pass(clock, seconds, is_over, lambda: refusal_of(interlock.state()))
            except BenchError as fault:
                return SafetyStop(f"the interlock was lost between two runs: {fault}", code="lost", next_action=NEXT)
            finally:
                interlock.close()
    finally:
        clock.close()


def _pass(
    clock: Clock, seconds: float, is_over: Callable[[], bool], ask: Callable[[], SafetyStop | None]
) -> SafetyStop | None:
    step_s = SIMULATED_POLL_S if isinstance(clock, BenchClock) else POLL_S
    until_s = clock.now_s() + seconds
    while not is_over():
        if (refusal := ask()) is not None:
            return SafetyStop(f"between two runs {refusal.message}", code=refusal.code, next_action=NEXT)
        if (left_s := until_s - clock.now_s()) <= 0.0:
            return None
        clock.sleep(min(left_s, step_s))
    return None
