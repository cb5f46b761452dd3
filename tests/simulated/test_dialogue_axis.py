"""The axis controller's words, held to grbl 1.1's interface.md and commands.md."""

import re

import pytest
from dialogue_bench import Hand, PlainWorld, silent

from drivers.simulated.instruments.grbl.axis import GrblAxis
from drivers.simulated.wires.faults import Gate
from drivers.simulated.world.safety_chain import SafetyChain
from drivers.simulated.worldfile.wire_fault import WireFault

BANNER = [b"\r\nGrbl 1.1h ['$' for help]\r\n"]
LOCKED = [b"[MSG:'$H'|'$X' to unlock]\r\n"]
OK = [b"ok\r\n"]


@pytest.fixture
def world() -> PlainWorld:
    return PlainWorld()


@pytest.fixture
def chain(world: PlainWorld) -> SafetyChain:
    return SafetyChain(world, silent)


@pytest.fixture
def axis(chain: SafetyChain) -> Hand:
    hand = Hand(GrblAxis(chain, Gate(), steps_per_turn=3200))
    assert hand.wait(0.0) == BANNER + LOCKED
    return hand


@pytest.fixture
def idle(axis: Hand) -> Hand:
    axis.say("$X")
    return axis


def status(hand: Hand) -> str:
    (report,) = hand.say(b"?") + hand.wait(0.005)
    assert report.endswith(b"\r\n")
    return report.decode().strip()


def state(hand: Hand) -> str:
    return status(hand)[1:].split("|")[0]


def position(hand: Hand) -> float:
    found = re.search(r"MPos:(-?\d+\.\d{3}),0\.000,0\.000", status(hand))
    assert found
    return float(found[1])


def test_it_is_locked_until_homed_or_unlocked(axis: Hand) -> None:
    """Homing is enabled: error:9 for any motion, settings can be read."""
    assert axis.say("G0 X1") == [b"error:9\r\n"]
    assert state(axis) == "Alarm"
    assert axis.say("$X") == [b"[MSG:Caution: Unlocked]\r\nok\r\n"]
    assert axis.say("G0 X1") == OK


def test_one_reply_a_line_and_none_for_real_time_bytes(idle: Hand) -> None:
    """An empty line costs an ok, CR LF is one end, `?` with a newline is a report and an ok."""
    assert idle.say(b"\n") == OK
    assert idle.say(b"G21\r\n") == OK
    assert idle.say(b"?\n") == OK
    (report,) = idle.wait(0.01)
    assert report.startswith(b"<Idle|MPos:0.000,0.000,0.000|FS:0,0")


def test_a_second_question_mark_is_ignored_while_one_is_pending(idle: Hand) -> None:
    """A thousand `?` at once give one report."""
    idle.say(b"?" * 1000)
    assert len(idle.wait(0.1)) == 1


def test_ok_of_a_move_comes_at_once_and_ok_of_a_dwell_after_the_motion(idle: Hand) -> None:
    """G1 is planned, G4 waits for the planner to be empty and then for its own time."""
    assert idle.say("G90 G21 G1 X90 F21600") == OK
    assert state(idle) == "Run"
    assert idle.say("G4 P0.5") == []
    assert idle.session.is_waiting()
    assert idle.wait(0.42 + 0.49 - 0.005) == []
    assert idle.wait(0.03) == OK
    assert state(idle) == "Idle"
    assert position(idle) == 90.0


def test_a_move_takes_the_time_of_its_trapezoid(idle: Hand, world: PlainWorld) -> None:
    """90 degrees at 360 deg/s and 2000 deg/s2: 90/360 + 360/2000 = 0.43 s."""
    idle.say("G1 X90 F21600")
    assert world.move.end_s - world.move.start_s == pytest.approx(0.43, rel=1e-3)
    assert world.orders[-1] == ("move", 800.0)


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("G1 X1", 22),
        ("G2 X1 Y1 I1 F100", 20),
        ("G0 X", 2),
        ("123", 1),
        ("G0 G1 X1 F1", 21),
        ("G0 X1 X2", 25),
        ("G1.5 X1", 20),
        ("G4", 28),
        ("G92", 26),
        ("G0 X1 P2", 36),
        ("$77=1", 3),
        ("$100=abc", 2),
        ("$100=-1", 4),
        ("$J=X10", 22),
        ("$J=G0 X10 F100", 16),
        ("G0 X1" + " " * 80, 11),
    ],
)
def test_a_bad_line_gets_its_error_number_and_moves_nothing(
    idle: Hand, world: PlainWorld, line: str, code: int
) -> None:
    """error:N as in grbl's table, in place of the ok."""
    assert idle.say(line) == [f"error:{code}\r\n".encode()]
    assert not any(order[0] == "move" for order in world.orders)


