"""What soundness and findings both look at: an evaluated run, the quality of its captures, what its magnetics show.

It must never judge. Each field is worked out when it is first asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.loose_contact import LooseContact, loose_contacts
from rig.evaluation.inspection.magnetic import Magnetics, magnetics, rotor_ripple, turns_with_rotor, uncoupled_order
from rig.observed import Observed
from rig.signal.quality import Expected, Quality, inspect

STEADY_CURRENT = (
    "sweep",
    "spots",
    "nulls",
    "excitation",
)  # series in which the current stands still as the voltage does


class Inspection:
    """evaluated: the run that is inspected."""

    def __init__(self, evaluated: Evaluated) -> None:
        self.evaluated = evaluated
        self._quality: dict[str, Quality | None] = {}

    @property
    def observed(self) -> Observed:
        """The run."""
        return self.evaluated.observed

    def quality(self, series: str) -> Quality | None:
        """The fitness figures of a series; None where it has no live excitation channel or no waveforms."""
        if series not in self._quality:
            self._quality[series] = self._inspect(series)
        return self._quality[series]

    def _inspect(self, series: str) -> Quality | None:
        found = self.evaluated.phasors(series)
        if found is None or series in self.observed.tables:
            return None
        steady = ("exc_v", "exc_i") if series.startswith(STEADY_CURRENT) else ("exc_v",)
        stack = self.observed.captures.stack(series)
        if not np.all(found.live):
            stack = replace(stack, codes=stack.codes[found.live])
        return inspect(stack, found.fit, Expected(steady=steady))

    @cached_property
    def magnetics(self) -> Magnetics | None:
        """The turn held against the reduced magnetic model; None without a whole turn."""
        return magnetics(self.evaluated)

    @cached_property
    def rotor_ripple(self) -> NDArray[np.float64]:
        """Relative amplitude of the excitation's inductance over the turn, by mechanical order from 0."""
        return rotor_ripple(self.evaluated)

    @property
    def turns_with_rotor(self) -> str:
        """What of the excitation's inductance turns with the rotor; "" for nothing."""
        return turns_with_rotor(self.rotor_ripple)

    @cached_property
    def loose_contacts(self) -> Mapping[str, LooseContact]:
        """Coil -> what is loose about it; coils without a sign are left out."""
        return loose_contacts(self.evaluated)

    @property
    def open_at_times(self) -> list[LooseContact]:
        """Of these, those whose path was open: what the sweep shows of that coil is worth nothing."""
        return [one for one in self.loose_contacts.values() if one.opens]

    @cached_property
    def uncoupled_order(self) -> int:
        """The order a turn at which outputs that carry next to nothing still follow a rotor; 0 when they don't."""
        return uncoupled_order(self.evaluated.turn)
