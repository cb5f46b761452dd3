"""A key held at the bench: when it counts as an arming. Pure; it is fed with every poll of the interlock.

It must never know where the key is read, nor who holds it. The key counts when it was seen released before, was then
held for the whole time, and every poll in that time read guard closed, stop released and key held, the polls close
together. Anything else begins anew, and the key has to be released first: a key that is taped down never arms.
"""

from __future__ import annotations

from dataclasses import dataclass

HOLD_S, POLLS = 1.5, 15
NIGHT_HOLD_S, NIGHT_POLLS = 3.0, 30
GAP_S = 0.3  # between polls; a longer silence is no evidence of a hand


@dataclass(slots=True, kw_only=True)
class HeldKey:
    """One key. hold_s, polls: how long and through how many polls it is held. Times: seconds of the guard's clock."""

    hold_s: float = HOLD_S
    polls: int = POLLS
    why: str = "hold the key at the bench"
    _released: bool = False
    _since_s: float | None = None
    _last_s: float | None = None
    _count: int = 0

    @property
    def share(self) -> float:
        """How much of the time is done, 0 to 1."""
        if self._since_s is None or self._last_s is None:
            return 0.0
        return min(1.0, (self._last_s - self._since_s) / self.hold_s, self._count / self.polls)

    def poll(self, now_s: float, *, key: bool, guard_closed: bool, stop_pressed: bool) -> bool:
        """Take one poll in; True with the one that completes the hold."""
        late = self._last_s is not None and now_s - self._last_s > GAP_S
        self._last_s = now_s
        if not key:
            self._released, self._since_s, self._count = True, None, 0
            self.why = "hold the key at the bench"
            return False
        if not guard_closed or stop_pressed:
            return self._again("close the guard" if not guard_closed else "release the emergency stop")
        if not self._released:
            self.why = "release the key first"
            return False
        if late and self._since_s is not None:
            return self._again("the interlock answered too late")
        if self._since_s is None:
            self._since_s, self._count = now_s, 0
        self._count += 1
        self.why = "keep holding"
        if now_s - self._since_s < self.hold_s or self._count < self.polls:
            return False
        self._again("armed: release the key")
        return True

    def _again(self, why: str) -> bool:
        self._released, self._since_s, self._count = False, None, 0
        self.why = why
        return False


def for_run() -> HeldKey:
    """As a run asks for it."""
    return HeldKey()


def for_night() -> HeldKey:
    """As a night asks for it: longer."""
    return HeldKey(hold_s=NIGHT_HOLD_S, polls=NIGHT_POLLS)
