"""The grbl axis against a small controller of our own that misbehaves on demand."""

import re
import threading
import time

import pytest
from loop_link import LoopLink

from drivers.axis_grbl import AxisGrbl
from rig.errors import BadReply, InstrumentRefused, NoReply, PositionLost, WrongInstrument

BANNER = b"\r\nGrbl 1.1h ['$' for help]\r\n"


class Controller:
    """Answers bytes; `odd` maps a line (or its first word) to the bytes to give once instead."""

    def __init__(self):
        self.settings = {1: 25.0, 10: 1.0, 20: 0.0, 21: 0.0, 22: 1.0, 100: 8.889, 110: 500.0, 120: 10.0}
        self.odd = {}
        self.lines = []
        self.state = "Idle"
        self.x = 0.0
        self.index_at = 0.0
        self.resets = 0

    def __call__(self, said):
        out = b""
        if b"\x18" in said:
            self.resets += 1
            out += (b"ALARM:3\r\n" if self.state == "Run" else b"") + BANNER
            self.state = "Alarm" if self.state in ("Run", "Sleep", "Alarm") else "Idle"
            return out
        if said == b"?":
            return self.odd.pop("?", f"<{self.state}|MPos:{self.x:.3f},0.000,0.000|FS:0,0>\r\n".encode())
        line = said.decode().strip()
        if line == "$G" and line not in self.odd:
            return b"[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]\r\nok\r\n"
        self.lines.append(line)
        for key in (line, line.split()[0]):
            if key in self.odd:
                return self.odd.pop(key)
        return self._plain(line)

    def _plain(self, line):
        if line == "$$":
            return "".join(f"${k}={v:.3f}\r\n" for k, v in self.settings.items()).encode() + b"ok\r\n"
        if line == "$I":
            return b"[VER:1.1h.20190825:A77]\r\n[OPT:V,15,128]\r\nok\r\n"
        if match := re.fullmatch(r"\$(\d+)=(.*)", line):
            self.settings[int(match[1])] = float(match[2])
        elif line == "$SLP":
            self.state = "Sleep"
        elif line == "$H":
            self.x, self.state = 0.0, "Idle"
        elif match := re.search(r"G38\.2 X", line):
            turns = round((self.x + 10 - self.index_at) / 360)
            self.x = self.index_at + 360 * turns
            return f"[PRB:{self.x:.3f},0.000,0.000:1]\r\nok\r\n".encode()
        elif match := re.search(r"X(-?[\d.]+)", line):
            self.x = float(match[1])
        return b"ok\r\n"


@pytest.fixture
def grbl():
    return Controller()


def opened(controller, **options):
    axis = AxisGrbl("axis", LoopLink(controller), **options)
    axis.open()
    return axis


def indexed(controller):
    axis = opened(controller)
    assert axis.index() == 0
    return axis


def test_opening_resets_identifies_and_sets_one_setting_at_a_time(grbl):
    """Reset, banner, identity, $100 checked, $1, $110, $120 set and read back; the position is unknown."""
    axis = opened(grbl)
    assert (axis.identity().model, axis.identity().serial) == ("Grbl 1.1h", "A77")
    assert (grbl.settings[1], grbl.settings[110], grbl.settings[120]) == (255.0, 21600.0, 2000.0)
    assert grbl.resets == 1
    assert not axis.position_known
    assert axis.position_steps() is None
    assert not any("G0" in line or "$H" in line for line in grbl.lines)


@pytest.mark.parametrize("microsteps", [8, 32, 1])
def test_a_microstep_setting_that_does_not_fit_is_refused(grbl, microsteps):
    """$100 against full_steps and microsteps: WrongInstrument says which."""
    with pytest.raises(WrongInstrument, match="microsteps"):
        opened(grbl, microsteps=microsteps)


def test_hard_limits_are_refused(grbl):
    """An axis that turns past its index can't have limits."""
    grbl.settings[21] = 1.0
    with pytest.raises(WrongInstrument, match=r"\$21"):
        opened(grbl)


def test_a_setting_that_is_not_kept(grbl):
    """A setting that reads back otherwise is refused."""
    grbl.odd["$110=21600"] = b"ok\r\n"
    with pytest.raises(InstrumentRefused, match="reads back 500"):
        opened(grbl)


def test_no_controller(monkeypatch):
    """Silence after a reset is NoReply that names the baud rate."""
    monkeypatch.setattr("drivers.axis_grbl.BOOT_S", 0.3)
    with pytest.raises(NoReply, match="baud"):
        AxisGrbl("axis", LoopLink(lambda _: b"")).open()


def test_no_move_before_the_index(grbl):
    """A move from an unknown position is refused before a word is said."""
    axis = opened(grbl)
    said = len(grbl.lines)
    with pytest.raises(PositionLost, match="Index"):
        axis.move_to(10)
    assert len(grbl.lines) == said


def test_moves_are_explicit_and_whole_microsteps(grbl):
    """G90 G21 G53 on every move, six decimals, one line in flight; positions come back as whole steps."""
    axis = indexed(grbl)
    for steps in (1, 7, 3200, -16):
        axis.move_to(steps)
        assert grbl.lines[-1] == f"G90 G21 G53 G0 X{steps * 0.1125:.6f}"
        axis.wait_stopped(0.05)
        assert grbl.lines[-1] == "G4 P0.050"
        assert axis.position_steps() == steps


def test_the_index_tells_how_far_off_it_was(grbl):
    """Found minus expected in steps; the new mark is the new zero."""
    axis = indexed(grbl)
    axis.move_to(6400)
    axis.wait_stopped()
    grbl.index_at = 1.8
    assert axis.index() == 16
    assert axis.index() == 0
    axis.move_to(0)
    assert grbl.x == pytest.approx(721.8)


