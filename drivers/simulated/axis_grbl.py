"""The words of a grbl 1.1h controller that turns one axis: X in mechanical degrees.

Written from gnea/grbl's interface.md, commands.md and csv tables: one ok or error:N a line, real-time bytes that
never cost one, ALARM:3 and a locked state after a reset in motion, silence after a critical alarm until 0x18, no
answer to `?` while homing or while one is pending. Homing ($H) and probing (G38.2 to G38.5) seek the index mark;
probing tells where it was found in the frame before. Each queued move starts from rest (no junction speed).
It must never know the resolver; the motor may lose steps that this file goes on counting.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from drivers.simulated.axis_words import Modal, Report, modal_report
from drivers.simulated.faults import Gate
from drivers.simulated.gcode_words import GcodeLine, GrblError, clean, parse
from drivers.simulated.grbl_settings import bench_settings, listing, write
from drivers.simulated.motion import Trapezoid
from drivers.simulated.safety_chain import SafetyChain

BANNER = b"\r\nGrbl 1.1h ['$' for help]\r\n"
OK = b"ok\r\n"
RX_BYTES = 128
LINE_BYTES = 79
PLANNER_BLOCKS = 15
STATUS_S = 0.005  # a status report takes 5 to 20 ms
LOCKED = b"[MSG:'$H'|'$X' to unlock]\r\n"
HELP = b"[HLP:$$ $# $G $I $N $x=val $Nx=line $J=line $SLP $C $X $H ~ ! ? ctrl-x]\r\n"
Wait = Callable[[float], bytes | None]  # asked at every step: the reply, or None while it must wait


class GrblAxis:
    """The controller and its one serial client. command_s: latency of a line in bench time."""

    def __init__(
        self, chain: SafetyChain, gate: Gate, *, steps_per_turn: int, has_index: bool = True, command_s: float = 0.0
    ) -> None:
        self._chain = chain
        self._gate = gate
        self._has_index = has_index
        self._command_s = command_s
        self.settings = bench_settings(steps_per_turn)
        self.modal = Modal()
        self._report = Report()
        self._build_line = ""
        self._rx = bytearray()
        self._out: deque[bytes] = deque()
        self._queue: deque[tuple[float, float, bool]] = deque()  # target steps, steps/s, jog
        self._move: Trapezoid | None = None
        self._steps = 0.0  # machine position while nothing moves
        self._frame = -chain.world.axis_commanded_steps(0.0)  # machine steps less the world's
        self._resume_to: tuple[float, float, bool] | None = None
        self._line: tuple[float, str] | None = None
        self._wait: Wait | None = None
        self._wait_s = math.inf
        self._status_s = math.inf
        self._release_s = math.inf
        self._touched = False
        self._mute = False
        self.state = "Alarm" if self.settings[22] else "Idle"
        if self.settings[1] == 255:
            chain.axis_energise(0.0, True)
        self._greet()

    # the Session face --------------------------------------------------------------------------------------
    def receive(self, data: bytes, t_s: float, /) -> None:
        self._advance(t_s)
        for byte in data:
            if byte == 0x18:
                self._reset(t_s)
            elif self._mute:
                continue
            elif byte == 0x3F:
                if self.state != "Home" and math.isinf(self._status_s):
                    self._status_s = t_s + STATUS_S
            elif byte == 0x21:
                self._hold(t_s)
            elif byte == 0x7E:
                self._resume(t_s)
            elif byte == 0x85:
                self._cancel_jog(t_s)
            elif byte < 0x80 and len(self._rx) < RX_BYTES:
                self._rx.append(byte)

    def run(self, t_s: float, /) -> list[bytes]:
        self._advance(t_s)
        while self._step(t_s):
            pass
        if self._status_s <= t_s:
            self._status_s = math.inf
            self._out.append(self._status(t_s))
        replies = list(self._out)
        self._out.clear()
        return replies

    def due_s(self) -> float:
        due = [self._status_s, self._release_s, self._wait_s]
        if self._move is not None:
            due.append(self._move.end_s)
        if self._line is not None and self._may_parse():
            due.append(self._line[0])
        return min(due)

    def awaited(self) -> bool:
        held = self.state.startswith("Hold") or self._mute
        return not math.isinf(self._status_s) or ((self._wait is not None or self._line is not None) and not held)

    def closed(self, _t_s: float, /) -> None:
        """A serial port has no end that the controller could see."""

    # lines -------------------------------------------------------------------------------------------------
    def _may_parse(self) -> bool:
        return self._wait is None and not self._mute and not self.state.startswith("Hold")

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
            reply = self._execute(text, t_s)
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
        if text.startswith("$"):
            return self._system(text, t_s)
        if self.state in ("Alarm", "Jog", "Sleep"):
            raise GrblError(9)
        return self._gcode(parse(text), t_s, jog=False)

    # $ commands --------------------------------------------------------------------------------------------
    def _system(self, text: str, t_s: float) -> bytes | None:
        if text.startswith("$J="):
            return self._jog(text[3:], t_s)
        if text in ("$", "$$", "$#", "$G", "$I", "$N"):
            return self._tell(text)
        if self.state not in ("Idle", "Alarm", "Check"):
            raise GrblError(8)
        match text:
            case "$X":
                if self.state != "Alarm":
                    return OK
                self.state = "Idle"
                return b"[MSG:Caution: Unlocked]\r\n" + OK
            case "$H":
                self._home(t_s)
                return None
            case "$SLP":
                self.state = "Sleep"
                self._chain.axis_energise(t_s, False)
                return OK + b"[MSG:Sleeping]\r\n"
            case "$C":
                if self.state == "Check":
                    self._reset(t_s)
                    return b"[MSG:Disabled]\r\n" + OK
                if self.state != "Idle":
                    raise GrblError(8)
                self.state = "Check"
                return b"[MSG:Enabled]\r\n" + OK
            case _:
                return self._assign(text)

    def _tell(self, text: str) -> bytes:
        match text:
            case "$":
                return HELP + OK
            case "$$":
                if self.state not in ("Idle", "Alarm"):
                    raise GrblError(8)
                return listing(self.settings) + OK
            case "$G":
                return modal_report(self.modal) + OK
            case "$#":
                return self.modal.parameters() + OK
            case "$I":
                return f"[VER:1.1h.20190825:{self._build_line or 'SIM00005'}]\r\n[OPT:V,15,128]\r\n".encode() + OK
            case _:
                return b"$N0=\r\n$N1=\r\n" + OK

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
    def _gcode(self, line: GcodeLine, t_s: float, *, jog: bool) -> bytes | None:
        plan = self.modal.plan(line, jog=jog, max_rate=self.settings[110])
        if self.state == "Check":
            self.modal = plan.modal
            return OK
        if plan.dwell_s is not None:
            return self._dwell(plan.modal, plan.dwell_s)
        if plan.target_deg is None:
            self.modal = plan.modal
            return self._stop_program(plan.stops, t_s)
        target = float(round(plan.target_deg * self.settings[100]))
        if self.settings[20] and not -self.settings[130] <= plan.target_deg <= 0.0:
            if jog:
                raise GrblError(15)
            return self._alarm(2, t_s)
        self.modal = plan.modal
        if plan.probe:
            self._after_motion(lambda t: self._probe(t, target, plan.probe))
            return None
        steps_s = plan.rate / 60.0 * self.settings[100]
        return self._enqueue(target, steps_s, jog, t_s)

    def _stop_program(self, stops: bool, t_s: float) -> bytes | None:
        if not stops:
            return OK

        def stopped(_t: float) -> bytes | None:
            return OK if self._at_rest() else None

        return self._start_wait(stopped, t_s)

    def _enqueue(self, target: float, steps_s: float, jog: bool, t_s: float) -> bytes | None:
        def room(t: float) -> bytes | None:
            if len(self._queue) >= PLANNER_BLOCKS:
                return None
            self._queue.append((target, steps_s, jog))
            self._advance(t)
            return OK

        return self._start_wait(room, t_s)

    def _start_wait(self, wait: Wait, t_s: float) -> bytes | None:
        reply = wait(t_s)
        if reply is None:
            self._wait = wait
        return reply

    def _dwell(self, modal: Modal, dwell_s: float) -> bytes | None:
        """ok only when the motion buffer is empty and the dwell has passed (G4, commands.md)."""
        self.modal = modal

        def dwelt(t: float) -> bytes | None:
            if not self._at_rest():
                return None
            if math.isinf(self._wait_s):
                self._wait_s = t + dwell_s
            return OK if t >= self._wait_s else None

        self._wait = dwelt
        return None

    def _after_motion(self, then: Wait) -> None:
        self._wait = lambda t: then(t) if self._at_rest() or not math.isinf(self._wait_s) else None

    def _at_rest(self) -> bool:
        return self._move is None and not self._queue

    def position_steps(self, t_s: float) -> float:
        """Machine position that the controller counts, steps."""
        return self._steps if self._move is None else self._move.position(t_s)

    def _advance(self, t_s: float) -> None:
        """Ends moves that have ended by t_s and starts the next ones at the time they are due."""
        now_s = t_s
        while True:
            if self._move is not None:
                if self._move.end_s > t_s:
                    return
                now_s = self._move.end_s
                self._end_move(now_s)
            if self.state.startswith("Hold") or self.state in ("Home", "Alarm", "Sleep") or not self._queue:
                break
            self._start(now_s, *self._queue.popleft())
        if self._release_s <= t_s:
            self._release_s = math.inf
            self._chain.axis_energise(t_s, False)

    def _start(self, t_s: float, target: float, steps_s: float, jog: bool) -> None:
        self._release_s = math.inf
        accel = self.settings[120] * self.settings[100]
        self._chain.axis_energise(t_s, True)
        self._move = Trapezoid(t_s, self._steps, target, steps_s, accel)
        self._resume_to = (target, steps_s, jog)
        self.state = "Jog" if jog else "Run"
        self._chain.axis_move(t_s, target - self._frame, steps_s, accel)

    def _end_move(self, t_s: float) -> None:
        if self._move is None:
            return
        self._steps, self._move = self._move.target, None
        self._chain.advance(t_s)
        self._tie(t_s)
        if self.state == "Hold:1":
            self.state = "Hold:0"
        elif not self._queue:
            self.state = "Idle"
            self._resume_to = None
            if self.settings[1] != 255:
                self._release_s = t_s + self.settings[1] / 1000.0

    def _tie(self, t_s: float) -> None:
        """Frame between machine steps and the world's after a move that may not have been followed."""
        self._frame = self._steps - self._chain.world.axis_commanded_steps(t_s)

    def _halt(self, t_s: float) -> None:
        self._chain.axis_halt(t_s)
        self._steps = float(round(self.position_steps(t_s)))
        self._move = None
        self._tie(t_s)

    # real-time commands ------------------------------------------------------------------------------------
    def _hold(self, t_s: float) -> None:
        if self.state == "Jog":
            self._cancel_jog(t_s)
        elif self.state in ("Idle", "Run"):
            self._brake(t_s)
            self.state = "Hold:0" if self._move is None else "Hold:1"

    def _brake(self, t_s: float) -> None:
        if self._move is None:
            return
        rest = self._move.braked(t_s)
        self._halt(t_s)
        self._move = Trapezoid(t_s, self._steps, rest.target, rest.max_steps_s, rest.accel_steps_s2)
        self._chain.axis_move(t_s, rest.target - self._frame, rest.max_steps_s, rest.accel_steps_s2)

    def _resume(self, t_s: float) -> None:
        if self.state != "Hold:0":
            return
        self.state = "Idle"
        if self._resume_to is not None:
            self._queue.appendleft(self._resume_to)
        self._advance(t_s)

    def _cancel_jog(self, t_s: float) -> None:
        if self.state != "Jog":
            return
        self._queue.clear()
        self._resume_to = None
        self._brake(t_s)
        if self._move is None:
            self.state = "Idle"

    def _reset(self, t_s: float) -> None:
        """0x18: parser and buffers cleared, position kept; in motion the steps stop at once and ALARM:3 locks."""
        self._advance(t_s)
        in_motion = self._move is not None
        homing = self.state == "Home"
        if in_motion or homing:
            self._halt(t_s)
            self._out.append(b"ALARM:6\r\n" if homing else b"ALARM:3\r\n")
        if in_motion or homing or self.state in ("Alarm", "Sleep"):
            self.state = "Alarm"
        else:
            self.state = "Idle"
        self._queue.clear()
        self._rx.clear()
        self._line = self._wait = self._resume_to = None
        self._wait_s = self._status_s = math.inf
        self._mute = False
        self.modal = self.modal.after_reset(self._steps / self.settings[100])
        self._greet()

    def _greet(self) -> None:
        self._out.append(BANNER)
        if self.state == "Alarm":
            self._out.append(LOCKED)
        self._report = Report()

    def _alarm(self, code: int, t_s: float) -> bytes:
        """ALARM:1 and 2 are critical: nothing is answered until a reset."""
        self._halt(t_s)
        self._queue.clear()
        self.state = "Alarm"
        self._mute = code in (1, 2)
        told = f"ALARM:{code}\r\n".encode()
        return told + b"[MSG:Reset to continue]\r\n" if self._mute else told

    def _status(self, t_s: float) -> bytes:
        degrees = self.settings[100]
        speed = self._move.speed(t_s) * 60.0 / degrees if self._move is not None else 0.0
        return self._report.line(
            self.state,
            mask=int(self.settings[10]),
            machine=self.position_steps(t_s) / degrees,
            modal=self.modal,
            rate=speed,
            room=PLANNER_BLOCKS - len(self._queue) - (self._move is not None),
            rx_free=RX_BYTES - len(self._rx),
        )

    # jog, homing, probing ----------------------------------------------------------------------------------
    def _jog(self, text: str, t_s: float) -> bytes | None:
        if self.state not in ("Idle", "Jog"):
            raise GrblError(9 if self.state in ("Alarm", "Sleep") else 8)
        line = parse(text)
        if set(line.groups) - {"distance", "units", "nonmodal"} or line.groups.get("nonmodal", 530) != 530:
            raise GrblError(16)
        if "F" not in line.values:
            raise GrblError(22)
        if not line.axes:
            raise GrblError(26)
        return self._gcode(line, t_s, jog=True)

    def _seek(self, t_s: float) -> float:
        """Starts the search for the index mark; the bench time of its end."""
        self._release_s = math.inf
        self._chain.axis_energise(t_s, True)
        end_s = self._chain.axis_index(t_s)
        self._touched = self._has_index and end_s is not None
        search_s = 1.5 * self.settings[130] / (self.settings[25] / 60.0)
        return end_s if end_s is not None else t_s + search_s

    def _home(self, t_s: float) -> None:
        if not self.settings[22]:
            raise GrblError(5)
        self.state = "Home"
        self._wait_s = self._seek(t_s)
        self._wait = lambda t: self._homed(t) if t >= self._wait_s else None

    def _homed(self, t_s: float) -> bytes:
        self._chain.advance(t_s)
        if not self._touched:
            return self._alarm(9, t_s)
        self._steps = 0.0
        self._rest(t_s)
        return OK

    def _rest(self, t_s: float) -> None:
        """At rest where the seek ended."""
        self._tie(t_s)
        self.state = "Idle"
        self.modal = self.modal.at(self._steps / self.settings[100])

    def _probe(self, t_s: float, target: float, kind: int) -> bytes | None:
        """G38.2 to G38.5: to the index mark, which answers where it was found in the frame before."""
        if math.isinf(self._wait_s):
            self.state = "Run"
            self._wait_s = self._seek(t_s)
            return None
        if t_s < self._wait_s:
            return None
        self._chain.advance(t_s)
        found = float(round(self._chain.world.axis_index_found_steps + self._frame))
        reach = self._touched and (found <= target if target > self._steps else found >= target)
        if self._touched:
            self._steps = found
        self._rest(t_s)
        told = f"[PRB:{self._steps / self.settings[100]:.3f},0.000,0.000:{reach:d}]\r\n".encode()
        if not reach and kind in (382, 384):
            return told + self._alarm(5, t_s) + OK
        return told + OK
