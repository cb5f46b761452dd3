"""The words of a grbl 1.1h controller that turns one axis: X in mechanical degrees.

Written from gnea/grbl's interface.md, commands.md and csv tables: one ok or error:N a line, real-time bytes that
never cost one, ALARM:3 and a locked state after a reset in motion, silence after a critical alarm until 0x18, no
answer to `?` while homing or while one is pending. Homing ($H) and probing (G38.2 to G38.5) seek the index mark;
homing makes it machine zero, probing tells where it was found in the count before. It must never know the resolver.
"""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable

from drivers.simulated.axis_faults import misbehave
from drivers.simulated.axis_words import Modal, Plan, Report, modal_report
from drivers.simulated.faults import Gate
from drivers.simulated.gcode_words import GrblError, clean, parse
from drivers.simulated.grbl_motion import PLANNER_BLOCKS, Block, GrblMotion
from drivers.simulated.grbl_settings import bench_settings, listing, write
from drivers.simulated.safety_chain import SafetyChain

BANNER = b"\r\nGrbl 1.1h ['$' for help]\r\n"
OK = b"ok\r\n"
RX_BYTES = 128
LINE_BYTES = 79
EEPROM_S = 0.03  # wall time that writing a setting takes
STATUS_S = 0.005  # a status report takes 5 to 20 ms
LOCKED = b"[MSG:'$H'|'$X' to unlock]\r\n"
HELP = b"[HLP:$$ $# $G $I $N $x=val $Nx=line $J=line $SLP $C $X $H ~ ! ? ctrl-x]\r\n"
Wait = Callable[[float], bytes | None]  # asked at every step: the reply, or None while it must wait


