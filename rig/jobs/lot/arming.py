"""Arming within a sitting: the bench waits until the guard is read closed and the stop released, then a person arms it.

Nothing is armed here but by arming_hand, the one place where a person lets a bench move and excite.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from rig.control.arming.arming import Arming, ArmingState
from rig.control.arming.refusals import refusal_of
from rig.errors import SafetyStop
from rig.jobs.operator.arming_hand import by_hand

if TYPE_CHECKING:
    from rig.control.bench import Bench

WAIT_S = 600.0
LOOK_S = 0.1


def when_closed(tell: Callable[[str], None]) -> Callable[[Bench], Arming | None]:
    """How a sitting's bench is armed: guard first, then the key or the word. tell: what the person has to do now."""

    def arm(bench: Bench) -> Arming | None:
        arming = bench.guard.arming
        if arming is not None and arming.state is not ArmingState.ARMED:
            _wait_until_closed(bench, tell)
        return by_hand(bench)

    return arm


def _wait_until_closed(bench: Bench, tell: Callable[[str], None]) -> None:
    begun_s, said = time.monotonic(), ""
    while (refusal := refusal_of(bench.interlock.state())) is not None:
        if refusal.next_action != said:
            said = refusal.next_action
            tell(f"{refusal.message} {said}")
        if time.monotonic() - begun_s > WAIT_S:
            raise SafetyStop(
                f"nobody closed the guard within {WAIT_S / 60:.0f} min.",
                code="not-armed",
                next_action="Scan the unit again when it is clamped.",
            )
        bench.token.check()
        bench.watchdog.progress()
        time.sleep(LOOK_S)
