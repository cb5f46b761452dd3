"""Notes beside a judged recording: what cancelled, what belongs to the zero, how the turn closed.

It must never judge and adds nothing to a bench run, whose facts about the rig are results of their own.
"""

from __future__ import annotations

import math

import numpy as np

from rig.evaluation.evaluated import Evaluated
from rig.evaluation.results import ARCMIN_PER_RAD

LEVEL_CHANGES = 0.05  # of the median excitation
ASKEW_DEG = 1.0


def recording_notes(evaluated: Evaluated) -> list[str]:
    """The notes of a recording; none of a bench run."""
    if not evaluated.observed.absent:
        return []
    return [*_record(evaluated), *_excitation(evaluated), *_turn(evaluated)]


def _record(evaluated: Evaluated) -> list[str]:
    found = evaluated.phasors("record")
    if found is None:
        return []
    if evaluated.hand_series:
        return ["The rotor turned during the record."]
    fit = found.fit
    cycles = fit.samples * fit.frequency_hz / fit.sample_rate_hz
    return [
        f"{fit.samples} samples at {fit.sample_rate_hz:.7g} a second: {cycles:.2f} cycles of "
        f"{fit.sample_rate_hz / fit.frequency_hz:.2f} samples; least squares, whole cycles are not needed."
    ]


def _excitation(evaluated: Evaluated) -> list[str]:
    found = evaluated.turn
    if found is None:
        return []
    notes = []
    opposite = int(np.count_nonzero(np.cos(np.angle(found.exc_v * np.conj(found.exc_v[0]))) < 0))
    waveforms = not evaluated.observed.tables
    if opposite and not waveforms:
        notes.append(
            f"The source's phase is turned by half a cycle in {opposite} of {found.exc_v.size} records; the "
            "excitation was recorded with them, so it cancels."
        )
    size = np.abs(found.exc_v)
    if float(np.ptp(size)) > LEVEL_CHANGES * float(np.median(size)):
        notes.append(
            f"The excitation changes between {size.min() / math.sqrt(2):.3g} and {size.max() / math.sqrt(2):.3g} V rms "
            "over the file; ratios stand, a source at its limit may be distorted too."
        )
    return notes


def _turn(evaluated: Evaluated) -> list[str]:
    curve = evaluated.angle_curve
    if curve is None:
        return []
    notes = []
    if curve.found.direction < 0:
        notes.append("The error curve is that of the direction found; a reversed direction does not spoil it.")
    away = next((r.estimate for r in evaluated.results if r.measurand == "orthogonality_elec_deg"), None)
    if away is not None and abs(away) > ASKEW_DEG:
        notes.append(
            f"The outputs are {90 + away:.2f} deg electrical apart: {abs(away) / 2:.2f} deg of the error's mean, which "
            f"belongs to the zero, and {abs(away) / 2:.2f} deg at twice the electrical angle."
        )
    scale = ARCMIN_PER_RAD / curve.found.value
    if curve.closures_elec_arcmin:
        worst = max(curve.closures_elec_arcmin.values(), key=abs)
        notes.append(f"The turn closes within {worst / curve.found.value:+.2f}' mechanical.")
    if curve.passes is not None:
        notes.append(f"Upward less downward pass: {curve.passes.hysteresis_elec_rad * scale:+.2f}' mechanical.")
    return notes