class GrblAxis:
    """The controller and its one serial client. command_s: latency of a line in bench time."""

    def __init__(
        self, chain: SafetyChain, gate: Gate, *, steps_per_turn: int, has_index: bool = True, command_s: float = 0.0
    ) -> None:
        self._gate = gate
        self._command_s = command_s
        self.settings = bench_settings(steps_per_turn)
        self._motion = GrblMotion(chain, self.settings, has_index=has_index)
        self._modal = Modal()
        self._report = Report()
        self._probe_told = "[PRB:0.000,0.000,0.000:0]"
        self._build_line = ""
        self._rx = bytearray()
        self._out: deque[bytes] = deque()
        self._line: tuple[float, str] | None = None
        self._wait: Wait | None = None
        self._wait_s = math.inf
        self._status_s = math.inf
        self._mute = False
        self._lost = 0  # characters that are lost next, while its EEPROM is written
        self._lost_until_s = -math.inf  # wall time
        gate.opened = self._reset
        self._greet()

    # the Session face --------------------------------------------------------------------------------------
    def receive(self, data: bytes, t_s: float, /) -> None:
        self._motion.advance(t_s)
        for byte in data:
            if byte == 0x18:
                self._gate.settle()
                self._reset(t_s)
            elif not self._mute:
                self._real_time(byte, t_s)

    def _real_time(self, byte: int, t_s: float) -> None:
        if byte == 0x3F:
            if self._motion.state != "Home" and math.isinf(self._status_s) and self._gate.message("?", t_s):
                self._status_s = t_s + STATUS_S
        elif byte == 0x21:
            self._motion.hold(t_s)
        elif byte == 0x7E:
            self._motion.resume(t_s)
        elif byte == 0x85:
            self._motion.cancel_jog(t_s)
        elif self._lost and time.monotonic() < self._lost_until_s:
            self._lost -= 1
        elif byte < 0x80 and len(self._rx) < RX_BYTES:
            self._rx.append(byte)

    def run(self, t_s: float, /) -> list[bytes]:
        self._motion.advance(t_s)
        while self._step(t_s):
            pass
        if self._status_s <= t_s:
            self._status_s = math.inf
            self._out.append(self._status(t_s))
        replies = list(self._out)
        self._out.clear()
        return replies

    def due_s(self) -> float:
        line_s = self._line[0] if self._line is not None and self._may_parse() else math.inf
        return min(self._status_s, self._wait_s, self._motion.due_s(), line_s)

    def awaited(self) -> bool:
        pending = self._wait is not None or self._line is not None
        return not math.isinf(self._status_s) or (pending and not self._motion.held and not self._mute)

    def closed(self, _t_s: float, /) -> None:
        """A serial port has no end that the controller could see."""

    # lines -------------------------------------------------------------------------------------------------
    def _may_parse(self) -> bool:
        return self._wait is None and not self._mute and not self._motion.held

    def _step(self, t_s: float) -> bool:
        """One piece of work; False when there is none at t_s."""
        if self._mute:
            return False
        if self._wait is not None:
            reply = self._wait(t_s)
            if reply is None:
                return False
            self._wait, self._wait_s = None, math.inf
            self._out.append(reply)
            return True
        if self._line is None and not self._next_line(t_s):
            return False
        if self._line is None or self._line[0] > t_s or not self._may_parse():
            return False
        text, self._line = self._line[1], None
        try:
            fault = misbehave(self._gate, self._motion, self.settings, t_s)
            if "=" in text and fault.lost_characters:
                self._lost, self._lost_until_s = fault.lost_characters, time.monotonic() + EEPROM_S
            if fault.touched:
                self._touch(t_s)
                return True
            reply = self._alarm(fault.alarm, t_s) if fault.alarm else self._execute(text, t_s)
        except GrblError as fault:
            reply = f"error:{fault.code}\r\n".encode()
        if reply is not None:
            self._out.append(reply)
        return True

    def _next_line(self, t_s: float) -> bool:
        while (end := min((i for i in (self._rx.find(b"\n"), self._rx.find(b"\r")) if i >= 0), default=-1)) >= 0:
            raw = bytes(self._rx[:end]).decode("latin-1")
            crlf = self._rx[end : end + 2] == b"\r\n"
            del self._rx[: end + (2 if crlf else 1)]
            text = self._gate.message(raw, t_s) if raw.strip() else raw
            if text is not None:
                self._line = (t_s + self._command_s, text)
                return True
        return False

    def _execute(self, raw: str, t_s: float) -> bytes | None:
        if len(raw) > LINE_BYTES:
            raise GrblError(11)
        text = clean(raw)
        if not text:
            return OK
        if text.startswith("$J="):
            return self._jog(text[3:], t_s)
        if text.startswith("$"):
            return self._system(text, t_s)
        if self._motion.state in ("Alarm", "Jog", "Sleep"):
            raise GrblError(9)
        return self._carry_out(self._modal.plan(parse(text), jog=False, max_rate=self.settings[110]), t_s)

    def _touch(self, t_s: float) -> None:
        """The reset input is touched: everything starts anew, and nothing tells that steps were lost."""
        self._motion.halt(t_s)
        self._motion.state = "Idle"
        self._reset(t_s)

    def _hold_reply(self, wait: Wait, t_s: float) -> bytes | None:
        """The reply now, or later when it has to wait."""
        reply = wait(t_s)
        if reply is None:
            self._wait = wait
        return reply

    # $ commands --------------------------------------------------------------------------------------------
    def _system(self, text: str, t_s: float) -> bytes | None:
        if text in ("$", "$G", "$I", "$N"):
            return self._tell(text)
        if self._motion.state not in ("Idle", "Alarm", "Check"):
            raise GrblError(8)
        match text:
            case "$$":
                return listing(self.settings) + OK
            case "$#":
                return self._modal.parameters() + f"{self._probe_told}\r\n".encode() + OK
            case "$X":
                return self._unlock()
            case "$H":
                return self._hold_reply(self._home(t_s), t_s)
            case "$SLP":
                self._motion.sleep(t_s)
                return OK + b"[MSG:Sleeping]\r\n"
            case "$C":
                return self._check_mode(t_s)
            case _:
                return self._assign(text)

    def _tell(self, text: str) -> bytes:
        match text:
            case "$":
                return HELP + OK
            case "$G":
                return modal_report(self._modal) + OK
            case "$I":
                build = self._build_line or "SIM00005"
                return f"[VER:1.1h.20190825:{build}]\r\n[OPT:V,{PLANNER_BLOCKS},{RX_BYTES}]\r\n".encode() + OK
            case _:
                return b"$N0=\r\n$N1=\r\n" + OK

    def _unlock(self) -> bytes:
        if self._motion.state != "Alarm":
            return OK
        self._motion.state = "Idle"
        return b"[MSG:Caution: Unlocked]\r\n" + OK

    def _check_mode(self, t_s: float) -> bytes:
        if self._motion.state == "Check":
            self._reset(t_s)
            return b"[MSG:Disabled]\r\n" + OK
        if self._motion.state != "Idle":
            raise GrblError(8)
        self._motion.state = "Check"
        return b"[MSG:Enabled]\r\n" + OK

    def _assign(self, text: str) -> bytes:
        name, equals, value = text[1:].partition("=")
        if name == "I" and equals:
            self._build_line = f"SIM00005 {value}"[:40]
            return OK
        if not equals or not name.isdigit():
            raise GrblError(3)
        try:
            number = float(value)
        except ValueError as fault:
            raise GrblError(2) from fault
        write(self.settings, int(name), number)
        return OK

    # motion ------------------------------------------------------------------------------------------------
    def _jog(self, text: str, t_s: float) -> bytes | None:
        if self._motion.state not in ("Idle", "Jog"):
            raise GrblError(9 if self._motion.state in ("Alarm", "Sleep") else 8)
        line = parse(text)
        if set(line.groups) - {"distance", "units", "nonmodal"} or line.groups.get("nonmodal", 530) != 530:
            raise GrblError(16)
        if "F" not in line.values:
            raise GrblError(22)
        if not line.axes:
            raise GrblError(26)
        plan = self._modal.plan(line, jog=True, max_rate=self.settings[110])
        return self._carry_out(plan, t_s, jog=True)

    def _carry_out(self, plan: Plan, t_s: float, *, jog: bool = False) -> bytes | None:
        if self._motion.state == "Check":
            self._modal = plan.modal
            return OK
        if plan.target_deg is not None and self.settings[20] and not -self.settings[130] <= plan.target_deg <= 0.0:
            if jog:
                raise GrblError(15)
            return self._alarm(2, t_s)
        self._modal = self._modal.at(plan.modal.position_deg) if jog else plan.modal
        if plan.dwell_s is not None:
            return self._hold_reply(self._dwell(plan.dwell_s), t_s)
        if plan.target_deg is None:
            return self._hold_reply(lambda _t: OK if self._motion.at_rest else None, t_s) if plan.stops else OK
        target = float(round(plan.target_deg * self.settings[100]))
        if plan.probe:
            return self._hold_reply(self._probe(target, plan.probe), t_s)
        return self._hold_reply(self._enqueue(Block(target, plan.rate / 60.0 * self.settings[100], jog)), t_s)

    def _enqueue(self, block: Block) -> Wait:
        def room(t_s: float) -> bytes | None:
            if self._motion.room <= 0:
                return None
            self._motion.add(block, t_s)
            return OK

        return room

    def _dwell(self, dwell_s: float) -> Wait:
        """ok only when the motion buffer is empty and the dwell has passed (G4, commands.md)."""

        def dwelt(t_s: float) -> bytes | None:
            if not self._motion.at_rest:
                return None
            if math.isinf(self._wait_s):
                self._wait_s = t_s + dwell_s
            return OK if t_s >= self._wait_s else None

        return dwelt

    def _home(self, t_s: float) -> Wait:
        if not self.settings[22]:
            raise GrblError(5)
        self._seek(t_s, "Home")
        pull_off_deg = -float(round(self.settings[27] * self.settings[100])) / self.settings[100]

        def homed(now_s: float) -> bytes | None:
            if math.isinf(self._wait_s):
                return OK if self._motion.at_rest else None
            if now_s < self._wait_s:
                return None
            self._wait_s = math.inf
            if not self._motion.touched:
                return self._alarm(9, now_s)
            self._motion.rest(now_s, 0.0)
            self._modal = self._modal.at(pull_off_deg)
            if not pull_off_deg:
                return OK
            steps_deg = self.settings[100]
            self._motion.add(Block(pull_off_deg * steps_deg, self.settings[25] / 60.0 * steps_deg), now_s)
            return None

        return homed

    def _seek(self, t_s: float, state: str) -> None:
        self._wait_s = self._motion.seek(t_s, state)
        if self._gate.acting("missed_index"):
            self._motion.touched = False

    def _probe(self, target: float, kind: int) -> Wait:
        """G38.2 to G38.5: to the index mark, which answers where it was found in the count before."""

        def probed(t_s: float) -> bytes | None:
            motion = self._motion
            if math.isinf(self._wait_s):
                if motion.at_rest:
                    self._seek(t_s, "Run")
                return None
            if t_s < self._wait_s:
                return None
            found = motion.found_steps() if motion.touched else target
            reached = motion.touched and (found <= target if target > motion.steps else found >= target)
            motion.rest(t_s, found)
            found_deg = found / self.settings[100]
            self._modal = self._modal.at(found_deg)
            self._probe_told = f"[PRB:{found_deg:.3f},0.000,0.000:{reached:d}]"
            told = f"{self._probe_told}\r\n".encode()
            return told + (b"" if reached or kind in (383, 385) else self._alarm(5, t_s)) + OK

        return probed

    # alarms and reports ------------------------------------------------------------------------------------
    def _reset(self, t_s: float) -> None:
        """0x18: parser and buffers cleared; in motion the steps stop at once and ALARM:3 locks."""
        self._motion.advance(t_s)
        alarm = self._motion.reset(t_s)
        if alarm:
            self._out.append(f"ALARM:{alarm}\r\n".encode())
        self._rx.clear()
        self._line = self._wait = None
        self._wait_s = self._status_s = math.inf
        self._mute = False
        self._modal = self._modal.after_reset(self._motion.steps / self.settings[100])
        self._greet()

    def _greet(self) -> None:
        self._out.append(BANNER)
        if self._motion.state == "Alarm":
            self._out.append(LOCKED)
        self._report = Report()

    def _alarm(self, code: int, t_s: float) -> bytes:
        """ALARM:1 and 2 are critical: nothing is answered until a reset."""
        self._motion.halt(t_s)
        self._motion.state = "Alarm"
        self._mute = code in (1, 2)
        told = f"ALARM:{code}\r\n".encode()
        return told + b"[MSG:Reset to continue]\r\n" if self._mute else told

    def _status(self, t_s: float) -> bytes:
        steps_deg = self.settings[100]
        return self._report.line(
            "Door:0" if self._motion.door and self._motion.held else self._motion.state,
            mask=int(self.settings[10]),
            machine=self._motion.position_steps(t_s) / steps_deg,
            modal=self._modal,
            rate=self._motion.speed_steps_s(t_s) * 60.0 / steps_deg,
            room=self._motion.room,
            rx_free=RX_BYTES - len(self._rx),
        )
