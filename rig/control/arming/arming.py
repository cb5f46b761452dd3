"""Who may start motion or excitation: one arming, given once at the bench, that ends and never comes back.

A table over three states. A person arms by hand with the guard closed and the stop released; a simulated bench arms
itself. There is no event by which a foot switch, a scanner or a second desk could arm: they may advance (which changes
nothing) or stop. An arming ends at its stated end, at a stop, when the guard is opened, and when the machine was
rebooted; it lives in the controller's memory only, so that a power cut ends it too. It must never know an instrument.
Time is the machine's since boot, suspension included where the system tells it; dates are for people.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from enum import Enum
from pathlib import Path

from rig.errors import SafetyStop, UsageError

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
LONGEST_S = 24 * 3600.0
RUN_S = 2 * 3600.0  # of the arming for a single run
ENDED = "arming-ended"  # code of the stop


class ArmingState(Enum):
    DISARMED = "disarmed"
    ARMED = "armed"
    ENDED = "ended"


class ArmingEvent(Enum):
    ARM = "armed by hand"
    ADVANCE = "advanced"
    STOP = "stopped"
    OPEN = "guard opened"
    EXPIRE = "stated end reached"
    REBOOT = "machine rebooted"


TABLE: Mapping[tuple[ArmingState, ArmingEvent], ArmingState] = {
    (ArmingState.DISARMED, ArmingEvent.ARM): ArmingState.ARMED,
    (ArmingState.DISARMED, ArmingEvent.ADVANCE): ArmingState.DISARMED,
    (ArmingState.DISARMED, ArmingEvent.STOP): ArmingState.ENDED,
    (ArmingState.DISARMED, ArmingEvent.OPEN): ArmingState.DISARMED,
    (ArmingState.ARMED, ArmingEvent.ADVANCE): ArmingState.ARMED,
    (ArmingState.ARMED, ArmingEvent.STOP): ArmingState.ENDED,
    (ArmingState.ARMED, ArmingEvent.OPEN): ArmingState.ENDED,
    (ArmingState.ARMED, ArmingEvent.EXPIRE): ArmingState.ENDED,
    (ArmingState.ARMED, ArmingEvent.REBOOT): ArmingState.ENDED,
    (ArmingState.ENDED, ArmingEvent.ADVANCE): ArmingState.ENDED,
    (ArmingState.ENDED, ArmingEvent.STOP): ArmingState.ENDED,
    (ArmingState.ENDED, ArmingEvent.OPEN): ArmingState.ENDED,
}


def since_boot_s() -> float:
    """Seconds that only grow, time asleep included where the system counts it."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.clock_gettime(clock) if clock is not None else time.monotonic()


def boot_id() -> str:
    """Of this start of the machine; "" where the system gives none."""
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


class Arming:
    """One arming. now_s: seconds since boot; boot: the id of the machine's start."""

    def __init__(self, now_s: Callable[[], float] = since_boot_s, boot: Callable[[], str] = boot_id) -> None:
        self._now_s = now_s
        self._boot = boot
        self._lock = threading.Lock()
        self._state = ArmingState.DISARMED
        self._until_s = 0.0
        self._booted = ""
        self._why = ""
        self.by = ""

    @property
    def state(self) -> ArmingState:
        """The state now: an arming past its end, or of another start of the machine, has ended."""
        with self._lock:
            if self._state is ArmingState.ARMED:
                if self._boot() != self._booted:
                    self._go(ArmingEvent.REBOOT)
                elif self._now_s() >= self._until_s:
                    self._go(ArmingEvent.EXPIRE)
            return self._state

    @property
    def left_s(self) -> float:
        """Seconds to the stated end; 0 when it is not armed."""
        return max(0.0, self._until_s - self._now_s()) if self.state is ArmingState.ARMED else 0.0

    def arm(self, *, by: str, for_s: float, guard_closed: bool) -> None:
        """Arm for for_s seconds, from now. Raises SafetyStop with the guard open or after an end; UsageError."""
        if not 0 < for_s <= LONGEST_S:
            raise UsageError(
                f"an arming for {for_s:.0f} s was asked for.",
                next_action=f"It lasts longer than 0 and at most {LONGEST_S / 3600:.0f} h.",
            )
        if not guard_closed:
            raise SafetyStop(
                "the bench can't be armed: the guard is open or the emergency stop is pressed.",
                code="not-armed",
                next_action="Close the guard, release the stop, then arm.",
            )
        with self._lock:
            self._go(ArmingEvent.ARM)
            self._until_s, self._booted, self.by = self._now_s() + for_s, self._boot(), by

    def event(self, event: ArmingEvent) -> ArmingState:
        """What happened at the bench or elsewhere (arming is `arm`'s alone); the state afterwards."""
        if event is ArmingEvent.ARM:
            raise SafetyStop("nothing but a hand at the bench arms it.", code="not-armed", next_action="Arm it there.")
        with self._lock:
            return self._go(event)

    def check(self) -> None:
        """Raise SafetyStop unless it is armed now."""
        state = self.state
        if state is ArmingState.DISARMED:
            raise SafetyStop(
                "the bench is not armed.",
                code="not-armed",
                next_action="Close the guard and start the run at the bench's own terminal, where it can be armed.",
            )
        if state is ArmingState.ENDED:
            raise SafetyStop(
                f"the arming ended: {self._why}.", code=ENDED, next_action="Look at the bench, then arm anew."
            )

    def _go(self, event: ArmingEvent) -> ArmingState:
        after = TABLE.get((self._state, event))
        if after is None:
            raise SafetyStop(
                f"{event.value}: not from {self._state.value}.",
                code="not-armed",
                next_action="An arming is given once; start anew at the bench.",
            )
        if after is ArmingState.ENDED and self._state is not ArmingState.ENDED:
            self._why = event.value
        self._state = after
        return after


def arm_for_now(by: str, for_s: float = LONGEST_S) -> Arming:
    """An arming in force, as a simulated bench gives it to itself."""
    arming = Arming()
    arming.arm(by=by, for_s=for_s, guard_closed=True)
    return arming
