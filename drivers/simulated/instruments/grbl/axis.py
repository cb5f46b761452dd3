"""The words of a grbl 1.1h controller that turns one axis: X in mechanical degrees.

Written from gnea/grbl's interface.md, commands.md and csv tables: one ok or error:N a line, real-time bytes that
never cost one, ALARM:3 and a locked state after a reset in motion, silence after a critical alarm until 0x18, no
answer to `?` while homing or while one is pending. Homing ($H) and probing (G38.2 to G38.5) seek the index mark;
homing makes it machine zero, probing tells where it was found in the count before. Motion: grbl_work.py.
"""

from __future__ import annotations

import math
import time
from collections import deque

from drivers.simulated.instruments.axis_motion import PLANNER_BLOCKS, GrblMotion
from drivers.simulated.instruments.grbl.execution import OK, GrblWork, misbehave
from drivers.simulated.instruments.grbl.gcode import GrblError, clean, parse
from drivers.simulated.instruments.grbl.modal_state import StatusReport, modal_report
from drivers.simulated.instruments.grbl.settings import bench_settings, listing, write
from drivers.simulated.wires.faults import Gate
from drivers.simulated.world.safety_chain import SafetyChain

BANNER = b"\r\nGrbl 1.1h ['$' for help]\r\n"
RX_BYTES = 128
LINE_BYTES = 79
EEPROM_S = 0.03  # wall time that writing a setting takes
STATUS_S = 0.005  # a status report takes 5 to 20 ms
LOCKED = b"[MSG:'$H'|'$X' to unlock]\r\n"
HELP = b"[HLP:$$ $# $G $I $N $x=val $Nx=line $J=line $SLP $C $X $H ~ ! ? ctrl-x]\r\n"


class GrblAxis:
    """The controller and its one serial client. command_s: latency of a line in bench time."""

    def __init__(
        self, chain: SafetyChain, gate: Gate, *, steps_per_turn: int, has_index: bool = True, command_s: float = 0.0
    ) -> None:
        self._gate = gate
        self._command_s = command_s
        self.settings = bench_settings(steps_per_turn)
        self._motion = GrblMotion(chain, self.settings, has_index=has_index)
        self._work = GrblWork(gate, self._motion, self.settings)
        self._report = StatusReport()
        self._build_line = ""
        self._rx = bytearray()
        self._out: deque[bytes] = deque()
        self._line: tuple[float, str] | None = None
        self._status_s = math.inf
        self._lost = 0  # characters that are lost next, while its EEPROM is written
        self._lost_until_s = -math.inf  # wall time
        gate.opened = self._reset
        self._greet()

    # session --------------------------------------------------------------------------------------
    def receive(self, data: bytes, t_s: float, /) -> None:
        self._motion.advance(t_s)
        for byte in data:
            if byte == 0x18:
                self._gate.settle()
                self._reset(t_s)
            elif not self._work.mute:
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
        return min(self._status_s, self._work.wait_s, self._motion.due_s(), line_s)

    def is_waiting(self) -> bool:
        pending = self._work.wait is not None or self._line is not None
        return not math.isinf(self._status_s) or (pending and not self._motion.is_held and not self._work.mute)

    def disconnect(self, _t_s: float, /) -> None:
        """A serial port has no end that the controller could see."""

    # lines -------------------------------------------------------------------------------------------------
    def _may_parse(self) -> bool:
        return self._work.wait is None and not self._work.mute and not self._motion.is_held

    def _step(self, t_s: float) -> bool:
        """One piece of work; False when there is none at t_s."""
        if self._work.mute:
            return False
        if self._work.wait is not None:
            reply = self._work.wait(t_s)
            if reply is None:
                return False
            self._work.wait, self._work.wait_s = None, math.inf
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
            reply = self._work.alarm(fault.alarm, t_s) if fault.alarm else self._execute(text, t_s)
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
            return self._work.jog(text[3:], t_s)
        if text.startswith("$"):
            return self._system(text, t_s)
        if self._motion.state in ("Alarm", "Jog", "Sleep"):
            raise GrblError(9)
        return self._work.carry_out(self._work.modal.plan(parse(text), jog=False, max_rate=self.settings[110]), t_s)

    def _touch(self, t_s: float) -> None:
        """The reset input is touched: everything starts anew, and nothing tells that steps were lost."""
        self._motion.halt(t_s)
        self._motion.state = "Idle"
        self._reset(t_s)

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
                return self._work.modal.parameters() + f"{self._work.probe_report}\r\n".encode() + OK
            case "$X":
                return self._unlock()
            case "$H":
                return self._work.home(t_s)
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
                return modal_report(self._work.modal) + OK
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

    # alarms and reports ------------------------------------------------------------------------------------
    def _reset(self, t_s: float) -> None:
        """0x18: parser and buffers cleared; in motion the steps stop at once and ALARM:3 locks."""
        self._motion.advance(t_s)
        alarm = self._motion.reset(t_s)
        if alarm:
            self._out.append(f"ALARM:{alarm}\r\n".encode())
        self._rx.clear()
        self._line = None
        self._status_s = math.inf
        self._work.reset()
        self._greet()

    def _greet(self) -> None:
        self._out.append(BANNER)
        if self._motion.state == "Alarm":
            self._out.append(LOCKED)
        self._report = StatusReport()

    def _status(self, t_s: float) -> bytes:
        steps_deg = self.settings[100]
        return self._report.line(
            "Door:0" if self._motion.door and self._motion.is_held else self._motion.state,
            mask=int(self.settings[10]),
            machine=self._motion.position_steps(t_s) / steps_deg,
            modal=self._work.modal,
            rate=self._motion.speed_steps_s(t_s) * 60.0 / steps_deg,
            room=self._motion.room,
            rx_free=RX_BYTES - len(self._rx),
        )
