"""The turning rotor of one run: positioner's correction, continuous sweep, turn, error curve.

It must never know a result. Third layer of an evaluation, on the windings.
"""

from __future__ import annotations

from functools import cached_property

from rig.evaluation.angle_curve import AngleCurve, angle_curve, count_pole_pairs
from rig.evaluation.correction import Correction, correction_in_force
from rig.evaluation.flown import Flown, flown
from rig.evaluation.turn import Turn, turn
from rig.evaluation.windings import Windings
from rig.observed import Observed
from rig.resolver.angle import PolePairs


class Rotation:
    """windings: those of the part whose rotor turned."""

    def __init__(self, windings: Windings) -> None:
        self.windings = windings

    @property
    def observed(self) -> Observed:
        """The run."""
        return self.windings.observed

    @cached_property
    def correction(self) -> Correction | None:
        """The positioner's correction in force."""
        return correction_in_force(self.observed)

    @cached_property
    def continuous_sweep(self) -> tuple[Flown | None, str]:
        """The sweep on the fly; without one, or where it can't be read, None and why."""
        return flown(self.windings.channels)

    @cached_property
    def turn(self) -> Turn | None:
        """The turn that the run swept; None when there is no sweep, no rotor, or its outputs don't move."""
        return turn(self.windings, self.continuous_sweep[0], self.correction)

    @cached_property
    def pole_pairs(self) -> PolePairs | None:
        """Pole pairs and direction of the turn, ambiguous ones too; None without a turn."""
        return None if self.turn is None else count_pole_pairs(self.observed, self.turn)

    @cached_property
    def angle_curve(self) -> AngleCurve | None:
        """The error curve of the turn; None without one, or where its positions can't tell the pole pairs."""
        if self.turn is None or self.pole_pairs is None:
            return None
        return angle_curve(self.observed, self.turn, self.pole_pairs)
