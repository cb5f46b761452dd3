"""The guard and the stop token: latched, quick, and without waiting for the main thread."""

import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "sequences"))
from fake_bench import FakeAxis, FakeGenerator, FakeInterlock, FakeWorld

from drivers.roles import InterlockState
from rig.control.clock import WallClock
from rig.control.guard import Ceilings, Guard
from rig.control.stop import StopToken, in_parallel, safe_state, stop_on_signals
from rig.control.watchdog import SILENCE_S, STARVED_S, Waiting
from rig.errors import Cancelled, LinkDown, NoReply, SafetyStop


class Watched:
    """A guard on wall time over fakes."""

    def __init__(self) -> None:
        self.world = FakeWorld()
        self.token = StopToken()
        self.generator = FakeGenerator("generator", self.world)
        self.axis = FakeAxis("axis", self.world)
        self.interlock = FakeInterlock("interlock", self.world)
        self.clock = WallClock()
        self.guard = Guard(
            token=self.token,
            interlock=self.interlock,
            clock=self.clock,
            generator=self.generator,
            axis=self.axis,
        )
        self.guard.ceilings = Ceilings(v_rms=8.0, a_rms=0.15)

    def wait_for(self, *call: object, s: float = 1.0) -> float:
        """Seconds until a call was made."""
        begun = time.monotonic()
        while call not in self.world.calls:
            assert time.monotonic() - begun < s, f"{call} was not made within {s} s"
            time.sleep(0.005)
        return time.monotonic() - begun


@pytest.fixture
def watched():  # type: ignore[no-untyped-def]
    one = Watched()
    yield one
    one.guard.close()
    one.token.close()


@pytest.mark.parametrize(
    ("state", "code"),
    [
        (InterlockState(guard_closed=False, emergency_stop=False), "guard-open"),
        (InterlockState(guard_closed=True, emergency_stop=True), "emergency-stop"),
    ],
)
def test_an_opened_guard_or_a_pressed_stop_takes_generator_and_axis_down(
    watched: Watched, state: InterlockState, code: str
) -> None:
    """Within a second, while the main thread does nothing at all."""
    watched.guard.start()
    watched.generator.on = True
    watched.interlock.now = state
    assert watched.wait_for("generator", "output", False) < 1.0
    watched.wait_for("axis", "halt")
    assert watched.token.reason is not None and watched.token.reason.code == code


def test_a_stop_is_latched(watched: Watched) -> None:
    """Closing the guard again lets nothing move in this run."""
    watched.interlock.now = InterlockState(guard_closed=False, emergency_stop=False)
    watched.guard.start()
    watched.interlock.now = InterlockState(guard_closed=True, emergency_stop=False)
    with pytest.raises(SafetyStop), watched.guard.permit():
        pytest.fail("nothing may be energised")


def test_an_interlock_that_does_not_answer_is_an_open_one(watched: Watched) -> None:
    """Its silence stops the run and the cause is kept."""

    def silent() -> InterlockState:
        raise NoReply("no answer", instrument="interlock")

    watched.interlock.state = silent  # type: ignore[method-assign]
    watched.guard.start()
    reason = watched.token.reason
    assert reason is not None and reason.code == "interlock-lost" and isinstance(reason.__cause__, NoReply)


def test_an_excitation_that_nobody_measures_goes_off(watched: Watched) -> None:
    """200 ms after switching on, give or take a poll."""
    watched.guard.start()
    watched.guard.switched_on(watched.clock.now_s())
    assert 0.15 < watched.wait_for("generator", "output", False) < 0.6
    assert watched.token.reason is not None and watched.token.reason.code == "unmeasured"


def test_an_excitation_has_a_longest_time(watched: Watched) -> None:
    """Measured or not."""
    watched.guard.ceilings = Ceilings(v_rms=8.0, a_rms=0.15, on_s=0.1)
    watched.guard.start()
    watched.guard.switched_on(watched.clock.now_s())
    watched.guard.check_measured(7.0, 0.07)
    watched.wait_for("generator", "output", False)
    assert watched.token.reason is not None and watched.token.reason.code == "on-time"


