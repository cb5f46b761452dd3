"""Does the part sit right in the holder? A stator and a bare rotor have no bearing: the seat is the set-up's.

It must never blame the part for a seat, nor a seat for shorted turns: an eccentric gap moves the error at order p and
the ripple of the excitation's inductance, without the quadrature that a closed turn leaves (signal.md 2.2).
Told only where the error nears its limit; next action re-seat: what follows the part through a re-seat is the part's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from rig.diagnosis.lines import error_lines, result_of, value
from rig.evaluation.observed import Observed
from rig.result import Reason, Result

QUADRATURE = 0.01  # of the maximum: above it a closed turn or a leak is about
RIPPLE = 0.004  # of the excitation's inductance, at an order that only an uneven gap makes


def seat_reasons(obs: Observed, results: Sequence[Result], curves: Mapping[str, Any]) -> list[Reason]:
    """seat-off-centre where the error is beyond its limit and the signs are those of an uneven gap."""
    if not _beyond(obs, results) or not curves:
        return []
    quadrature = max(value(results, f"quadrature_{c}") or 0.0 for c in ("sin", "cos"))
    match = abs(value(results, "r20_match") or 0.0)
    if quadrature > QUADRATURE or match > 0.02:
        return []
    ripple, order = _ripple(curves)
    p = obs.part.pole_pairs
    low = result_of(results, f"order_{p}_mech_arcmin")
    if ripple < RIPPLE or order % p or low is None or low.estimate is None:
        return []  # an order that is no multiple of p turns with the rotor: runout or its lobes, not the seat
    return [
        Reason(
            code="seat-off-centre",
            text="The error is that of a part that sits off centre.",
            evidence=f"order {p} of the error {low.estimate:.1f}' mechanical, the excitation's inductance ripples by "
            f"{100 * ripple:.2f} % at order {order}, quadrature only {100 * quadrature:.2f} %",
            next="Re-seat the part on the spigot, clean the faces, and sweep again; a fault that stays is the part's.",
            spoils=error_lines(results),
        )
    ]


def _beyond(obs: Observed, results: Sequence[Result]) -> bool:
    limit = obs.part.limit("error_max_elec_arcmin")
    found = value(results, "error_max_elec_arcmin")
    return limit is not None and limit.upper is not None and found is not None and found > 0.7 * limit.upper


def _ripple(curves: Mapping[str, Any]) -> tuple[float, int]:
    """(relative amplitude, order) of the strongest order of the excitation's inductance over the turn."""
    inductance = np.asarray(curves.get("l_exc_h", ()), dtype=np.float64)
    if inductance.size < 24:
        return 0.0, 0
    spectrum = np.abs(np.fft.rfft(inductance / inductance.mean())) * 2.0 / inductance.size
    spectrum[0] = 0.0
    order = int(np.argmax(spectrum[: inductance.size // 3]))
    return float(spectrum[order]), order
