"""A coil whose contact comes and goes: told by its own four-wire readings, and by records in which it is silent.

It must never rank or judge. Between the passes of a sweep the same position is seen twice: where one output is much
weaker the second time and the other is as it was, the output dropped out; where the current is weaker, the excitation
did. Rotor and axis move both outputs, and a weak lobe is weak both times. DC readings that go over range or apart, or
no current at times in a coil that is driven, are the witness: the coil's path and not the sampler's input.
Signature: rig/soundness/README.md, 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.inspection.lines import pair_readings
from rig.evaluation.sampler.phasors import EXC_I
from rig.evaluation.turn.ratios import Turn
from rig.observed import Observed
from rig.resolver.part import COILS

SWING = 5e-3  # of a coil's resistance between readings: more than noise and warming do
GONE = 0.2  # of the largest ratio: what an output has to lose at one position to count
STAYED = 0.08  # of the largest ratio: what the other one may move meanwhile
CURRENT = 0.7  # of the current at the same position in the other pass: less is an excitation coil that dropped out
HARDLY = 0.3  # of the usual current of a coil that is driven; a rotor alone changes it by less
SEEN = 30.0  # of the noise of an amplitude: a current that can be told to be there
FEWEST = 3  # records: fewer are a disturbed point
MOST_OTHERS = 0.25  # of the records that differ, those that no drop-out explains


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseContact:
    """over of readings: DC readings above the range; swing: relative spread of the others; undriven of drives: captures
    with the coil driven in which it took no current; dropped of records: of the sweep, those in which the coil was gone
    (a lower bound: both passes may miss the same position)."""

    coil: str
    readings: int = 0
    over: int = 0
    swing: float = 0.0
    drives: int = 0
    undriven: int = 0
    records: int = 0
    dropped: int = 0

    @property
    def has_own_evidence(self) -> bool:
        """Its own resistance or current tells it, which no input of the sampler can."""
        return self._open_at_times or self.swing > SWING

    @property
    def _open_at_times(self) -> bool:
        return 0 < self.over < self.readings or 0 < self.undriven < self.drives

    @property
    def by_sweep(self) -> bool:
        """The sweep tells it."""
        return self.dropped >= FEWEST

    @property
    def opens(self) -> bool:
        """Its path was open at times: what the sweep shows of this coil is worth nothing."""
        return self.by_sweep or self._open_at_times

    def sentence(self) -> str:
        """The evidence in words."""
        parts = []
        if 0 < self.over < self.readings:
            parts.append(f"{self.over} of {self.readings} resistance readings over range")
        if self.swing > SWING:
            parts.append(f"readings of one coil differ by {100 * self.swing:.2f} %")
        if 0 < self.undriven < self.drives:
            parts.append(f"no current in {self.undriven} of {self.drives} captures with it driven")
        if self.by_sweep:
            parts.append(f"gone in {self.dropped} of {self.records} records of the sweep")
        return "; ".join(parts)


def loose_contacts(evaluated: Evaluated) -> dict[str, LooseContact]:
    """coil -> what is loose about it; coils without a sign are left out."""
    records, dropped = _drop_outs(evaluated)
    made = [_one(evaluated, name, records, dropped.get(name, 0)) for name in COILS]
    return {one.coil: one for one in made if one.has_own_evidence or one.by_sweep}


def _one(evaluated: Evaluated, name: str, records: int, dropped: int) -> LooseContact:
    obs, found = evaluated.observed, evaluated.resistance(name)
    rows = obs.select("coil_resistance", coil=name)
    inside = [r.number() for r in rows if not r.overload and r.value is not None]
    swing = (max(inside) - min(inside)) / found.ohm if inside and found is not None and found.ohm else 0.0
    pairs = pair_readings(obs, name)
    over = len(rows) - len(inside) + sum(r.overload or r.value is None for r in pairs)
    drives, undriven = _undriven(evaluated, name)
    return LooseContact(
        coil=name,
        readings=len(rows) + len(pairs),
        over=over,
        swing=swing,
        drives=drives,
        undriven=undriven,
        records=records,
        dropped=dropped,
    )


def _undriven(evaluated: Evaluated, name: str) -> tuple[int, int]:
    """(captures with the coil driven, those in which it took far less current than usual)."""
    found = evaluated.phasors(f"impedance_{name}")
    if found is None:
        return 0, 0
    current = np.abs(found.exc_i)
    usual_a = float(np.percentile(current, 75.0))
    if not _flows(evaluated.observed, usual_a, float(found.u_noise_v[EXC_I])):
        return 0, 0
    return current.size, int(np.count_nonzero(current < HARDLY * usual_a))


def _flows(obs: Observed, usual_a: float, noise_v: float) -> bool:
    """Whether a current can be seen at all: not of an open coil, nor on a channel that shows none."""
    return usual_a * obs.bench.sampler.shunt_ohm >= SEEN * noise_v


def _drop_outs(evaluated: Evaluated) -> tuple[int, dict[str, int]]:
    """(records of the sweep, coil -> records in which it was gone)."""
    found = evaluated.turn
    if found is None or found.coarse or found.latency_s is not None:
        return 0, {}
    first, second = _pairs(found)
    if first.size == 0:
        return 0, {}
    u, _, v, _ = found.envelopes()
    size = float(np.percentile(np.hypot(u, v), 90.0))
    lost_u = np.abs(np.abs(u[first]) - np.abs(u[second])) > GONE * size
    lost_v = np.abs(np.abs(v[first]) - np.abs(v[second])) > GONE * size
    kept_u = np.abs(u[first] - u[second]) < STAYED * size
    kept_v = np.abs(v[first] - v[second]) < STAYED * size
    noise_v = max(float(p.u_noise_v[EXC_I]) for name in found.series if (p := evaluated.phasors(name)) is not None)
    i_first, i_second = np.abs(found.exc_i[first]), np.abs(found.exc_i[second])
    flows = _flows(evaluated.observed, float(np.percentile(np.abs(found.exc_i), 75.0)), noise_v)
    weak = (np.minimum(i_first, i_second) < CURRENT * np.maximum(i_first, i_second)) & flows
    gone = {"exc": weak, "sin": lost_u & kept_v & ~weak, "cos": lost_v & kept_u & ~weak}
    others = (lost_u | lost_v) & ~gone["exc"] & ~gone["sin"] & ~gone["cos"]
    counts = {name: int(np.count_nonzero(mask)) for name, mask in gone.items()}
    if np.count_nonzero(others) > MOST_OTHERS * sum(counts.values()):
        return u.size, {}
    most = max(counts.values())
    return u.size, {name: count for name, count in counts.items() if count >= max(FEWEST, 0.2 * most)}


def _pairs(found: Turn) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices of the two records of each position, counter-clockwise first."""
    ways = [np.flatnonzero(found.inside & (found.counter_clockwise == way)) for way in (True, False)]
    _, first, second = np.intersect1d(found.steps[ways[0]], found.steps[ways[1]], return_indices=True)
    return ways[0][first], ways[1][second]
