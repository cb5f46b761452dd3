"""The turning rotor of one run: positioner's correction, continuous sweep, turn, error curve.

It must never know a result. Third layer of an evaluation, on the windings.
"""

from __future__ import annotations

from functools import cached_property

from rig.evaluation.angle.correction import Correction, Standing, standing_of
from rig.evaluation.angle.coupling import coupling_moved
from rig.evaluation.angle.curve import AngleCurve, angle_curve, count_pole_pairs
from rig.evaluation.coils.windings import Windings
from rig.evaluation.turn.even_places import SweepOnTheFly, sweep_on_the_fly
from rig.evaluation.turn.passes import first_sweeps, first_turnings, resting_series, swept_series
from rig.evaluation.turn.ratios import Turn, correct_positions, turn
from rig.evaluation.turn.slip import Slip, play_half_width_mech_arcmin, slip_of
from rig.observed import Observed
from rig.resolver.turn.angle import PolePairs


class Rotation:
    """windings: those of the part whose rotor turned."""

    def __init__(self, windings: Windings) -> None:
        self.windings = windings

    @property
    def observed(self) -> Observed:
        """The run."""
        return self.windings.observed

    @cached_property
    def standing(self) -> Standing:
        """Whether the positioner's correction that the run's header carries holds for it; else why it is left aside."""
        found = standing_of(self.observed, self.windings.temperature)
        if found.correction is None or self._on_commands is None:
            return found
        bare = self._on_commands
        moved = coupling_moved(found.correction, self.observed, bare, count_pole_pairs(self.observed, bare))
        return Standing(None, moved) if moved else found

    @property
    def correction(self) -> Correction | None:
        """The positioner's correction in force."""
        return self.standing.correction

    @property
    def continuous_sweep(self) -> tuple[SweepOnTheFly | None, str]:
        """The sweep on the fly in hand; without one, or where it can't be read, None and why."""
        return self.windings.continuous_sweep

    @cached_property
    def _on_commands(self) -> Turn | None:
        """The turn by the commanded positions, before any correction of the axis."""
        return turn(self.windings, swept_series(self.observed), self.continuous_sweep[0])

    @cached_property
    def turn(self) -> Turn | None:
        """The turn that the run swept; None when there is no sweep, no rotor, or its outputs don't move."""
        return correct_positions(self._on_commands, self.correction)

    @cached_property
    def resting(self) -> Turn | None:
        """What was read at rest beside a turn on the fly: at its nulls and between; None where nothing was."""
        names = resting_series(self.observed)
        if not names or not self.turn_is_on_the_fly:
            return None
        return correct_positions(turn(self.windings, names, None), self.correction)

    @property
    def turn_is_on_the_fly(self) -> bool:
        """Whether the turn was swept without stopping."""
        return self.turn is not None and self.turn.latency_s is not None

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

    @cached_property
    def slip(self) -> Slip | None:
        """Whether the turn in hand closes; None where a pass shows no closure."""
        return self._slip(self.turn, self.angle_curve)

    @cached_property
    def first_slip(self) -> Slip | None:
        """Whether the first passes closed, where both were repeated; else None."""
        names, turnings = first_sweeps(self.observed), first_turnings(self.observed)
        if not names and turnings is None:
            return None
        on_the_fly = None if turnings is None else sweep_on_the_fly(self.windings.channels, turnings)[0]
        first = correct_positions(turn(self.windings, names, on_the_fly), self.correction)
        if first is None:
            return None
        return self._slip(first, angle_curve(self.observed, first, count_pole_pairs(self.observed, first)))

    def _slip(self, found: Turn | None, curve: AngleCurve | None) -> Slip | None:
        if found is None or curve is None:
            return None
        return slip_of(curve, play_half_width_mech_arcmin(self.observed, found.reference))
