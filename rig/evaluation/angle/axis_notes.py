"""What a run says of the axis' correction: in force and by what, left aside and why, and its free watch.

It must never change a figure. What is left of once and twice a turn in any part of four pole pairs or more is the
part's, its seat's and what the axis moved by since: beyond what good parts show it is a note, no stop.
Figures: rig/resolver/README.md, 4.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from rig.resolver.axis.rotor_places import LEAST_POLE_PAIRS

if TYPE_CHECKING:
    from rig.evaluation.evaluated import Evaluated

LEFT_MECH_ARCMIN: Mapping[int, float] = {1: 0.8, 2: 0.12}
"""Once and twice a turn less the axis', of one part in its own run."""


def axis_notes(evaluated: Evaluated) -> tuple[str, ...]:
    """Sentences for the report; none of a run whose header carries no correction."""
    standing = evaluated.rotation.standing
    if standing.correction is None:
        return (f"The axis' correction was left aside: {standing.why}.",) if standing.why else ()
    if evaluated.turn is None or evaluated.turn.reference != "steps":
        return ()
    found = standing.correction
    notes = [f"The axis is corrected by what was found on {found.made_utc[:10]}, checked with {found.checked_with}."]
    return (*notes, *_left_orders_note(evaluated))


def _left_orders_note(evaluated: Evaluated) -> list[str]:
    pairs, correction = evaluated.pole_pairs, evaluated.correction
    if pairs is None or pairs.value < LEAST_POLE_PAIRS or correction is None or not correction.knows(1):
        return []
    sizes = {r.measurand: r.estimate for r in evaluated.results if r.estimate is not None}
    found = []
    for order, limit in LEFT_MECH_ARCMIN.items():
        size = sizes.get(f"order_{order}_mech_arcmin")
        if size is not None and size > limit:
            found.append(
                f"Order {order} a turn is {size:.2f}' (mechanical) beside the axis' correction, more than {limit}': a "
                "part with a rough seat, or an axis that moved; `run recheck` tells."
            )
    return found
