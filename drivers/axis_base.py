"""What both kinds of axis share: built closed, brought up, won back when the wire was lost, position known or not.

After a release, a halt in motion, a failed exchange or a lost link the position is unknown until `index`. A family
says how it is brought up (stopped, identified, checked, set up, read back). It must never know what turns with it.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

from drivers.link.base import Link
from drivers.link.states import win_back
from drivers.link.urls import make_link
from drivers.roles import Identity
from rig.errors import BenchError, LinkDown, PositionLost, WrongInstrument

SAFE_LOCK_S = 1.2


class IndexedAxis(ABC):
    """full_steps a turn of the motor, microsteps a full step, greatest speed and acceleration in mechanical degrees."""

    def __init__(
        self,
        name: str,
        link: str | Link,
        *,
        full_steps: int = 200,
        microsteps: int = 16,
        max_deg_s: float = 360.0,
        accel_deg_s2: float = 2000.0,
    ) -> None:
        self._name = name
        self._link = make_link(link, name) if isinstance(link, str) else link
        self._lock = threading.RLock()
        self._microsteps = microsteps
        self._steps_per_turn = full_steps * microsteps
        self._max_deg_s = max_deg_s
        self._accel_deg_s2 = accel_deg_s2
        self._identity: Identity | None = None
        self._target = 0
        self._known = False
        self._moving = False
        self._opened = False
        self._budget_s = 0.0  # how long the moves that are under way may take

    @property
    def name(self) -> str:
        return self._name

    @property
    def steps_per_turn(self) -> int:
        return self._steps_per_turn

    @property
    def position_known(self) -> bool:
        return self._known

    def open(self) -> None:
        """Opens, stops any motion, identifies, checks the steps a turn, sets speed and acceleration and reads back.

        WrongInstrument when the steps differ from the bench file's. The position is unknown.
        """
        with self._lock:
            try:
                self._bring_up()
            except BenchError:
                self.close()
                raise

    def identity(self) -> Identity:
        """Who answered when it was opened."""
        if self._identity is None:
            raise LinkDown("not opened yet", instrument=self._name, next_action="Open it first.")
        return self._identity

    def close(self) -> None:
        """Never raises."""
        self._opened = False
        self._link.close()

    @abstractmethod
    def _bring_up(self) -> None: ...

    def _back(self) -> None:
        """A lost link is won back by bringing it up anew. The position is unknown then."""
        if self._opened and not self._link.is_open:
            before = self._identity
            win_back(self._name, self._bring_up, self._link.close)
            if before is not None and self.identity() != before:
                raise WrongInstrument(
                    f"another controller answers after the link was lost: {self.identity().model}",
                    instrument=self._name,
                )

    def _lost(self, what: str) -> PositionLost:
        return PositionLost(what, instrument=self._name, next_action="Index the axis before it is moved.")
