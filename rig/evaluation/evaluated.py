"""The one door of evaluation: evaluate(observed) -> Evaluated, every figure of a run as a typed field.

It must never judge. A field is worked out when it is first asked for, since the gates of a run in progress need a part
of them. Built in layers: channels (loopback, phasors), windings (resistance, impedance), rotation (turn, error curve).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np

from rig.answer import Curves
from rig.evaluation.absent import apply_absent
from rig.evaluation.angle.causes import causes
from rig.evaluation.angle.correction import Correction
from rig.evaluation.angle.curve import AngleCurve
from rig.evaluation.angle.error import angle_results
from rig.evaluation.angle.positioner import order_half_width_mech_arcmin
from rig.evaluation.bench.axial import Place, axial_place
from rig.evaluation.bench.proof import ProofLine, proof
from rig.evaluation.bench.reclamping import with_reclamping
from rig.evaluation.bench.witnesses import DummySeen, SwapSeen, look_at_dummy, look_at_swap
from rig.evaluation.by_hand.one_position import position_results
from rig.evaluation.by_hand.turn import hand_results, hand_series
from rig.evaluation.coils.impedance import Impedance, impedance_results
from rig.evaluation.coils.leaks import leak_results
from rig.evaluation.coils.resistance import CoilResistance, coil_results
from rig.evaluation.coils.temperature import CoilTemperature
from rig.evaluation.coils.thermistor import thermistor_results
from rig.evaluation.coils.windings import Windings
from rig.evaluation.manual import manual_results
from rig.evaluation.sampler.channels import Channels
from rig.evaluation.sampler.excitation import excitation_phasors, excitation_results
from rig.evaluation.sampler.loopback import Loopback
from rig.evaluation.sampler.phasors import SeriesPhasors
from rig.evaluation.turn.background import Turning, turning_background, turning_results
from rig.evaluation.turn.passes import swept_series
from rig.evaluation.turn.ratio import ratio_results
from rig.evaluation.turn.ratios import Turn
from rig.evaluation.turn.rotation import Rotation
from rig.evaluation.turn.slip import Slip
from rig.measurands import MEASURANDS
from rig.observed import Absent, Observed
from rig.resolver.turn.angle import PolePairs
from rig.resolver.turn.attribution import Cause
from rig.result import Result


class Evaluated:
    """One run evaluated. observed: what was seen; channels, windings, rotation: the layers of its evaluation."""

    def __init__(self, observed: Observed) -> None:
        self.observed = observed
        self.channels = Channels(observed)
        self.windings = Windings(self.channels)
        self.rotation = Rotation(self.windings)

    # ---- channels

    def phasors(self, series: str) -> SeriesPhasors | None:
        """A series as phasors; None when it is absent, empty, or its excitation channel is dead."""
        return self.channels.phasors(series)

    @property
    def loopback(self) -> Loopback:
        """The loopback in force, at the frequency that it was made at."""
        return self.channels.loopback

    def loopback_at(self, frequency_hz: float) -> Loopback:
        """The loopback in force as it corrects a series at this frequency, Hz."""
        return self.channels.loopback_at(frequency_hz)

    @property
    def measured_loopback(self) -> Loopback | None:
        """The loopback of the run's own captures; None without one."""
        return self.channels.measured_loopback

    @property
    def crosstalk(self) -> float:
        """Half-width of the volts at one connector per volt at another."""
        return self.channels.crosstalk

    @cached_property
    def excitation(self) -> SeriesPhasors | None:
        """The series that shows the excitation as the results had it."""
        return excitation_phasors(self.channels)

    # ---- windings

    @property
    def temperature(self) -> CoilTemperature | None:
        """The coils' temperature; None when no air temperature was read."""
        return self.windings.temperature

    def resistance(self, coil: str) -> CoilResistance | None:
        """The four-wire resistance of a coil at its own temperature; None when it was not read."""
        return self.windings.resistances[coil]

    def impedance(self, coil: str) -> Impedance | None:
        """The impedance of a coil; None without a capture of its voltage and current."""
        return self.windings.impedance(coil)

    # ---- rotation

    @property
    def swept_series(self) -> tuple[str, ...]:
        """Names of the series at rest that make the turn."""
        return swept_series(self.observed)

    @property
    def turn(self) -> Turn | None:
        """The turn that the run swept; None when there is no sweep, no rotor, or its outputs don't move."""
        return self.rotation.turn

    @property
    def pole_pairs(self) -> PolePairs | None:
        """Pole pairs and direction of the turn, ambiguous ones too; None without a turn."""
        return self.rotation.pole_pairs

    @property
    def angle_curve(self) -> AngleCurve | None:
        """The error curve of the turn; None without one."""
        return self.rotation.angle_curve

    @property
    def slip(self) -> Slip | None:
        """Whether the turn in hand closes; None where a pass shows no closure."""
        return self.rotation.slip

    @property
    def first_slip(self) -> Slip | None:
        """Whether the first passes closed, where both were repeated; else None."""
        return self.rotation.first_slip

    @property
    def correction(self) -> Correction | None:
        """The positioner's correction in force."""
        return self.rotation.correction

    def order_half_width_mech_arcmin(self, reference: str, order: int) -> float:
        """Half-width of the position's error at an order a turn. reference: "steps" or "encoder"."""
        return order_half_width_mech_arcmin(self.rotation, reference, order)

    @cached_property
    def turning_background(self) -> Turning | None:
        """What turning alone brings, with the excitation off; None without a record."""
        return turning_background(self.observed)

    # ---- results

    @cached_property
    def results(self) -> tuple[Result, ...]:
        """Every result that the readings allow, in the order in which they are printed; untested ones say why."""
        results = [*self._ohms(), *excitation_results(self.windings), *self._driven()]
        rank = {id_: i for i, id_ in enumerate(MEASURANDS)}
        results.sort(key=lambda result: rank.get(result.measurand, len(rank)))
        estimates = {result.measurand: result.estimate or 0.0 for result in results}
        ratio = max((estimates.get(id_, 0.0) for id_ in ("tr_sin", "tr_cos", "ratio_both")), default=0.0)
        results = apply_absent(self.observed, results, self.excitation, ratio)
        return (*with_reclamping(self.observed, results), *manual_results(self.observed))

    def _ohms(self) -> list[Result]:
        """What a meter reads, the part at rest; nothing of a recording without such readings."""
        if self.observed.lacks(Absent.DC):
            return []
        found = self.temperature
        degc, lines = (found.degc, found.lines) if found else (None, ())
        return [
            *coil_results(self.observed, self.windings.resistances, self.temperature),
            *thermistor_results(self.observed, degc, lines),
            *leak_results(self.observed),
        ]

    def _driven(self) -> list[Result]:
        """What needs the excitation: impedances, ratios, nulls, the angle; or one position's figures."""
        lacks = self.observed.lacks
        impedances = [] if lacks(Absent.CURRENT) else impedance_results(self.windings.impedances)
        turning = turning_results(self.turning_background)
        if lacks(Absent.POSITIONS) and not self.hand_series:
            return [*turning, *impedances, *position_results(self.channels)]
        ratios = [] if self.hand_series else ratio_results(self.rotation)
        return [*turning, *impedances, *ratios, *self._angle[0]]

    @cached_property
    def hand_series(self) -> str:
        """The series in which somebody turned the rotor by hand; "" where nobody did."""
        return hand_series(self.channels)

    @cached_property
    def causes(self) -> tuple[Cause, ...]:
        """What makes the angle error, by error and radius together; empty where the points can't tell."""
        return () if self.turn is None or self.angle_curve is None else causes(self.turn, self.angle_curve)

    @property
    def curves(self) -> Curves:
        """The curves of the angle error for plots; empty without a turn."""
        return self._angle[1]

    @cached_property
    def _angle(self) -> tuple[list[Result], Curves]:
        if self.hand_series:
            return hand_results(self.windings, self.hand_series), Curves()
        return angle_results(self.rotation)

    # ---- runs that answer a question of their own

    @cached_property
    def proof(self) -> tuple[ProofLine, ...]:
        """The lines of a check of the bench."""
        return proof(self.channels)

    @cached_property
    def dummy(self) -> DummySeen | None:
        """The chain on the dummy part."""
        return look_at_dummy(self.channels)

    @cached_property
    def swap(self) -> SwapSeen | None:
        """The two inputs against each other by exchanged outputs."""
        return look_at_swap(self.channels)

    def axial_place(self, axial_mm: float) -> Place | None:
        """What a run at one place along the shaft shows; None without a turn or a current."""
        return axial_place(self.rotation, axial_mm)


def evaluate(observed: Observed) -> Evaluated:
    """A run's figures, each worked out when it is first asked for.

    Of a part without a label what nobody said is taken from the data: pole pairs, level and frequency.
    """
    return Evaluated(_described_by_data(observed) if observed.lacks(Absent.PART, Absent.POLE_PAIRS) else observed)


def _described_by_data(observed: Observed) -> Observed:
    part, seen = observed.part, Evaluated(observed)
    counted = seen.pole_pairs if part.pole_pairs == 0 else None
    pole_pairs = part.pole_pairs or (1 if counted is None else counted.value)
    excitation = part.excitation
    if seen.excitation is not None:
        level = excitation.level_v_rms or float(np.mean(seen.excitation.v_exc_rms))
        hz = excitation.frequency_hz or seen.excitation.frequency.frequency_hz
        excitation = replace(excitation, level_v_rms=level, frequency_hz=hz)
    return replace(observed, part=replace(part, pole_pairs=pole_pairs, excitation=excitation))
