"""Is the measurement sound? Reasons that put the rig, the wiring or the set-up at fault, each with its evidence.

It must never say what is wrong with the part (rig/diagnosis/findings.py does). A disagreement is the rig's until an
independent witness pins it on the part: DC resistance, loopback, index, encoder, the other channel. Each reason names
the lines it spoils; the others keep their verdict. `excitation-forbidden` only tells why a run ended early.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.diagnosis.inspection import Inspection
from rig.diagnosis.lines import turned
from rig.diagnosis.loose_contact import LooseContact
from rig.diagnosis.sound_axis import axis_reasons
from rig.diagnosis.sound_dc import dc_reasons
from rig.diagnosis.sound_excitation import excitation_reasons
from rig.diagnosis.sound_records import record_reasons
from rig.diagnosis.sound_seat import seat_reasons
from rig.diagnosis.sound_signal import signal_reasons
from rig.result import Reason, Result

NAMES = {"exc": "excitation", "sin": "sine", "cos": "cosine"}


def soundness(inspection: Inspection) -> list[Reason]:
    """Every reason that this run's data give, most basic first. Empty: nothing speaks against the measurement."""
    results = inspection.evaluated.results
    reasons = [*record_reasons(inspection.observed), *dc_reasons(inspection)]
    if any("*" in reason.spoils for reason in reasons):
        return reasons
    loose = [one for one in inspection.loose_contacts.values() if one.opens]
    settled = bool(loose) and all(one.witnessed for one in loose)
    if not settled or all(one.coil != "exc" for one in loose):
        reasons += excitation_reasons(inspection, results)
    if settled:
        return reasons  # the coil's own resistance or current is the witness: what the sweep lacks is not the rig's
    reasons += signal_reasons(inspection, results)
    if loose:
        return [*reasons, _comes_and_goes(loose, results)]
    cut = any(reason.code == "channel-saturated" for reason in reasons)  # what is cut may look like another kind
    reasons += [r for r in axis_reasons(inspection, results) if not (cut and r.code == "not-this-kind")]
    if not any(_blocks_seat(reason) for reason in reasons):
        reasons += seat_reasons(inspection, results)
    return reasons


def _comes_and_goes(loose: Sequence[LooseContact], results: Sequence[Result]) -> Reason:
    """Where the coil's own figures don't tell it too, the sampler's lead may have dropped out as well."""
    names = " and ".join(NAMES[one.coil] for one in loose)
    return Reason(
        code="point-disturbed",
        text=f"The {names} signal comes and goes during the sweep; its resistance was steady.",
        evidence="; ".join(f"{NAMES[one.coil]}: {one.told()}" for one in loose),
        next=f"anglewright run watch {loose[0].coil} --ac while lead and part are moved; then exchange the inputs.",
        spoils=turned(results),
    )


def _blocks_seat(reason: Reason) -> bool:
    """A fault that already spoils the error lines leaves nothing to read a seat from."""
    return "error_max_elec_arcmin" in reason.spoils