def test_a_hanging_generator_does_not_keep_the_axis_turning(watched: Watched) -> None:
    """Each on its own link; whoever is not back in time is named."""
    released = threading.Event()
    watched.generator.output = lambda _: released.wait(5.0) and None  # type: ignore[method-assign]
    begun = time.monotonic()
    outcome = watched.guard.take_down()
    assert time.monotonic() - begun < 1.3
    assert outcome["axis"] == "" and "not done" in outcome["generator"]
    released.set()


def test_the_safe_state_tries_a_fresh_link_once_and_names_what_failed() -> None:
    """A dirty link is closed and opened; a dead one is told."""
    world = FakeWorld()
    dirty, dead = FakeAxis("axis", world), FakeGenerator("generator", world)
    tries = []

    def once() -> None:
        tries.append(1)
        if len(tries) == 1:
            raise NoReply("late", instrument="axis")

    def never() -> None:
        raise LinkDown("unplugged", instrument="generator")

    dirty.safe_state = once  # type: ignore[method-assign]
    dead.safe_state = never  # type: ignore[method-assign]
    outcome = safe_state((dead, dirty), ())
    assert outcome["axis"] == "" and len(tries) == 2 and ("axis", "open") in world.calls
    assert "unplugged" in outcome["generator"]


def test_in_parallel_is_as_long_as_the_longest() -> None:
    """Three times 0.2 s is 0.2 s."""
    begun = time.monotonic()
    assert in_parallel({str(n): lambda: time.sleep(0.2) for n in range(3)}, 2.0) == {"0": "", "1": "", "2": ""}
    assert time.monotonic() - begun < 0.5


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signals_set_the_token_and_do_not_break_into_the_program(number: int) -> None:
    """The handler only latches; the old handlers come back."""
    token = StopToken()
    before = signal.getsignal(number)
    with stop_on_signals(token):
        os.kill(os.getpid(), number)
        assert token.wait(1.0)
        with pytest.raises(Cancelled):
            token.check()
    assert signal.getsignal(number) == before
    token.close()


@pytest.mark.skipif(not Path("/proc/self/schedstat").exists(), reason="the kernel does not tell who waits")
def test_a_controller_that_waits_for_a_processor_is_excused_and_a_stopped_one_is_not() -> None:
    """One that gets a small share of one processor, and one that sleeps; never for longer than two seconds."""
    one_cpu = "import os; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})"
    busy = f"{one_cpu}\nos.nice(int(os.sys.argv[1]))\nwhile True: pass"
    with ExitStack() as stack:
        started = [
            subprocess.Popen([sys.executable, "-c", script, *words])
            for script, words in ((busy, ["19"]), (busy, ["0"]), (busy, ["0"]), ("import time; time.sleep(60)", []))
        ]
        for process in started:
            stack.callback(process.wait)
            stack.callback(process.kill)
        time.sleep(0.5)
        starved, asleep = Waiting(started[0].pid), Waiting(started[-1].pid)
        time.sleep(SILENCE_S)
        assert starved.excuses() and not asleep.excuses()
        time.sleep(STARVED_S - SILENCE_S + 0.1)
        assert not starved.excuses()


def test_the_first_reason_stays() -> None:
    """What came first explains what followed."""
    token = StopToken()
    first = SafetyStop("first")
    token.set(first)
    token.set(SafetyStop("second"))
    assert token.reason is first
    token.close()


def test_the_polling_thread_takes_its_clock_after_the_first_poll(watched: Watched) -> None:
    """A clock that nobody waits on would hold a simulated bench still while the first answer is due in bench time."""
    order: list[str] = []
    another, state = watched.clock.another, watched.interlock.state
    watched.clock.another = lambda: (order.append("clock"), another())[1]  # type: ignore[method-assign]
    watched.interlock.state = lambda: (order.append("poll"), state())[1]  # type: ignore[method-assign]
    watched.guard.start()
    assert order[:2] == ["poll", "clock"]
