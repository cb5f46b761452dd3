"""Does the turn close? What the closures of both passes say of a rotor, or an axis, that slips.

A closure is the reading after a whole turn less the first one of the same pass. A slip goes with position: it turns
over with the direction of travel, so half the difference of both closures shows it, and drift cancels. A slip that goes
the same way in both passes shows in half their sum, beside the drift of a sweep. The limits hold what the play of the
axis leaves and 3.3 standard deviations of a reading (1 in 1000 of a normal distribution, both tails). It must never
name a culprit: rig/soundness/turning/axis.py does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.evaluation.angle.curve import AngleCurve
from rig.observed import Observed
from rig.quantity import Scalar

SIGMAS = 3.3
PLAY_SHARE = 0.1  # of the backlash
UNKNOWN_PLAY_ARCMIN = 1.0
DRIFT_ELEC_ARCMIN = 1.0  # what the zero of the angle may drift in the time of one pass


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """half_difference_mech_arcmin: of the closures, counter-clockwise less clockwise; limit_mech_arcmin: what it may be
    on a sound axis; half_sum_elec_arcmin, limit_elec_arcmin: the same for half their sum."""

    half_difference_mech_arcmin: float
    limit_mech_arcmin: float
    half_sum_elec_arcmin: float
    limit_elec_arcmin: float

    @property
    def is_slip(self) -> bool:
        """Whether the turn does not close: beyond one of its limits."""
        return (
            abs(self.half_difference_mech_arcmin) > self.limit_mech_arcmin
            or abs(self.half_sum_elec_arcmin) > self.limit_elec_arcmin
        )

    def conditions(self) -> dict[str, Scalar]:
        """Both figures with their limits, as conditions of a result."""
        return {
            "slip_mech_arcmin": self.half_difference_mech_arcmin,
            "slip_limit_mech_arcmin": self.limit_mech_arcmin,
            "drift_by_closure_elec_arcmin": self.half_sum_elec_arcmin,
            "drift_limit_elec_arcmin": self.limit_elec_arcmin,
        }

    def figures(self) -> str:
        """Both figures with their limits, in words."""
        return (
            f"half the difference of both passes {self.half_difference_mech_arcmin:+.2f}' mechanical (at most "
            f"{self.limit_mech_arcmin:.2f}'), half their sum {self.half_sum_elec_arcmin:+.2f}' electrical (at most "
            f"{self.limit_elec_arcmin:.2f}')"
        )


def play_half_width_mech_arcmin(obs: Observed, reference: str) -> float:
    """Half-width of what the axis leaves between two approaches from one side. reference: "steps" or "encoder"."""
    if reference == "encoder" and obs.bench.encoder is not None:
        return obs.bench.encoder.residual_arcmin
    return PLAY_SHARE * obs.bench.axis.backlash_arcmin if obs.bench.axis else UNKNOWN_PLAY_ARCMIN


def index_between_mech_arcmin(obs: Observed) -> float:
    """Half-width that two searches of the index leave between the passes; 0 where it was not sought between them."""
    if obs.bench.axis is None or not obs.select("index_found", phase="between"):
        return 0.0
    return math.sqrt(2.0) * obs.bench.axis.index_repeat_arcmin


def slip_of(curve: AngleCurve, play_mech_arcmin: float) -> Slip | None:
    """The slip that both closures of a turn show; None where a pass has none.

    play_mech_arcmin: half-width that the axis leaves between two approaches from one side.
    """
    p, closures = curve.found.value, curve.closures_elec_arcmin
    if not {"ccw", "cw"} <= closures.keys():
        return None
    noise = SIGMAS * curve.u_closure_elec_arcmin
    return Slip(
        half_difference_mech_arcmin=0.5 * (closures["ccw"] - closures["cw"]) / p,
        limit_mech_arcmin=play_mech_arcmin + noise / p,
        half_sum_elec_arcmin=0.5 * (closures["ccw"] + closures["cw"]),
        limit_elec_arcmin=DRIFT_ELEC_ARCMIN + p * play_mech_arcmin + noise,
    )
