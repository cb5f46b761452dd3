"""The three coils of one run: resistance, temperature, impedance.

It must never know where the rotor stood. Second layer of an evaluation, on the channels.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from rig.evaluation.coils.impedance import Impedance, coil_impedance
from rig.evaluation.coils.resistance import CoilResistance, coil_resistance
from rig.evaluation.coils.temperature import CoilTemperature, coil_temperature
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.turn.even_places import SweepOnTheFly, sweep_on_the_fly
from rig.evaluation.turn.passes import turning_series
from rig.observed import Observed
from rig.resolver.part import COILS


class Windings:
    """channels: those that the windings were measured with."""

    def __init__(self, channels: Channels) -> None:
        self.channels = channels
        self._impedances: dict[str, Impedance | None] = {}

    @property
    def observed(self) -> Observed:
        """The run."""
        return self.channels.observed

    @cached_property
    def temperature(self) -> CoilTemperature | None:
        """The coils' temperature; None when no air temperature was read."""
        return coil_temperature(self.observed)

    @cached_property
    def resistances(self) -> Mapping[str, CoilResistance | None]:
        """Coil -> its four-wire resistance at its own temperature, None where it was not read."""
        return {coil: coil_resistance(self.observed, coil) for coil in COILS}

    @cached_property
    def continuous_sweep(self) -> tuple[SweepOnTheFly | None, str]:
        """The sweep on the fly in hand; without one, or where it can't be read, None and why."""
        return sweep_on_the_fly(self.channels, turning_series(self.observed))

    def impedance(self, coil: str) -> Impedance | None:
        """The impedance of a coil; None without a capture of its voltage and current."""
        if coil not in self._impedances:
            exc = None if coil == "exc" else self.impedance("exc")
            self._impedances[coil] = coil_impedance(self.channels, coil, exc, self.continuous_sweep[0])
        return self._impedances[coil]

    @property
    def impedances(self) -> Mapping[str, Impedance | None]:
        """Coil -> its impedance."""
        return {coil: self.impedance(coil) for coil in COILS}
