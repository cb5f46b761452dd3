"""Does the part sit right in the holder? A stator and a bare rotor have no bearing: the seat is the set-up's.

It must never blame the part for a seat, nor a seat for shorted turns. Off centre: the reduced magnetic model
(rig/resolver/model.py) explains the turn by an uneven gap and by nothing else. Axial: both ratios low together, nothing
else moved, and nothing in the inductance that turns with the rotor. Next action re-seat: what follows the part through
a re-seat (the run names the one it repeats, `retest_of`) is the part's (rig/soundness/README.md, 3).
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.evaluation.inspection import facts
from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import error_lines, group, value
from rig.evaluation.inspection.magnetic import CLEAR, Magnetics
from rig.evaluation.inspection.thresholds import (
    EXPLAINED,
    LEAST_OFFSET,
    MATCH_SHARE,
    NEAR_ERROR_LIMIT,
    NEAR_LOWER,
    NEAR_UPPER,
    SEAT_QUADRATURE,
)
from rig.observed import Observed
from rig.resolver.model import ECCENTRIC, HEALTHY, SHORTED
from rig.result import Result
from rig.soundness import scopes
from rig.soundness.rule import Evidence, Rule, story


def off_centre(inspection: Inspection) -> list[Evidence]:
    """A limit is near or passed, and an uneven gap explains the turn."""
    obs, results = inspection.observed, inspection.evaluated.results
    both = _both_off(obs, results)
    match = abs(value(results, "r20_match") or 0.0)
    if not (_beyond(obs, results) or both) or match > MATCH_SHARE or inspection.turns_with_rotor:
        return []
    found = inspection.magnetics
    if found is None or not _explained(found):
        return []
    fit = found.fit(ECCENTRIC)
    left = 100 * found.fit(HEALTHY).residual
    return [
        Evidence(
            figures=f"an uneven gap of {100 * fit.guess.offset:.0f} % of the mean, narrow "
            f"near {found.offset_toward_mech_deg():.0f} deg mechanical from the index (give or take electrical turns), "
            f"explains the turn to {100 * fit.residual:.2f} % of the maximum; without it {left:.2f} % is left",
            case="both ratios" if both else "",
        )
    ]


def _of_off_centre(results: scopes.Results, found: Evidence) -> scopes.Lines:
    return (*error_lines(results), *(group("ratio", "null") if found.case else ()))


def _explained(found: Magnetics) -> bool:
    """An uneven gap explains the turn, clearly better than a shorted tooth or the part's own make."""
    off, healthy, shorted = (found.fit(kind) for kind in (ECCENTRIC, HEALTHY, SHORTED))
    better = off.criterion + CLEAR < min(healthy.criterion, shorted.criterion)
    return better and off.residual < EXPLAINED * healthy.residual and off.guess.offset > LEAST_OFFSET


def _both_off(obs: Observed, results: Sequence[Result]) -> int:
    """-1 or +1 when both ratios leave their limits (or nearly) the same way; else 0."""
    sides = []
    for c in ("sin", "cos"):
        limit, tr = obs.part.limit(f"tr_{c}"), value(results, f"tr_{c}")
        if limit is None or tr is None:
            return 0
        low = limit.lower is not None and tr < NEAR_LOWER * limit.lower
        high = limit.upper is not None and tr > NEAR_UPPER * limit.upper
        sides.append(-1 if low else 1 if high else 0)
    return sides[0] if sides[0] == sides[1] else 0


def axial(inspection: Inspection) -> list[Evidence]:
    """Both ratios low together and nothing else moved."""
    obs, results = inspection.observed, inspection.evaluated.results
    quadrature = max(value(results, f"quadrature_{c}") or 0.0 for c in ("sin", "cos"))
    if _both_off(obs, results) >= 0 or _beyond(obs, results) or quadrature > SEAT_QUADRATURE:
        return []
    if inspection.turns_with_rotor:
        return []
    told = ", ".join(f"{value(results, f'tr_{c}') or 0.0:.4f}" for c in ("sin", "cos"))
    figures = f"ratios {told}; no order of the error and no ripple of the inductance moved with them; "
    return [Evidence(figures=figures + "a gap that is too wide shows the same")]


def _beyond(obs: Observed, results: Sequence[Result]) -> bool:
    limit = obs.part.limit("error_max_elec_arcmin")
    found = value(results, "error_max_elec_arcmin")
    return (
        limit is not None and limit.upper is not None and found is not None and found > NEAR_ERROR_LIMIT * limit.upper
    )


RULES = story(
    Rule(
        code="seat-off-centre",
        looks_at="the turn against the magnetic model with an uneven gap",
        check=off_centre,
        text="The turn is that of a part that sits off centre.",
        next="Re-seat the part on the spigot, clean the faces, and sweep again; a fault that stays is the part's.",
        spoils=_of_off_centre,
        needs_sound=("error_max_elec_arcmin",),
        asks=("error_max_elec_arcmin",),
        witnesses=("reseat",),
    ),
    Rule(
        code="seat-axial",
        looks_at="both ratios against their limits, and whether anything else moved",
        check=axial,
        text="Both ratios are low together and nothing else is: rotor and stack stand apart along the shaft.",
        next="Slide the rotor half a millimetre each way, set it where the ratio peaks, and sweep again.",
        spoils=scopes.ratios,
        needs_sound=("error_max_elec_arcmin",),
        blocked_by=("seat-off-centre",),
        asks=("tr_sin", "tr_cos"),
        witnesses=("reseat",),
    ),
    unless=(facts.comes_and_goes, facts.seated_again, facts.no_error_curve),
)
