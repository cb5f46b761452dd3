"""Facts about the part or the run that leave a rule of soundness unasked: the part's own fault, told by the findings.

It must never give a reason.
"""

from __future__ import annotations

from rig.evaluation.inspection.inspection import Inspection
from rig.evaluation.inspection.lines import is_open
from rig.evaluation.turn.ratios import silent_output


def excitation_open(inspection: Inspection) -> bool:
    """The excitation coil is open by its DC resistance: what it lacks is the part's."""
    return is_open(inspection.evaluated, "exc")


def an_output_open(inspection: Inspection) -> bool:
    """An output coil is open by its DC resistance."""
    return any(is_open(inspection.evaluated, coil) for coil in ("sin", "cos"))


def not_turned(inspection: Inspection) -> bool:
    """No rotor was turned, or nothing of it could be read."""
    return inspection.evaluated.turn is None


def no_angle(inspection: Inspection) -> bool:
    """Without a turn, or with one output alone, there is no angle."""
    turn = inspection.evaluated.turn
    return turn is None or bool(silent_output(turn))


def rotor_of_another_part(inspection: Inspection) -> bool:
    """The outputs carry next to nothing and still follow a rotor: the finding wrong-rotor."""
    return bool(inspection.uncoupled_order)


def comes_and_goes(inspection: Inspection) -> bool:
    """A coil's path was open at times: what the sweep shows of it is worth nothing."""
    return bool(inspection.open_at_times)


def comes_and_goes_witnessed(inspection: Inspection) -> bool:
    """The same, told by the coil's own resistance or current: what the sweep lacks is not the rig's."""
    loose = inspection.open_at_times
    return bool(loose) and all(one.has_own_evidence for one in loose)


def excitation_comes_and_goes_witnessed(inspection: Inspection) -> bool:
    """The same, with the excitation coil among them."""
    return comes_and_goes_witnessed(inspection) and any(one.coil == "exc" for one in inspection.open_at_times)


def seated_again(inspection: Inspection) -> bool:
    """The run repeats one before a re-seat: what followed the part is the part's."""
    return bool(inspection.observed.header.get("retest_of"))


def no_error_curve(inspection: Inspection) -> bool:
    """There is no error curve of a whole turn."""
    return inspection.evaluated.curves.empty
