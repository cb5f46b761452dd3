"""The sequencer's table and its ways out: every one is safe, journalled and told."""

import sys
import threading
from itertools import product
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "sequences"))
from fake_bench import FakeWorld, ListJournal, context

from rig.control.sequencer import TABLE, Machine, Step, StepSequence, run_sequence
from rig.control.step import Context
from rig.errors import Cancelled, NoReply, RecordError, SafetyStop, UsageError
from rig.result import Reason

HERE = {
    "ready": (),
    "running": ("start",),
    "held": ("start", "hold"),
    "stopping": ("start", "finish"),
    "safe": ("start", "finish", "made_safe"),
    "done": ("start", "finish", "made_safe", "close"),
}


def _sequence(*steps: Step) -> StepSequence:
    return StepSequence(name="test", title="test", steps=steps)


def _end(ctx: Context) -> dict[str, object]:
    journal = ctx.journal
    assert isinstance(journal, ListJournal)
    kind, data = journal.lines[-1]
    assert kind == "end"
    return data


STATES = ("ready", "running", "held", "stopping", "safe", "done")
EVENTS = ("start", "hold", "resume", "finish", "stop", "made_safe", "close")


@pytest.mark.parametrize(("state", "event"), list(product(STATES, EVENTS)))
def test_a_move_is_in_the_table_or_raises_and_changes_nothing(state: str, event: str) -> None:
    """Every state with every event."""
    machine = Machine()
    for before in HERE[state]:
        machine.move(before)
    assert machine.state == state
    if (state, event) in TABLE:
        assert machine.move(event) == machine.state == TABLE[state, event]
    else:
        with pytest.raises(UsageError):
            machine.move(event)
        assert machine.state == state


def test_every_way_to_done_leads_through_stopping_and_safe() -> None:
    """No state but safe reaches done, none but stopping reaches safe."""
    assert {s for (s, _), after in TABLE.items() if after == "done"} == {"safe"}
    assert {s for (s, _), after in TABLE.items() if after == "safe"} == {"stopping"}


def test_a_run_takes_its_steps_in_order_leaves_out_what_does_not_apply_and_ends_complete() -> None:
    """The journal says what was left out."""
    taken: list[str] = []
    machine = Machine()
    ctx = context(FakeWorld())
    ended = run_sequence(
        _sequence(
            Step(name="a", title="A", do=lambda _: taken.append("a")),
            Step(name="b", title="B", do=lambda _: taken.append("b"), when=lambda _: False),
            Step(name="c", title="C", do=lambda _: taken.append("c")),
        ),
        ctx,
        machine,
    )
    assert taken == ["a", "c"] and ended.complete and ended.exit_status == 0
    assert machine.state == "done"
    assert _end(ctx)["complete"] is True
    assert any(data.get("left_out") == "b" for kind, data in ctx.journal.lines if kind == "event")  # type: ignore[attr-defined]


def test_a_gate_with_reasons_ends_the_run_early_and_nothing_later_is_taken() -> None:
    """The readings stay for the judge."""
    reason = Reason(code="live-circuit", text="", evidence="", next="")
    ctx = context(FakeWorld())

    def later(_: Context) -> None:
        raise NoReply("must not be reached")

    ended = run_sequence(
        _sequence(
            Step(name="a", title="A", do=lambda _: None, gate=lambda _: [reason]), Step(name="b", title="B", do=later)
        ),
        ctx,
    )
    assert ended.complete and ended.reasons == (reason,) and ended.last_step == "a"


@pytest.mark.parametrize(
    ("fault", "status"),
    [(NoReply("no answer", instrument="meter"), 4), (SafetyStop("stop"), 4), (Cancelled("asked"), 5)],
)
def test_a_fault_in_a_step_is_returned_with_everything_safe(fault: Exception, status: int) -> None:
    """Incomplete, with the exit status of its kind."""
    world = FakeWorld()
    world.generator.on = True
    ctx = context(world)

    def fails(_: Context) -> None:
        raise fault

    ended = run_sequence(_sequence(Step(name="a", title="A", do=fails)), ctx)
    assert (ended.complete, ended.exit_status, ended.fault) == (False, status, fault)
    assert not world.generator.on
    assert _end(ctx)["complete"] is False


def test_a_fault_of_the_program_is_raised_once_all_is_safe() -> None:
    """A bug is not a bench error, but the output still goes off and the journal still ends."""
    world = FakeWorld()
    world.generator.on = True
    ctx = context(world)

    def bug(_: Context) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run_sequence(_sequence(Step(name="a", title="A", do=bug)), ctx)
    assert not world.generator.on
    assert _end(ctx)["complete"] is False


def test_what_stopped_the_run_is_told_and_not_what_broke_because_of_it() -> None:
    """An axis halted by the guard raises in the step; the reason is the guard's."""
    ctx = context(FakeWorld())
    stop = SafetyStop("the guard is open.", code="guard-open")

    def halted(c: Context) -> None:
        c.bench.token.set(stop)
        raise NoReply("motion ended", instrument="axis")

    assert run_sequence(_sequence(Step(name="a", title="A", do=halted)), ctx).fault is stop


def test_a_run_stopped_before_it_began_takes_no_step() -> None:
    """A guard open at the start: nothing moves, exit status 4."""
    ctx = context(FakeWorld())
    ctx.bench.token.set(SafetyStop("the guard is open.", code="guard-open"))
    taken: list[str] = []
    ended = run_sequence(_sequence(Step(name="a", title="A", do=lambda _: taken.append("a"))), ctx)
    assert not taken and not ended.complete and ended.exit_status == 4


def test_a_reading_is_in_the_journal_before_the_stop_that_follows_it() -> None:
    """Nothing that was read is lost to a stop."""
    ctx = context(FakeWorld())
    ctx.bench.token.set(Cancelled("asked"))
    with pytest.raises(Cancelled):
        ctx.read("lead_zero", 0.1, "ohm", "multimeter", wires=2)
    assert [kind for kind, _ in ctx.journal.lines] == ["reading"]  # type: ignore[attr-defined]


def test_a_full_disk_ends_the_run_safe_incomplete_and_told() -> None:
    """Neither the reading nor the end line can be written; the output is off all the same."""
    world = FakeWorld()
    ctx = context(world)

    def refuses(kind: str, data: object) -> None:
        raise RecordError("journal.jsonl: no space left.", next_action="Make room.")

    def reads(c: Context) -> None:
        world.generator.on = True
        ctx.journal.append = refuses  # type: ignore[method-assign]
        c.read("lead_zero", 0.1, "ohm", "multimeter", wires=2)

    ended = run_sequence(_sequence(Step(name="a", title="A", do=reads)), ctx)
    assert not ended.complete and isinstance(ended.fault, RecordError) and ended.exit_status == 2
    assert not world.generator.on


def test_a_hold_waits_between_steps_and_a_resume_goes_on() -> None:
    """Nothing is taken while held."""
    machine = Machine()
    taken: list[str] = []
    ctx = context(FakeWorld())

    def first(_: Context) -> None:
        machine.move("hold")
        threading.Timer(0.3, lambda: (taken.append("resumed"), machine.move("resume"))).start()

    run_sequence(
        _sequence(Step(name="a", title="A", do=first), Step(name="b", title="B", do=lambda _: taken.append("b"))),
        ctx,
        machine,
    )
    assert taken == ["resumed", "b"] and machine.state == "done"
