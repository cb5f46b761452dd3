"""Runs the steps of a sequence: one state table, gates between steps, and the safe state on every way out.

It must never know what a step measures. States ready, running, held, stopping, safe, done; a move that the table
does not hold raises and changes nothing. A gate looks at what has been read so far; when it gives reasons, the run
ends early with the readings it has, and the judge decides. A stop or any fault leaves the run incomplete, but for a
step that lost an instrument: it is taken once more where it says what the repeat needs put back (`restore`). That is
only after a fault of the wire or a lost position, never after a stop: the guard is given time to see one first. The
failed attempt's lines stay in the journal; the event "step repeated" says which they are, and no evaluation uses them.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rig.control.clock import WallClock
from rig.control.guard import Ceilings
from rig.control.step import Context, Mark
from rig.description.traits import Traits
from rig.errors import (
    BadReply,
    BenchError,
    LinkDown,
    NoReply,
    PositionLost,
    RecordError,
    RigError,
    SafetyStop,
    UsageError,
)
from rig.result import Reason

OF_THE_WIRE = (LinkDown, NoReply, BadReply, PositionLost)
PAUSES_S = (0.5, 2.0, 5.0)  # before each try; the first lasts several polls of the interlock, so a stop is seen first
RECOVERY_LIMIT_S = 60.0  # wall time, between two signs of life

TABLE: Mapping[tuple[str, str], str] = {
    ("ready", "start"): "running",
    ("ready", "stop"): "stopping",
    ("running", "hold"): "held",
    ("running", "finish"): "stopping",
    ("running", "stop"): "stopping",
    ("held", "resume"): "running",
    ("held", "stop"): "stopping",
    ("stopping", "made_safe"): "safe",
    ("safe", "close"): "done",
}


def always(_: Context) -> bool:
    """The step is taken in every run."""
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. do: acquires, through the context. when: whether this run takes it. gate: reasons to end here.

    limit_s: how long (wall time) the main thread may be silent within it before the watchdog takes over.
    restore: what a repeat needs put back after a fault of the wire, output off and axis at rest; None: never repeated.
    """

    name: str
    title: str
    do: Callable[[Context], None]
    when: Callable[[Context], bool] = always
    gate: Callable[[Context], Sequence[Reason]] | None = None
    limit_s: float = 30.0
    restore: Callable[[Context], None] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSequence:
    """What is done, in order; version is printed on certificates and changes with the method.

    needs: roles that a bench may lack and this sequence can't do without. traits: what it is, for every room.
    """

    name: str
    title: str
    steps: tuple[Step, ...]
    version: str = "1"
    needs: frozenset[str] = frozenset()
    traits: Traits = field(default_factory=Traits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a run ended. complete: the judge may judge it. fault: what stopped it. reasons: of the gate that ended it.

    unsafe: name of an instrument -> why it could not be made safe. utc: when it ended, by the bench's clock, by the
    wall's when that is gone.
    """

    complete: bool
    fault: RigError | None = None
    reasons: tuple[Reason, ...] = ()
    last_step: str = ""
    unsafe: Mapping[str, str] = field(default_factory=dict)
    utc: str = ""

    @property
    def exit_status(self) -> int:
        """0, or that of the fault."""
        return 0 if self.fault is None else self.fault.exit_status


class Machine:
    """The state of one run; moves may come from any thread."""

    def __init__(self) -> None:
        self._state = "ready"
        self._lock = threading.Lock()
        self._released = threading.Event()
        self._released.set()

    @property
    def state(self) -> str:
        return self._state

    def move(self, event: str) -> str:
        """The state after an event. Raises UsageError for a move that the table does not hold; nothing changes then."""
        with self._lock:
            after = TABLE.get((self._state, event))
            if after is None:
                known = ", ".join(e for (s, e) in TABLE if s == self._state) or "nothing"
                raise UsageError(
                    f"a run that is {self._state} can't {event}.", next_action=f"What it can do now: {known}."
                )
            self._state = after
            if after == "held":
                self._released.clear()
            else:
                self._released.set()
            return after

    def wait_while_held(self, context: Context) -> None:
        """Between steps: stay here while the run is held; a stop ends the wait."""
        while not self._released.wait(0.1):
            context.check_stop()


def run_sequence(sequence: StepSequence, context: Context, machine: Machine | None = None) -> Ended:
    """Take the steps; every way out ends with outputs off, axis at rest, relays open and an "end" line in the journal.

    A RigError ends the run and is returned; anything else is a fault of the program and is raised once all is safe.
    """
    machine = machine or Machine()
    bench = context.bench
    excitation, own = context.part.excitation, bench.file.generator.ceiling_v_rms
    bench.guard.ceilings = Ceilings(v_rms=min(excitation.ceiling_v_rms, own), a_rms=excitation.ceiling_a_rms)
    bench.guard.begun = True
    bench.watchdog.folder(context.journal.path.parent)
    ended = Ended(complete=False)
    try:
        ended = _run_steps(sequence, context, machine)
    finally:
        ended = _safe_end(context, machine, ended)
    return ended


def _run_steps(sequence: StepSequence, context: Context, machine: Machine) -> Ended:
    try:
        context.check_stop()
        machine.move("start")
        for number, step in enumerate(sequence.steps, start=1):
            machine.wait_while_held(context)
            if not step.when(context):
                context.event("step left out", left_out=step.name)
                continue
            if reasons := _one(step, context, number, len(sequence.steps)):
                return Ended(complete=True, reasons=reasons, last_step=step.name)
    except RigError as fault:
        return Ended(complete=False, fault=context.bench.token.reason or fault, last_step=context.step)
    return Ended(complete=True, last_step=context.step)


def _one(step: Step, context: Context, number: int, total: int) -> tuple[Reason, ...]:
    context.step = step.name
    context.bench.watchdog.progress(step.limit_s)
    context.event("step begun", title=step.title, number=number, of=total)
    context.progress(step.title, 0, 0)
    before = context.bench.retries()
    _run_step(step, context)
    context.check_stop()
    journal_retries(context, before)
    reasons = tuple(step.gate(context)) if step.gate is not None else ()
    if reasons:
        context.event("ended early", reasons=[reason.to_dict() for reason in reasons])
    return reasons


def _run_step(step: Step, context: Context) -> None:
    """The step, and once more when an instrument was lost on the way."""
    begun = context.mark()
    try:
        step.do(context)
    except OF_THE_WIRE as fault:
        if step.restore is None:
            raise
        make_ready(context, step.restore, fault, begun)
        context.bench.watchdog.progress(step.limit_s)
        step.do(context)


def _safe_end(context: Context, machine: Machine, ended: Ended) -> Ended:
    if machine.state in ("ready", "held") or not ended.complete:
        machine.move("stop")
    else:
        machine.move("finish")
    faults = {name: fault for name, fault in context.bench.make_safe().items() if fault}
    machine.move("made_safe")
    ended = replace(ended, unsafe=faults)
    ended = _write_end(context, ended)
    machine.move("close")
    return ended


def _write_end(context: Context, ended: Ended) -> Ended:
    """The journal's last line; a journal that takes none leaves the run incomplete."""
    try:
        utc = context.clock.utc()
    except RigError:
        utc = WallClock().utc()
    ended = replace(ended, utc=utc)
    end: dict[str, Any] = {"complete": ended.complete, "last_step": ended.last_step, "utc": utc}
    if ended.fault is not None:
        end |= {"fault": str(ended.fault), "fault_kind": type(ended.fault).__name__}
    if ended.unsafe:
        end["not_safe"] = dict(ended.unsafe)
    try:
        context.journal.append("end", end)
    except RecordError as refused:
        return replace(ended, complete=False, fault=ended.fault or refused)
    return ended


# ---- a step taken once more ---------------------------------------------------------------------------------------


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
