"""A step that lost an instrument is taken once more: what is made quiet first, and what the journal says of it.

It must never know what a step measures: what the repeat needs put back is the step's own `restore`. Repeated is only
after a fault of the wire or a lost position, never after a stop: the guard is given time to see one first. The failed
attempt's lines stay in the journal; the event "step repeated" says which they are, and no evaluation uses them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from rig.control.step import Context, Mark
from rig.errors import BadReply, BenchError, LinkDown, NoReply, PositionLost, SafetyStop

OF_THE_WIRE = (LinkDown, NoReply, BadReply, PositionLost)
PAUSES_S = (0.5, 2.0, 5.0)  # before each try; the first lasts several polls of the interlock, so a stop is seen first
RECOVERY_LIMIT_S = 60.0  # wall time, between two signs of life


def make_ready(context: Context, restore: Callable[[Context], None], fault: BenchError, begun: Mark) -> None:
    """Output off, axis at rest, instruments won back by `restore`, the failed attempt told. Then `do` may be repeated.

    Raises the latched stop, SafetyStop for an output that stays on, the generator's fault when it can't be asked, and
    that of any other instrument that is not back after the last pause.
    """
    context.check_stop()
    ended, still = context.journal.count, fault
    context.forget_since(begun)
    for pause_s in PAUSES_S:
        context.bench.watchdog.progress(RECOVERY_LIMIT_S)
        _output_off(context)
        context.clock.sleep(pause_s)
        context.check_stop()
        try:
            _axis_at_rest(context)
            restore(context)
        except OF_THE_WIRE as again:
            still = again
            continue
        context.event(
            "step repeated", why=str(fault), fault_kind=type(fault).__name__, from_line=begun.lines + 1, to_line=ended
        )
        return
    raise still


def _output_off(context: Context) -> None:
    generator = context.bench.generator
    generator.output(False)
    if generator.output_is_on():
        raise SafetyStop(
            "the generator's output did not go off.",
            code="output-stuck",
            next_action="Press the emergency stop, then look at the generator.",
        )


def _axis_at_rest(context: Context) -> None:
    axis = context.bench.axis
    if axis is None:
        return
    try:
        axis.wait_stopped()
    except BenchError:
        axis.hold()  # wins a lost link back
    if not axis.position_known:
        axis.halt()  # it may still be on its way


def journal_retries(context: Context, before: Mapping[str, tuple[str, ...]]) -> None:
    """Event "said again" for every instrument whose driver said verbs twice since `before` (Bench.retries)."""
    for name, why in context.bench.retries().items():
        if fresh := why[len(before.get(name, ())) :]:
            context.event("said again", instrument=name, times=len(fresh), why=fresh[0])
