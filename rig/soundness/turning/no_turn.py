"""Why a sweep with a live excitation shows no turn at all: outputs that stand still, or that are not there.

It must never give a reason: rows of rig/soundness/turning/axis.py and sound_signal.py do.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.thresholds import STILL_SHARE
from rig.evaluation.turn.ratios import SILENT_RATIO
from rig.soundness.rule import Evidence

Complexes = NDArray[np.complex128]


def _sides(inspection: Inspection) -> tuple[Complexes, Complexes] | None:
    """Ratios of both outputs over all that was swept; None where there is a turn or nothing was swept with a rotor."""
    evaluated = inspection.evaluated
    unasked = facts.excitation_open(inspection) or facts.comes_and_goes(inspection)
    if unasked or evaluated.turn is not None or inspection.observed.rotor == "none":
        return None
    parts = [p for name in evaluated.swept_series if (p := evaluated.phasors(name)) is not None]
    if not parts:
        return None
    return np.concatenate([p.sine / p.exc_v for p in parts]), np.concatenate([p.cosine / p.exc_v for p in parts])


def _sizes(sides: tuple[Complexes, Complexes]) -> tuple[list[float], list[float]]:
    """(largest ratio, movement) of sine and cosine."""
    return [float(np.max(np.abs(side))) for side in sides], [float(np.std(side)) for side in sides]


def standing_outputs(inspection: Inspection) -> list[Evidence]:
    """Both outputs are there and stand still over the sweep."""
    sides = _sides(inspection)
    if sides is None:
        return []
    sizes, moves = _sizes(sides)
    if max(sizes) < SILENT_RATIO or max(moves) >= STILL_SHARE * max(sizes):
        return []
    figures = f"both outputs stay within {100 * max(moves) / max(sizes):.2f} % over the sweep"
    return [Evidence(figures=figures, text="The rotor does not turn though the positions change.")]


def no_output(inspection: Inspection) -> list[Evidence]:
    """One output, or both, show nothing at all."""
    sides = _sides(inspection)
    if sides is None:
        return []
    sizes, moves = _sizes(sides)
    if max(sizes) < SILENT_RATIO:
        return [_silent("both outputs", f"largest ratios {sizes[0]:.2g} and {sizes[1]:.2g} to the excitation")]
    if max(moves) < STILL_SHARE * max(sizes):
        return []
    dead = "sine" if moves[0] < moves[1] else "cosine"
    figures = f"it moves by {min(moves):.2g} of the excitation, the other by {max(moves):.2g}"
    return [_silent(f"the {dead} output", figures)]


def _silent(which: str, figures: str) -> Evidence:
    next_ = "Check the lead and the channel, then the coil's DC resistance."
    return Evidence(figures=figures, case="no turn", text=f"No signal on {which}.", next=next_)
