"""Does the part sit right in the holder? A stator and a bare rotor have no bearing: the seat is the set-up's.

It must never blame the part for a seat, nor a seat for shorted turns. Off centre: the reduced magnetic model
(rig/resolver/model.py) explains the turn by an uneven gap and by nothing else. Axial: both ratios low together, nothing
else moved, and nothing in the inductance that turns with the rotor. Next action re-seat: what follows the part through
a re-seat (the run names the one it repeats, `retest_of`) is the part's (decisions.md).
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import error_lines, group, value
from rig.diagnosis.magnetic import CLEAR, Magnetics
from rig.observed import Observed
from rig.resolver.model import ECCENTRIC, HEALTHY, SHORTED
from rig.result import Reason, Result

QUADRATURE = 0.01  # of the maximum: above it a closed turn or a leak is about
LEAST_OFFSET = 0.04  # of the mean gap
NUDGE = "Re-seat the part on the spigot, clean the faces, and sweep again; a fault that stays is the part's."


def seat_reasons(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    """seat-off-centre or seat-axial where a limit is near or passed and the signs are those of the seat alone."""
    if not inspection.evaluated.curves or inspection.observed.header.get("retest_of"):
        return []
    return _off_centre(inspection, results) or _axial(inspection, results)


def _off_centre(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    both = _both_off(inspection.observed, results)
    match = abs(value(results, "r20_match") or 0.0)
    if not (_beyond(inspection.observed, results) or both) or match > 0.02 or inspection.turns_with_rotor:
        return []
    found = inspection.magnetics
    if found is None or not _explained(found):
        return []
    fit = found.fit(ECCENTRIC)
    ratios = group("ratio", "null") if both else ()
    return [
        Reason(
            code="seat-off-centre",
            text="The turn is that of a part that sits off centre.",
            evidence=f"an uneven gap of {100 * fit.guess.offset:.0f} % of the mean, narrow "
            f"near {found.offset_toward_mech_deg():.0f} deg mechanical from the index (give or take electrical turns), "
            f"explains the turn to {100 * fit.residual:.2f} % of the maximum; without it {_left(found)} % is left",
            next=NUDGE,
            spoils=(*error_lines(results), *ratios),
        )
    ]


def _left(found: Magnetics) -> str:
    return f"{100 * found.fit(HEALTHY).residual:.2f}"


def _explained(found: Magnetics) -> bool:
    """An uneven gap explains the turn, clearly better than a shorted tooth or the part's own make."""
    off, healthy, shorted = (found.fit(kind) for kind in (ECCENTRIC, HEALTHY, SHORTED))
    better = off.criterion + CLEAR < min(healthy.criterion, shorted.criterion)
    return better and off.residual < 0.5 * healthy.residual and off.guess.offset > LEAST_OFFSET


def _both_off(obs: Observed, results: Sequence[Result]) -> int:
    """-1 or +1 when both ratios leave their limits (or nearly) the same way; else 0."""
    sides = []
    for c in ("sin", "cos"):
        limit, tr = obs.part.limit(f"tr_{c}"), value(results, f"tr_{c}")
        if limit is None or tr is None:
            return 0
        low = limit.lower is not None and tr < 1.01 * limit.lower
        high = limit.upper is not None and tr > 0.99 * limit.upper
        sides.append(-1 if low else 1 if high else 0)
    return sides[0] if sides[0] == sides[1] else 0


def _axial(inspection: Inspection, results: Sequence[Result]) -> list[Reason]:
    quadrature = max(value(results, f"quadrature_{c}") or 0.0 for c in ("sin", "cos"))
    if _both_off(inspection.observed, results) >= 0 or _beyond(inspection.observed, results) or quadrature > QUADRATURE:
        return []
    if inspection.turns_with_rotor:
        return []
    told = ", ".join(f"{value(results, f'tr_{c}') or 0.0:.4f}" for c in ("sin", "cos"))
    return [
        Reason(
            code="seat-axial",
            text="Both ratios are low together and nothing else is: rotor and stack stand apart along the shaft.",
            evidence=f"ratios {told}; no order of the error and no ripple of the inductance moved with them; "
            "a gap that is too wide shows the same",
            next="Slide the rotor half a millimetre each way, set it where the ratio peaks, and sweep again.",
            spoils=group("ratio"),
        )
    ]


def _beyond(obs: Observed, results: Sequence[Result]) -> bool:
    limit = obs.part.limit("error_max_elec_arcmin")
    found = value(results, "error_max_elec_arcmin")
    return limit is not None and limit.upper is not None and found is not None and found > 0.7 * limit.upper
