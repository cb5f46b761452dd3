"""What faults make a grbl controller and its motor do by themselves. The gate says which act on the present line.

It must never know a resolver. Source: gnea/grbl interface.md (alarms, door), public reports on e-stop by the reset
input, on characters lost while the EEPROM is written, on lost steps.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.simulated.instruments.axis_motion import GrblMotion
from drivers.simulated.wires.faults import Gate

FULL_STEPS = 200


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