def test_soft_limits_need_homing(idle: Hand) -> None:
    """$20=1 with $22=0 is error:10."""
    assert idle.say("$22=0") == OK
    assert idle.say("$20=1") == [b"error:10\r\n"]
    assert idle.say("$H") == [b"error:5\r\n"]


def test_settings_are_told_and_kept(idle: Hand) -> None:
    """$$ lists them, $n=v writes one; not while it moves (error:8)."""
    (listed,) = idle.say("$$")
    assert b"$100=8.889\r\n" in listed and listed.endswith(b"ok\r\n")
    assert idle.say("$120=1500.000") == OK
    assert b"$120=1500.000\r\n" in idle.say("$$")[0]
    idle.say("G1 X90 F100")
    assert idle.say("$120=1000") == [b"error:8\r\n"]


def test_relative_and_absolute_positions_and_offsets(idle: Hand) -> None:
    """G91 adds up, G92 shifts the work frame, G53 speaks of the machine, reset forgets G91 and G92."""
    for line in ("G91 G0 X10", "X10", "G90", "G92 X0"):
        assert idle.say(line) == OK
    idle.wait(2.0)
    assert position(idle) == pytest.approx(20.0, abs=0.06)
    idle.say("G0 X5")
    idle.wait(2.0)
    assert position(idle) == pytest.approx(25.0, abs=0.06)
    idle.say("G53 G0 X1")
    idle.wait(2.0)
    assert position(idle) == pytest.approx(1.0, abs=0.06)
    idle.say("G91")
    idle.say(b"\x18")
    assert b"G90" in idle.say("$G")[0]
    assert b"[G92:0.000" in idle.say("$#")[0]


def test_many_relative_moves_do_not_drift(idle: Hand) -> None:
    """Positions are added up in degrees and rounded to steps once: 360 moves of a degree are a turn."""
    for _ in range(360):
        assert idle.ask("G91 G0 X1") == "ok"
    assert idle.ask("G4 P0") == "ok"
    assert position(idle) == 360.0


def test_a_full_planner_holds_the_ok(idle: Hand) -> None:
    """Fifteen blocks fit, the one under way among them; the next ok comes when it has ended."""
    replies = []
    for i in range(20):
        replies += idle.say(f"G0 X{10 * (i + 1)}")
    assert len(replies) == 15
    assert idle.wait(20.0) == OK * 5
    assert position(idle) == pytest.approx(200.0, abs=0.06)


def test_a_reset_in_motion_is_alarm_3_and_locks(idle: Hand, world: PlainWorld) -> None:
    """The steps stop at once, the banner comes, the position is not to be relied on."""
    idle.say("G1 X90 F21600")
    idle.wait(0.2)
    assert idle.say(b"\x18") == [b"ALARM:3\r\n", *BANNER, *LOCKED]
    assert ("halt",) in world.orders
    assert state(idle) == "Alarm"
    assert idle.say("G0 X0") == [b"error:9\r\n"]


def test_a_reset_at_rest_keeps_position_and_state(idle: Hand) -> None:
    """No alarm, a banner, the same place."""
    idle.say("G0 X90")
    idle.wait(2.0)
    assert idle.say(b"\x18") == BANNER
    assert position(idle) == 90.0
    assert state(idle) == "Idle"


def test_feed_hold_brakes_and_resume_goes_on(idle: Hand) -> None:
    """v**2 / 2a further on it stands in Hold:0; `~` reaches the old target; lines wait meanwhile."""
    idle.say("G1 X90 F21600")
    idle.wait(0.2)
    before = idle.session._motion.position_steps(idle.t_s) / (3200 / 360)  # type: ignore[attr-defined]
    idle.say(b"!")
    assert state(idle) == "Hold:1"
    idle.wait(1.0)
    assert state(idle) == "Hold:0"
    assert position(idle) == pytest.approx(before + 360.0**2 / 2 / 2000, abs=0.1)
    assert idle.say("G0 X0") == []
    assert idle.say(b"~") == OK
    idle.wait(5.0)
    assert position(idle) == 0.0


def test_homing_makes_the_index_mark_zero(axis: Hand, world: PlainWorld) -> None:
    """$H unlocks; no `?` is answered while it seeks; it ends pulled off ($27) from the mark, which is zero."""
    assert axis.say("$H") == []
    assert axis.say(b"?") + axis.wait(1.9) == []
    assert axis.wait(0.4) == OK
    assert position(axis) == -4.5
    assert ("index",) in world.orders


def test_a_reset_while_homing_is_alarm_6(axis: Hand) -> None:
    """Homing fail, reset during active homing."""
    axis.say("$H")
    axis.wait(0.5)
    assert axis.say(b"\x18")[0] == b"ALARM:6\r\n"


