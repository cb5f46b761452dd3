"""What a line sets a grbl 1.1h controller to do: jogs, moves, dwells, homing, probing, and the alarms that end them.

A reply that has to wait stands in `wait`, which is asked at every step until it answers. Source: gnea/grbl 1.1h,
commands.md (G4, G38.n, $H, $J), interface.md (alarms), settings.md ($20, $22, $27, $130).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.instruments.axis_motion import Block, GrblMotion
from drivers.simulated.instruments.grbl.gcode import GrblError, parse
from drivers.simulated.instruments.grbl.modal_state import Modal, PlanState
from drivers.simulated.wires.faults import Gate

OK = b"ok\r\n"
Wait = Callable[[float], bytes | None]  # called at every step: the reply, or None while it must wait

FULL_STEPS = 200


class GrblWork:
    """modal: the parser's state; wait_s: bench time of what is waited for; mute: locked by a critical alarm.

    probe_told: the last probe's report. The settings are shared with the dialogue ($ number -> value).
    """

    def __init__(self, gate: Gate, motion: GrblMotion, settings: dict[int, float]) -> None:
        self._gate = gate
        self._motion = motion
        self._settings = settings
        self.modal = Modal()
        self.probe_report = "[PRB:0.000,0.000,0.000:0]"
        self.wait: Wait | None = None
        self.wait_s = math.inf
        self.mute = False

    def reset(self) -> None:
        """Nothing waits any more and no alarm mutes; the modal state is as at power-on, where the motion stands."""
        self.wait = None
        self.wait_s = math.inf
        self.mute = False
        self.modal = self.modal.after_reset(self._motion.steps / self._settings[100])

    def home(self, t_s: float) -> bytes | None:
        """$H: the index mark becomes machine zero. Raises GrblError 5 where homing is switched off."""
        return self._hold_reply(self._homing(t_s), t_s)

    def jog(self, text: str, t_s: float) -> bytes | None:
        """$J=: motion that never changes the modal state. Raises GrblError 8, 9, 15, 16, 22, 26."""
        if self._motion.state not in ("Idle", "Jog"):
            raise GrblError(9 if self._motion.state in ("Alarm", "Sleep") else 8)
        line = parse(text)
        if set(line.groups) - {"distance", "units", "nonmodal"} or line.groups.get("nonmodal", 530) != 530:
            raise GrblError(16)
        if "F" not in line.values:
            raise GrblError(22)
        if not line.axes:
            raise GrblError(26)
        plan = self.modal.plan(line, jog=True, max_rate=self._settings[110])
        return self.carry_out(plan, t_s, jog=True)

    def carry_out(self, plan: PlanState, t_s: float, *, jog: bool = False) -> bytes | None:
        """What a checked line asks for: the reply now, or None while it waits. Soft limits alarm (2)."""
        if self._motion.state == "Check":
            self.modal = plan.modal
            return OK
        if plan.target_deg is not None and self._settings[20] and not -self._settings[130] <= plan.target_deg <= 0.0:
            if jog:
                raise GrblError(15)
            return self.alarm(2, t_s)
        self.modal = self.modal.at(plan.modal.position_deg) if jog else plan.modal
        if plan.dwell_s is not None:
            return self._hold_reply(self._dwell(plan.dwell_s), t_s)
        if plan.target_deg is None:
            return self._hold_reply(lambda _t: OK if self._motion.at_rest else None, t_s) if plan.stops else OK
        target = float(round(plan.target_deg * self._settings[100]))
        if plan.probe:
            return self._hold_reply(self._probe(target, plan.probe), t_s)
        return self._hold_reply(self._enqueue(Block(target, plan.rate / 60.0 * self._settings[100], jog)), t_s)

    def alarm(self, code: int, t_s: float) -> bytes:
        """ALARM:1 and 2 are critical: nothing is answered until a reset."""
        self._motion.halt(t_s)
        self._motion.state = "Alarm"
        self.mute = code in (1, 2)
        told = f"ALARM:{code}\r\n".encode()
        return told + b"[MSG:Reset to continue]\r\n" if self.mute else told

    def _hold_reply(self, wait: Wait, t_s: float) -> bytes | None:
        """The reply now, or later when it has to wait."""
        reply = wait(t_s)
        if reply is None:
            self.wait = wait
        return reply

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
            if math.isinf(self.wait_s):
                self.wait_s = t_s + dwell_s
            return OK if t_s >= self.wait_s else None

        return dwelt

    def _homing(self, t_s: float) -> Wait:
        if not self._settings[22]:
            raise GrblError(5)
        self._seek(t_s, "Home")
        pull_off_deg = -float(round(self._settings[27] * self._settings[100])) / self._settings[100]

        def finish_homing(now_s: float) -> bytes | None:
            if math.isinf(self.wait_s):
                return OK if self._motion.at_rest else None
            if now_s < self.wait_s:
                return None
            self.wait_s = math.inf
            if not self._motion.touched:
                return self.alarm(9, now_s)
            self._motion.rest(now_s, 0.0)
            self.modal = self.modal.at(pull_off_deg)
            if not pull_off_deg:
                return OK
            steps_deg = self._settings[100]
            self._motion.add(Block(pull_off_deg * steps_deg, self._settings[25] / 60.0 * steps_deg), now_s)
            return None

        return finish_homing

    def _seek(self, t_s: float, state: str) -> None:
        self.wait_s = self._motion.seek(t_s, state)
        if self._gate.acting("missed_index"):
            self._motion.touched = False

    def _probe(self, target: float, kind: int) -> Wait:
        """G38.2 to G38.5: to the index mark, which answers where it was found in the count before."""

        def finish_probe(t_s: float) -> bytes | None:
            motion = self._motion
            if math.isinf(self.wait_s):
                if motion.at_rest:
                    self._seek(t_s, "Run")
                return None
            if t_s < self.wait_s:
                return None
            found = motion.found_steps() if motion.touched else target
            reached = motion.touched and (found <= target if target > motion.steps else found >= target)
            motion.rest(t_s, found)
            found_deg = found / self._settings[100]
            self.modal = self.modal.at(found_deg)
            self.probe_report = f"[PRB:{found_deg:.3f},0.000,0.000:{reached:d}]"
            told = f"{self.probe_report}\r\n".encode()
            return told + (b"" if reached or kind in (383, 385) else self.alarm(5, t_s)) + OK

        return finish_probe


@dataclass(frozen=True)
class Misbehaviour:
    """alarm: its number, 0 for none. touched: the reset input was. lost_characters: that follow a $n=."""

    alarm: int = 0
    touched: bool = False
    lost_characters: int = 0


def misbehave(gate: Gate, motion: GrblMotion, settings: dict[int, float], t_s: float) -> Misbehaviour:
    """Does to the motion what the acting faults do; returns what the dialogue has to do."""
    if fault := gate.acting("lost_steps"):
        motion.slip(fault.number(4) * settings[100] * 360.0 / FULL_STEPS)
    if gate.acting("door"):
        motion.hold(t_s)
        motion.door = True
    alarm, eeprom = gate.acting("alarm"), gate.acting("eeprom")
    return Misbehaviour(
        alarm=round(alarm.number(1)) if alarm else 0,
        touched=gate.acting("estop") is not None,
        lost_characters=round(eeprom.number(35)) if eeprom else 0,
    )
