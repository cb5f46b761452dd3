"""What a repeat needs put back, and the index sought between the passes: order of commands, count of steps, phases."""

from typing import Any

import pytest
from fake_bench import FakeWorld, context

from rig.control.sequencer import StepSequence, run_sequence
from rig.control.step import Context
from rig.errors import NoReply, PositionLost
from sequences import blocks as b
from sequences.registry import find_sequence
from sequences.steps import excitation, sweep
from sequences.witness import SEQUENCES as WITNESSES


class Driven:
    """A part under excitation, its axis indexed; the fake axis is within reach."""

    def __init__(self) -> None:
        self.world = FakeWorld()
        self.ctx: Context = context(self.world)
        assert self.ctx.bench.axis is not None
        self.axis: Any = self.ctx.bench.axis._inner
        excitation.excite(self.ctx)
        sweep.index_first(self.ctx)

    def moves(self) -> list[int]:
        return [what[0] for _, word, *what in self.world.words("axis") if word == "move"]

    def found_next(self, steps: int, *, known: bool = True) -> None:
        """What the axis says at the next search."""

        def index() -> int:
            self.axis.at, self.axis.position_known = 0, True
            self.axis.note("index")
            return steps

        self.axis.position_known = known
        self.axis.index = index


@pytest.mark.parametrize("off", [0, 1, -1, 64])
def test_the_second_pass_goes_where_the_first_one_went_whatever_the_index_between_said(off: int) -> None:
    """No step of repeatability comes between the passes; what they state is counted from the first index."""
    driven = Driven()
    sweep.sweep_ccw(driven.ctx)
    driven.found_next(off)
    sweep.index_between(driven.ctx)
    before = len(driven.moves())
    sweep.sweep_cw(driven.ctx)
    gone = driven.moves()[before:]
    zero_now = 3200 + off  # of the axis, counted from the first index
    assert [at + zero_now for at in gone][2:] == [3200 - 10 * i for i in range(321)]
    assert [at + zero_now for at in gone[:2]] == [3240, 3210]
    stated = [r.conditions["position_steps"] for r in driven.ctx.select("sweep_cw")]
    assert stated == [3200 - 10 * i for i in range(321)]
    (between,) = driven.ctx.select("index_found", phase="between")
    assert between.value == off


def test_a_search_after_the_position_was_lost_is_no_witness_for_the_sweep_before_it() -> None:
    """It is a first one again, and positions count from there."""
    driven = Driven()
    sweep.sweep_ccw(driven.ctx)
    driven.found_next(0, known=False)
    sweep.index_again(driven.ctx)
    assert not driven.ctx.select("index_found", phase="again")
    assert len(driven.ctx.select("index_found", phase="first")) == 2


def _losing(driven: Driven, at_capture: int, fault: Exception) -> None:
    """The sampler's n-th record from now does not come."""
    sampler: Any = driven.ctx.bench.sampler
    fetch, count = sampler.fetch, 0

    def fails_once() -> Any:
        nonlocal count
        count += 1
        if count == at_capture:
            if isinstance(fault, PositionLost):
                driven.axis.position_known = False
            raise fault
        return fetch()

    sampler.fetch = fails_once


@pytest.mark.parametrize(
    ("fault", "phase"), [(NoReply("no record", instrument="sampler"), "again"), (PositionLost("reset"), "first")]
)
def test_a_sweep_that_lost_an_instrument_is_whole_after_its_repeat(fault: Exception, phase: str) -> None:
    """Output off, relays open, index, part connected, in stages up to the level that stood; all points anew."""
    driven = Driven()
    level_v = driven.world.generator.v
    _losing(driven, 20, fault)
    driven.found_next(0)
    driven.world.calls.clear()
    ended = run_sequence(StepSequence(name="s", title="s", steps=(b.SWEEP_CCW,)), driven.ctx)
    assert ended.complete, ended.fault
    assert len(driven.ctx.select("sweep_ccw")) == 321
    assert [r.conditions["phase"] for r in driven.ctx.select("index_found")] == ["first", phase]
    words = [f"{name} {' '.join(map(str, what))}" for name, *what in driven.world.calls]
    off, on = words.index("generator output False"), words.index("generator output True")
    assert off < words.index("switch open_all") < words.index("axis index") < on
    levels = [what[0] for name, word, *what in driven.world.calls if (name, word) == ("generator", "level")]
    assert levels == pytest.approx([level_v * stage / 5 for stage in (2, 3, 4, 5)])


def test_without_a_level_that_stood_the_output_stays_off() -> None:
    """An index sought before any excitation is repeated as it was: without."""
    world = FakeWorld()
    ctx = context(world)
    excitation.at_level_again(ctx)
    assert ("generator", "output", True) not in world.calls
    assert not world.switch.closed


UNREPEATED = {
    "rotor",  # no instrument
    "manual",
    "rotor_mark",
    "pulses",
    "hand_turned",  # hands turned it
    "hand",
    "probe",
}


@pytest.mark.parametrize("name", ["full_test", "quick_screen", "continuous_sweep", "pins", "remount", "check_standard"])
def test_every_step_that_uses_an_instrument_says_what_a_repeat_needs(name: str) -> None:
    """A run that loses an instrument for a moment repeats the step; only hands and words are not asked again."""
    steps = find_sequence(name).steps
    assert len(steps) > 5
    assert [step.name for step in steps if step.restore is None and step.name not in UNREPEATED] == []


@pytest.mark.parametrize("kind", sorted(WITNESSES))
def test_a_witness_is_repeated_too(kind: str) -> None:
    assert [step.name for step in WITNESSES[kind].steps if step.restore is None and step.name not in UNREPEATED] == []
