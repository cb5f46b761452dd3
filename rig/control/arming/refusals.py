"""Why the bench may not be armed, driven or left in OHMS: by the interlock as read, and by what reads back as on."""

from __future__ import annotations

from drivers.roles import Axis, Generator, InterlockState
from rig.errors import BenchError, RigError, SafetyStop


def refusal_of(state: InterlockState) -> SafetyStop | None:
    """Why nothing may move or be excited with the two inputs as read; None where they allow it.

    Both are named where both forbid it.
    """
    if state.safe_to_run:
        return None
    if not state.emergency_stop:
        return SafetyStop("the guard is open.", code="guard-open", next_action="Close it and start a new run.")
    if state.guard_closed:
        what, action = "the emergency stop is pressed.", "Find out why, release it and start a new run."
    else:
        what = "the emergency stop is pressed, and the guard is open."
        action = "Find out why, release the stop, close the guard and start a new run."
    return SafetyStop(what, code="emergency-stop", next_action=action)


def lost_interlock(fault: RigError) -> SafetyStop:
    """The stop for an interlock that does not answer."""
    stop = SafetyStop(
        f"the interlock does not answer: {fault.message}.",
        code="interlock-lost",
        next_action="Check its cable; without it nothing moves.",
    )
    stop.__cause__ = fault
    return stop


def why_energised(generator: Generator, axis: Axis | None, state: InterlockState) -> SafetyStop | None:
    """Why OHMS may not go on; None where output and axis read back as off."""
    what = ""
    try:
        if generator.output_is_on():
            what = "the generator's output reads back as on"
        elif axis is not None and axis.position_known:
            what = "the axis still knows its place, so it was not released"
        elif state.mirror is False:
            what = "the enable relays have not released"
    except BenchError as fault:
        what = f"it can't be read back that nothing is energised ({fault})"
    if not what:
        return None
    return SafetyStop(
        f"OHMS ends: {what}.", code="ohms", next_action="Hands off the part; look at the generator and the axis."
    )
