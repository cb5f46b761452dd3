"""The sampler's channels of one run: loopback in force, phasors of every series, crosstalk.

It must never know a winding. The lowest layer of an evaluation; each field is worked out when it is first asked for.
"""

from __future__ import annotations

from functools import cached_property

from rig.evaluation.sampler.crosstalk import crosstalk
from rig.evaluation.sampler.loopback import Loopback, loopback_in_force, measured_loopback, scaled_loopback
from rig.evaluation.sampler.phasors import SeriesPhasors, series_phasors
from rig.observed import Observed

DRIVEN_ALONE = ("impedance_sin", "impedance_cos")


class Channels:
    """observed: the run that these channels sampled."""

    def __init__(self, observed: Observed) -> None:
        self.observed = observed
        self._phasors: dict[str, SeriesPhasors | None] = {}

    @cached_property
    def measured_loopback(self) -> Loopback | None:
        """The loopback of the run's own captures."""
        return measured_loopback(self.observed)

    @cached_property
    def loopback(self) -> Loopback:
        """The loopback in force, at the frequency that it was made at."""
        return loopback_in_force(self.observed, self.measured_loopback)

    def loopback_at(self, frequency_hz: float) -> Loopback:
        """The loopback in force as it corrects a series at this frequency, Hz."""
        return scaled_loopback(self.loopback, frequency_hz)

    def phasors(self, series: str) -> SeriesPhasors | None:
        """A series as phasors; None when it is absent, empty, or its excitation channel is dead."""
        if series not in self._phasors:
            self._phasors[series] = series_phasors(self.observed, series, self.loopback)
        return self._phasors[series]

    @cached_property
    def crosstalk(self) -> float:
        """Half-width of the volts at one connector per volt at another."""
        return crosstalk(self.observed, [self.phasors(series) for series in DRIVEN_ALONE])

    @property
    def crosstalk_of_excitation(self) -> float:
        """Half-width of what a channel shows of the excitation, as a ratio to the excitation at the coil."""
        return self.crosstalk * self.observed.bench.sampler.exc_divider
