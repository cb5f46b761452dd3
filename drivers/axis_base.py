"""What both kinds of axis share: built closed, brought up, won back when the wire was lost, position known or not.

After a release, a halt in motion, a failed exchange or a lost link the position is unknown until `index`. A family
says how it is brought up (stopped, identified, checked, set up, read back).
"""

from __future__ import annotations

from drivers.link.base import Link
from drivers.link.device import Device
from rig.errors import PositionLost


class IndexedAxis(Device):
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
        super().__init__(name, link)
        self._microsteps = microsteps
        self._steps_per_turn = full_steps * microsteps
        self._max_deg_s = max_deg_s
        self._accel_deg_s2 = accel_deg_s2
        self._target = 0
        self._known = False
        self._moving = False
        self._budget_s = 0.0  # how long the moves that are under way may take

    @property
    def steps_per_turn(self) -> int:
        return self._steps_per_turn

    @property
    def position_known(self) -> bool:
        return self._known

    def _lost(self, what: str) -> PositionLost:
        return PositionLost(what, instrument=self._name, next_action="Index the axis before it is moved.")
