"""Hypothesis from the turning rotor with the excitation off: iron that is magnetised.

It must never ask the driven figures: a magnet shows without excitation, in proportion to speed. Source: trade.md 3.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.diagnosis.hypothesis import Hypothesis
from rig.diagnosis.inspection import Inspection
from rig.result import Result

LEAST_V = 2e-4  # peak; below, a sampler's drift and pick-up look alike
NOISES = 6.0


def rotation_hypotheses(inspection: Inspection, results: Sequence[Result]) -> list[Hypothesis]:
    """`magnetised` where turning alone brings a voltage well above the noise of its band."""
    found = inspection.evaluated.turning_background
    if found is None or not any(result.measurand == "background_turning_v" for result in results):
        return []
    if found.peak_v < max(LEAST_V, NOISES * found.noise_v):
        return []
    p = inspection.observed.part.pole_pairs
    own = found.order % p == 0
    speed = found.speed_mech_deg_s / 6.0
    output = {"sin": "sine", "cos": "cosine"}[found.coil]
    return [
        Hypothesis(
            code="magnetised",
            weight=0.9 if own else 0.8,
            text="the rotor or the stator's iron is magnetised",
            evidence=f"with the excitation off, turning at {speed:.0f} 1/min (mechanical) brings "
            f"{1e3 * found.peak_v:.3g} mV peak at {found.order} a turn on the {output} output: "
            f"{found.per_krpm_v:.3g} V at 1000 1/min",
            against="" if own else f"a magnetised rotor shows at {p} a turn first; look for a magnet near the shaft",
            next_test="Demagnetise (excite, then let the level come down slowly with the rotor turned by hand), keep "
            "magnets and magnetic tools away, and run the full test again.",
        )
    ]
