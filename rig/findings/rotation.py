"""Pattern of the turning rotor with the excitation off: iron that is magnetised.

It must never ask the driven figures: a magnet shows without excitation, in proportion to speed.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import CHANNEL_NAMES, result_of
from rig.evaluation.inspection.thresholds import MAGNET_LEAST_V, MAGNET_NOISES
from rig.findings.pattern import Pattern, Sign
from rig.result import Result


def magnetised_rotor(inspection: Inspection, results: Sequence[Result]) -> list[Sign]:
    """Turning alone brings a voltage well above the noise of its band."""
    found = inspection.evaluated.turning_background
    if found is None or result_of(results, "background_turning_v") is None:
        return []
    if found.peak_v < max(MAGNET_LEAST_V, MAGNET_NOISES * found.noise_v):
        return []
    p = inspection.observed.part.pole_pairs
    own = found.order % p == 0
    return [
        Sign(
            weight=0.9 if own else 0.8,
            evidence=f"with the excitation off, turning at {found.speed_mech_deg_s / 6.0:.0f} 1/min (mechanical) "
            f"brings {1e3 * found.peak_v:.3g} mV peak at {found.order} a turn on the {CHANNEL_NAMES[found.coil]} "
            f"output: {found.per_krpm_v:.3g} V at 1000 1/min",
            against="" if own else f"a magnetised rotor shows at {p} a turn first; look for a magnet near the shaft",
        )
    ]


PATTERNS = (
    Pattern(
        code="magnetised",
        prior=0.02,
        looks_at="captures of the turning rotor with the excitation off",
        check=magnetised_rotor,
        text="the rotor or the stator's iron is magnetised",
        next_test="Demagnetise (excite, then let the level come down slowly with the rotor turned by hand), keep "
        "magnets and magnetic tools away, and run the full test again.",
    ),
)
