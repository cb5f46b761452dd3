"""A step that lost an instrument is taken once more: when, after what, and what the journal says of it."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "sequences"))
from fake_bench import FakeWorld, ListJournal, context

from rig.control.sequencer import Step, StepSequence, run_sequence
from rig.control.step import Context
from rig.errors import (
    BadReply,
    BenchError,
    InstrumentRefused,
    LinkDown,
    NoReply,
    PositionLost,
    RigError,
    SafetyStop,
)


def _failing(*faults: RigError | None, then: Callable[[Context], None] = lambda _: None) -> Callable[[Context], None]:
    """A step that takes one reading and fails as told, one fault an attempt; None: it goes well."""
    left = list(faults)

    def do(ctx: Context) -> None:
        ctx.read("lead_zero", float(len(left)), "ohm", "multimeter", wires=2)
        fault = left.pop(0)
        if fault is not None:
            raise fault
        then(ctx)

    return do


def _events(ctx: Context, name: str) -> list[dict[str, Any]]:
    assert isinstance(ctx.journal, ListJournal)
    return [data for kind, data in ctx.journal.lines if kind == "event" and data["name"] == name]


def _one(do: Callable[[Context], None], restore: Callable[[Context], None] | None) -> StepSequence:
    return StepSequence(name="test", title="test", steps=(Step(name="a", title="A", do=do, restore=restore),))


@pytest.mark.parametrize("kind", [NoReply, BadReply, LinkDown, PositionLost])
def test_after_a_fault_of_the_wire_a_step_is_taken_once_more_and_the_run_is_complete(kind: type[BenchError]) -> None:
    """Only the last attempt's reading counts for what comes after; the journal names the lines of the first."""
    world = FakeWorld()
    ctx = context(world)
    restored: list[bool] = []
    world.generator.on = True
    do = _failing(kind("gone", instrument="sampler"), None)
    ended = run_sequence(_one(do, lambda _: restored.append(world.generator.on)), ctx)
    assert ended.complete and ended.fault is None
    assert restored == [False], "restored once, with the output off"
    assert [r.value for r in ctx.readings] == [1.0]
    (told,) = _events(ctx, "step repeated")
    assert told["step"] == "a" and "gone" in told["why"] and told["fault_kind"] == kind.__name__
    lines = ctx.journal.lines  # type: ignore[attr-defined]
    first, last = told["from_line"], told["to_line"]
    assert [(k, d.get("value")) for k, d in lines[first - 1 : last]] == [("reading", 2.0)]


@pytest.mark.parametrize("tries", [2, 3, 4])
def test_an_instrument_that_takes_its_time_to_come_back_is_waited_for(tries: int) -> None:
    """Two failed tries are borne, each begun with the output off; after the third the run ends with the last fault."""
    world = FakeWorld()
    ctx = context(world)
    left = [NoReply(f"not yet {n}") for n in range(1, tries)]
    seen_on: list[bool] = []

    def restore(_: Context) -> None:
        seen_on.append(world.generator.on)
        world.generator.on = True
        if left:
            raise left.pop(0)

    ended = run_sequence(_one(_failing(NoReply("gone"), None), restore), ctx)
    assert seen_on == [False] * min(tries, 3)
    assert ended.complete is (tries < 4)
    if tries == 4:
        assert "not yet 3" in str(ended.fault) and not _events(ctx, "step repeated")
    assert not world.generator.on


def test_a_generator_that_cannot_be_switched_off_ends_the_run_at_once() -> None:
    """Nothing is waited for with an output that may be on."""
    world = FakeWorld()
    ctx = context(world)
    down = LinkDown("unplugged", instrument="generator")

    def unplugged(on: bool) -> None:
        raise down

    def lost(_: Context) -> None:
        world.generator.output = unplugged  # type: ignore[method-assign]
        raise NoReply("gone")

    ctx.bench.make_safe = lambda: {"generator": "unplugged"}  # type: ignore[method-assign]
    ended = run_sequence(_one(lost, lambda _: None), ctx)
    assert ended.fault is down and world.clock.t_s == 0.0


def test_a_second_fault_ends_the_run_incomplete() -> None:
    """Once more, and not again."""
    second = NoReply("again", instrument="sampler")
    ctx = context(FakeWorld())
    ended = run_sequence(_one(_failing(NoReply("one"), second, None), lambda _: None), ctx)
    assert not ended.complete and ended.fault is second


@pytest.mark.parametrize("fault", [InstrumentRefused("no"), SafetyStop("stop"), BenchError("broken")])
def test_other_faults_are_not_repeated(fault: RigError) -> None:
    """A refusal, a stop and a broken instrument end the run as they did."""
    ctx = context(FakeWorld())
    ended = run_sequence(_one(_failing(fault, None), lambda _: None), ctx)
    assert ended.fault is fault and not _events(ctx, "step repeated")


def test_a_step_that_does_not_say_what_to_restore_is_not_repeated() -> None:
    """Hands, guided steps and steps of other sequences stay as they are."""
    fault = NoReply("gone")
    ctx = context(FakeWorld())
    assert run_sequence(_one(_failing(fault, None), None), ctx).fault is fault


@pytest.mark.parametrize("late", [False, True])
def test_nothing_is_repeated_after_a_stop(late: bool) -> None:
    """Neither when it was latched before the fault, nor when the guard sees it only while the bench is made quiet."""
    world = FakeWorld()
    ctx = context(world)
    stop = SafetyStop("the emergency stop is pressed.", code="emergency-stop")
    restored: list[int] = []

    def pressed(s: float) -> float:
        ctx.bench.token.set(stop)
        return s

    def lost(c: Context) -> None:
        if late:
            world.clock.sleep = pressed  # type: ignore[method-assign]
        else:
            c.bench.token.set(stop)
        raise PositionLost("it was halted", instrument="axis")

    ended = run_sequence(_one(lost, lambda _: restored.append(1)), ctx)
    assert ended.fault is stop and not restored


def test_an_axis_that_does_not_know_its_place_is_halted_before_anything_is_restored() -> None:
    """It may still be on its way, and relays may not switch then."""
    world = FakeWorld()
    ctx = context(world)
    axis = ctx.bench.axis
    assert axis is not None

    def moves_and_is_lost(c: Context) -> None:
        axis.move_to(100)
        axis._inner.position_known = False  # type: ignore[misc]
        raise PositionLost("it has been reset", instrument="axis")

    run_sequence(_one(moves_and_is_lost, lambda _: ctx.bench.switch.open_all()), ctx)
    words = [word for _, word, *_ in world.words("axis", "switch")]
    assert words[:4] == ["move", "stopped", "halt", "open_all"]


def test_what_a_driver_said_twice_is_told_once_a_step() -> None:
    """How often and why first; only what is new in this step."""
    world = FakeWorld()
    world.retries.append("old")
    ctx = context(world)
    run_sequence(_one(_failing(None, then=lambda _: world.retries.extend(["no answer", "short"])), None), ctx)
    (told,) = _events(ctx, "said again")
    assert (told["instrument"], told["times"], told["why"]) == ("multimeter", 2, "no answer")