def test_an_index_that_is_not_found(grbl):
    """ALARM:9 is PositionLost; the controller is reset so that it talks again."""
    axis = opened(grbl)
    grbl.odd["$H"] = b"ALARM:9\r\n"
    with pytest.raises(PositionLost, match="index mark was not found"):
        axis.index()
    assert not axis.position_known
    assert axis.index() == 0


def test_homing_that_is_off(grbl):
    """error:5 is InstrumentRefused with its code and meaning."""
    axis = opened(grbl)
    grbl.odd["$H"] = b"error:5\r\n"
    with pytest.raises(InstrumentRefused, match="homing is off") as caught:
        axis.index()
    assert caught.value.code == 5


@pytest.mark.parametrize("answer", [b"ALARM:1\r\n", b"ALARM:2\r\n", BANNER])
def test_an_alarm_or_a_reset_loses_the_position(grbl, answer):
    """An alarm, or a banner that nobody asked for, makes the position unknown until the next index."""
    axis = indexed(grbl)
    grbl.odd["G90"] = answer
    with pytest.raises(PositionLost):
        axis.move_to(100)
    assert not axis.position_known
    assert axis.index() == 0


def test_an_alarm_between_two_lines_is_seen(grbl):
    """An alarm that came unasked is seen before the next line goes out."""
    axis = indexed(grbl)
    axis._link.deliver(b"ALARM:1\r\n")
    with pytest.raises(PositionLost, match="hard limit"):
        axis.move_to(100)
    assert not axis.position_known


def test_a_lost_ok_loses_the_position(grbl, monkeypatch):
    """No ok in time: NoReply, then the index seek begins with a reset instead of a guess."""
    axis = indexed(grbl)
    monkeypatch.setattr(
        "drivers.axis_grbl.AxisGrbl._send_or_lose_position", _impatient(AxisGrbl._send_or_lose_position)
    )
    grbl.odd["G90"] = b""
    with pytest.raises(NoReply):
        axis.move_to(100)
    assert not axis.position_known
    resets = grbl.resets
    assert axis.index() == 0
    assert grbl.resets > resets
    assert axis.position_known


def _impatient(guarded):
    return lambda self, line, deadline_s: guarded(self, line, min(deadline_s, 0.2))


def test_an_extra_ok_does_not_answer_the_next_line(grbl):
    """A surplus ok is thrown away before the next line."""
    axis = indexed(grbl)
    axis._link.deliver(b"ok\r\n")
    grbl.odd["G90"] = b"error:33\r\n"
    with pytest.raises(InstrumentRefused, match="not valid"):
        axis.move_to(100)


@pytest.mark.parametrize(
    "report", [b"<Idle|MPos:1.0", b"<Idl|MPos:0.000,0.000,0.000>\r\n", b"<Run|MPos:1.2,3|FS:0,0>\r\n"]
)
def test_a_garbled_report_is_dropped(grbl, report):
    """A status report that is not whole is asked for again, never guessed at."""
    axis = indexed(grbl)
    axis.move_to(160)
    grbl.odd["?"] = report + (b"" if report.endswith(b"\n") else b"\r\n")
    assert axis.position_steps() == 160


def test_status_is_not_asked_too_often(grbl):
    """Two reports are at least a fifth of a second apart."""
    axis = indexed(grbl)
    axis.move_to(160)
    axis.position_steps()
    start = time.monotonic()
    axis.position_steps()
    assert time.monotonic() - start > 0.15


def test_a_halt_in_motion_loses_the_position(grbl):
    """`!` and 0x18; ALARM:3 or a move under way makes the position unknown."""
    axis = indexed(grbl)
    axis.move_to(1000)
    grbl.state = "Run"
    axis.halt()
    assert not axis.position_known
    assert axis._link.sent[-1] == b"!\x18"


def test_a_halt_at_rest_keeps_the_position(grbl):
    """Nothing moved, nothing is lost."""
    axis = indexed(grbl)
    axis.move_to(1000)
    axis.wait_stopped()
    axis.halt()
    assert axis.position_steps() == 1000


def test_a_halt_wakes_who_waits(grbl):
    """Another thread's wait ends with PositionLost within a tenth of a second."""
    axis = indexed(grbl)
    axis.move_to(100000)
    grbl.state = "Run"
    grbl.odd["G4"] = b""
    seen = []

    def wait():
        try:
            axis.wait_stopped(0.1)
        except PositionLost as fault:
            seen.append((time.monotonic(), fault))

    thread = threading.Thread(target=wait)
    thread.start()
    time.sleep(0.1)
    start = time.monotonic()
    axis.halt()
    assert time.monotonic() - start < 0.5
    thread.join(2.0)
    assert seen and seen[0][0] - start < 0.3
    assert not axis.position_known


def test_a_release_and_a_hold(grbl):
    """$SLP takes the current off; a hold wakes it, the position stays unknown."""
    axis = indexed(grbl)
    axis.release()
    axis.release()
    assert grbl.lines.count("$SLP") == 1
    assert axis.position_steps() is None
    axis.hold()
    assert not axis.position_known
    assert axis.index() == 0


def test_the_safe_state_is_verified(grbl):
    """Halted and asleep by the controller's own word; twice is once."""
    axis = indexed(grbl)
    axis.move_to(1000)
    grbl.state = "Run"
    axis.safe_state()
    axis.safe_state()
    assert grbl.state == "Sleep"
    grbl.state = "Run"
    with pytest.raises(InstrumentRefused, match="is Run"):
        axis.safe_state()


def test_a_line_that_is_too_long(grbl):
    """80 characters are refused here, not by the controller."""
    axis = opened(grbl)
    with pytest.raises(BadReply):
        axis._grbl.command("G0 X" + "1" * 80)