def test_without_an_index_mark_homing_ends_in_alarm_9(chain: SafetyChain) -> None:
    """Homing fail: could not find the switch."""
    hand = Hand(GrblAxis(chain, Gate(), steps_per_turn=3200, has_index=False))
    hand.wait(0.0)
    hand.say("$H")
    assert hand.wait(60.0) == [b"ALARM:9\r\n"]


def test_probing_tells_where_the_mark_was_in_the_count_before(idle: Hand, world: PlainWorld) -> None:
    """A motor that has lost eight steps finds the mark eight steps off: [PRB:0.900,..:1]."""
    world.index_at_steps = 8.0
    assert idle.say("G91 G38.2 X375 F1800") == []
    assert idle.wait(3.0) == [b"[PRB:0.900,0.000,0.000:1]\r\nok\r\n"]
    assert position(idle) == 0.9
    idle.say("G90 G0 X0")
    assert world.orders[-1] == ("move", -8.0)


def test_probing_the_wrong_way_is_alarm_5(idle: Hand, world: PlainWorld) -> None:
    """No contact within the way that was given."""
    world.index_at_steps = 800.0
    idle.say("G91 G38.2 X10 F1800")
    (told,) = idle.wait(3.0)
    assert b":0]\r\nALARM:5\r\n" in told


def test_sleep_releases_the_motor_and_a_reset_wakes_it_locked(idle: Hand, world: PlainWorld) -> None:
    """$SLP: only a reset is listened to."""
    assert idle.say("$SLP") == [b"ok\r\n[MSG:Sleeping]\r\n"]
    assert world.orders[-1] == ("energise", False)
    assert state(idle) == "Sleep"
    assert idle.say("G0 X1") == [b"error:9\r\n"]
    assert idle.say(b"\x18") == BANNER + LOCKED


def test_the_idle_delay_lets_the_motor_go(idle: Hand, world: PlainWorld) -> None:
    """$1 other than 255: that many milliseconds after the move."""
    idle.say("$1=25")
    idle.say("G0 X9")
    idle.wait(1.0)
    assert world.orders[-1] == ("energise", False)


def test_jog_cancel_brakes_and_drops_what_waits(idle: Hand) -> None:
    """0x85 ends in Idle short of the target."""
    assert idle.say("$J=G91 X90 F21600") == OK
    assert idle.say("$J=G91 X90 F21600") == OK
    assert state(idle) == "Jog"
    idle.wait(0.2)
    idle.say(b"\x85")
    idle.wait(1.0)
    assert state(idle) == "Idle"
    assert 10.0 < position(idle) < 90.0


def test_a_soft_limit_is_critical_and_silences_it_until_a_reset(idle: Hand) -> None:
    """ALARM:2, then not even `?`."""
    idle.say("$20=1")
    assert idle.say("G0 X10") == [b"ALARM:2\r\n[MSG:Reset to continue]\r\n"]
    assert idle.say(b"?") + idle.say("$X") + idle.wait(1.0) == []
    assert idle.say(b"\x18") == BANNER + LOCKED


def test_an_emergency_stop_stops_the_motor_and_not_the_count(idle: Hand, world: PlainWorld, chain: SafetyChain) -> None:
    """The chain cuts motor power; the controller believes that it arrived (position silently wrong)."""
    idle.say("G1 X90 F21600")
    idle.wait(0.2)
    world.emergency_stop = True
    chain.check(idle.t_s)
    assert ("halt",) in world.orders and world.orders[-1] == ("energise", False)
    idle.wait(2.0)
    assert position(idle) == 90.0
    assert world.axis_commanded_steps(idle.t_s) < 700
    moves = sum(order[0] == "move" for order in world.orders)
    idle.say("G0 X0")
    idle.wait(2.0)
    assert sum(order[0] == "move" for order in world.orders) == moves


def test_a_line_costs_its_latency(chain: SafetyChain) -> None:
    """command_s of bench time before a line is carried out."""
    hand = Hand(GrblAxis(chain, Gate(), steps_per_turn=3200, command_s=0.02))
    hand.wait(0.0)
    assert hand.say("$X") == []
    assert hand.wait(0.019) == []
    assert len(hand.wait(0.002)) == 1


def test_a_scheduled_fault_may_swallow_a_line(chain: SafetyChain) -> None:
    """The second line is neither executed nor answered."""
    gate = Gate("axis", [WireFault(instrument="axis", kind="swallow", nth=2)])
    hand = Hand(GrblAxis(chain, gate, steps_per_turn=3200))
    hand.wait(0.0)
    assert len(hand.say("$X")) == 1
    assert hand.say("G0 X1") == []
    assert hand.say("G21") == OK
