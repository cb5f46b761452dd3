"""Arming: by hand, once, with the guard closed, and never beyond its end."""

import sys
from itertools import product
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "sequences"))
from fake_bench import FakeAxis, FakeGenerator, FakeInterlock, FakeWorld

from drivers.roles import InterlockState
from rig.control.arming.arming import TABLE, Arming, ArmingEvent, ArmingState, boot_id, since_boot_s
from rig.control.clock import WallClock
from rig.control.guard import Guard
from rig.control.guarded import GuardedAxis, GuardedGenerator
from rig.control.stop import StopToken
from rig.errors import SafetyStop, UsageError


class Machine:
    """A clock and a boot id that tests turn."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.boot = "first"

    def arming(self) -> Arming:
        return Arming(now_s=lambda: self.now_s, boot=lambda: self.boot)


def armed(machine: Machine, for_s: float = 60.0) -> Arming:
    one = machine.arming()
    one.arm(by="hand", for_s=for_s, guard_closed=True)
    return one


def test_only_a_hand_at_the_bench_leads_to_armed() -> None:
    """In the table and by the method: no other event arms, and an ended arming stays ended."""
    into = {pair for pair, after in TABLE.items() if after is ArmingState.ARMED and pair[0] is not ArmingState.ARMED}
    assert into == {(ArmingState.DISARMED, ArmingEvent.ARM)}
    assert all(TABLE.get((ArmingState.ENDED, event), ArmingState.ENDED) is ArmingState.ENDED for event in ArmingEvent)
    for state, event in product(ArmingState, ArmingEvent):
        if event is not ArmingEvent.ARM and state is not ArmingState.ARMED:
            assert TABLE.get((state, event)) is not ArmingState.ARMED
    with pytest.raises(SafetyStop, match="nothing but a hand"):
        Machine().arming().event(ArmingEvent.ARM)


def test_an_advance_from_elsewhere_starts_nothing() -> None:
    """A foot switch on a bench that is not armed leaves it so."""
    one = Machine().arming()
    assert one.event(ArmingEvent.ADVANCE) is ArmingState.DISARMED
    with pytest.raises(SafetyStop, match="not armed"):
        one.check()


@pytest.mark.parametrize("event", [ArmingEvent.STOP, ArmingEvent.OPEN])
def test_a_stop_or_an_opened_guard_ends_it(event: ArmingEvent) -> None:
    """For good: it can't be armed again."""
    one = armed(Machine())
    one.check()
    one.event(event)
    with pytest.raises(SafetyStop, match=event.value):
        one.check()
    with pytest.raises(SafetyStop):
        one.arm(by="hand", for_s=60.0, guard_closed=True)


def test_it_ends_at_its_stated_end() -> None:
    """To the second, on a clock that only grows."""
    machine = Machine()
    one = armed(machine, 60.0)
    machine.now_s += 59.9
    one.check()
    assert one.left_s == pytest.approx(0.1)
    machine.now_s += 0.2
    with pytest.raises(SafetyStop, match="stated end"):
        one.check()
    machine.now_s -= 30.0
    assert one.state is ArmingState.ENDED


def test_a_reboot_ends_it() -> None:
    """Another start of the machine has another id; its clock starts anew and would say that there is time left."""
    machine = Machine()
    one = armed(machine)
    machine.boot, machine.now_s = "second", 1.0
    with pytest.raises(SafetyStop, match="rebooted"):
        one.check()


def test_an_open_guard_or_an_endless_time_is_refused() -> None:
    """Armed after guard-closed, for a day at most."""
    with pytest.raises(SafetyStop, match="guard"):
        Machine().arming().arm(by="hand", for_s=60.0, guard_closed=False)
    with pytest.raises(UsageError):
        Machine().arming().arm(by="hand", for_s=25 * 3600.0, guard_closed=True)


def test_this_machine_has_a_clock_and_a_boot_id() -> None:
    """The same id each time; a clock that grows."""
    first = since_boot_s()
    assert boot_id() == boot_id()
    assert since_boot_s() >= first > 0


def test_nothing_starts_on_a_bench_that_is_not_armed() -> None:
    """Neither output nor hold, move or index; switching off and halting always pass."""
    world, token, machine = FakeWorld(), StopToken(), Machine()
    bare, motor, clock = FakeGenerator("generator", world), FakeAxis("axis", world), WallClock()
    guard = Guard(
        token=token,
        interlock=FakeInterlock("interlock", world),
        clock=clock,
        generator=bare,
        axis=motor,
        arming=machine.arming(),
    )
    generator, axis = GuardedGenerator(bare, guard, clock, 1.0), GuardedAxis(motor, guard)
    for start in (lambda: generator.output(True), axis.hold, axis.index, lambda: axis.move_to(10)):
        with pytest.raises(SafetyStop, match="not armed"):
            start()
    assert not any(call[:2] in (("axis", "move_to"), ("axis", "index"), ("axis", "hold")) for call in world.calls)
    generator.output(False)
    axis.halt()
    guard.arming = armed(machine)
    axis.hold()
    token.close()


def test_an_arming_that_ends_in_a_run_stops_the_run() -> None:
    """By the guard's thread, within a poll or two; an opened guard ends the arming too."""
    for opens in (False, True):
        world, token, machine = FakeWorld(), StopToken(), Machine()
        one, interlock = armed(machine), FakeInterlock("interlock", world)
        generator = FakeGenerator("generator", world)
        guard = Guard(token=token, interlock=interlock, clock=WallClock(), generator=generator, axis=None, arming=one)
        guard.start()
        if opens:
            interlock.now = InterlockState(guard_closed=False, emergency_stop=False)
        else:
            machine.now_s += 100.0
        assert token.wait(1.0)
        guard.close()
        assert token.reason is not None and token.reason.code == ("guard-open" if opens else "arming-ended")
        assert one.state is ArmingState.ENDED
        token.close()
