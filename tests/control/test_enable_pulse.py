"""The pulse for the hardware's enable timer: it comes from the thread that would stop the rig, or not at all."""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "sequences"))
from fake_bench import FakeAxis, FakeGenerator, FakeInterlock, FakeWorld

from drivers.roles import InterlockState
from rig.control.clock import WallClock
from rig.control.guard import Guard
from rig.control.stop import StopToken
from rig.errors import Cancelled, NoReply


class Pulsing:
    """A guard on wall time with an enable output that notes the time of each pulse."""

    def __init__(self) -> None:
        world = FakeWorld()
        self.token = StopToken()
        self.interlock = FakeInterlock("interlock", world)
        self.at_s: list[float] = []
        self.alive = True
        self.guard = Guard(
            token=self.token,
            interlock=self.interlock,
            clock=WallClock(),
            generator=FakeGenerator("generator", world),
            axis=FakeAxis("axis", world),
            enable=lambda: self.at_s.append(time.monotonic()),
            getting_on=lambda: self.alive,
        )

    def stays_silent(self, s: float = 0.3) -> bool:
        """Whether no pulse comes within s, one that was under way apart."""
        time.sleep(0.1)
        before = len(self.at_s)
        time.sleep(s)
        return len(self.at_s) == before


@pytest.fixture
def pulsing() -> Iterator[Pulsing]:
    one = Pulsing()
    one.guard.start()
    yield one
    one.guard.close()
    one.token.close()


def test_ten_pulses_a_second_or_more(pulsing: Pulsing) -> None:
    """As long as all is well; never three missed, which is what the timer holds."""
    time.sleep(1.0)
    assert len(pulsing.at_s) >= 10
    assert max(b - a for a, b in zip(pulsing.at_s, pulsing.at_s[1:], strict=False)) < 0.4


def test_a_stop_ends_the_pulses_at_once(pulsing: Pulsing) -> None:
    """Whoever asked for it."""
    pulsing.token.set(Cancelled("enough.", code="cancelled"))
    assert pulsing.stays_silent()


def test_an_open_guard_and_a_silent_interlock_end_the_pulses(pulsing: Pulsing) -> None:
    """A pulse only follows an interlock that answered and let through; closing the guard brings none back."""
    pulsing.interlock.now = InterlockState(guard_closed=False, emergency_stop=False)
    assert pulsing.stays_silent()
    pulsing.interlock.now = InterlockState(guard_closed=True, emergency_stop=False)
    assert pulsing.stays_silent()


def test_a_main_thread_that_hangs_gets_no_pulses(pulsing: Pulsing) -> None:
    """The guard's thread alone must not keep the chain closed."""
    pulsing.alive = False
    assert pulsing.stays_silent()


def test_an_output_that_does_not_answer_is_a_stop(pulsing: Pulsing) -> None:
    """The interlock's box is gone, so the run is."""

    def silent() -> None:
        raise NoReply("no answer", instrument="interlock")

    pulsing.guard._enable = silent
    assert pulsing.token.wait(1.0)
    assert pulsing.token.reason is not None and pulsing.token.reason.code == "interlock-lost"
