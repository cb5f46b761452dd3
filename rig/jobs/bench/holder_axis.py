"""The axis while a holder is taught: one marked turn tells direction and microsteps, the index is found twice, a datum.

It must never write anything: direction and microsteps are the controller's and the bench file's, so a wrong one ends
the teaching with what to correct. Angles are mechanical, counter-clockwise from the index, seen from the side that the
part file names. Source: hardware/first_steps.md 11.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from rig.description.benches import AxisDevice, BenchFile
from rig.errors import UsageError
from rig.jobs.bench.dialogue import Questions

Look = Callable[[Callable[[Any], Any]], Any]
READY, NONE = "ready", "none"
WAYS = ("ccw", "cw", NONE)
TURNS = 0.1  # how far from one turn an eye may put the mark
INDEX_STEPS = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """What the marked turn showed. index_steps: where the index was found again, steps from where it was expected."""

    way: str
    turns: float
    microsteps: int
    index_steps: int


def turned(bench: BenchFile, ask: Questions, say: Callable[[str], None], turn: Look) -> Turned | None:
    """One marked turn; None for a bench without an axis, or where it is not wanted. UsageError says what is wrong."""
    if bench.axis is None:
        return None
    told = "mark shaft and housing with a pen, nothing clamped, guard closed, Enter: four quarters, 8 s, back; or none"
    if ask.text("axis.mark", told, READY) == NONE:
        say("  the axis was not looked at")
        return None
    from sequences.teaching import marked_turn

    index_steps = int(turn(marked_turn))
    side = "seen from the side that the part file names"
    way = ask.text("axis.way", f"which way the mark went out, {side}: {', '.join(WAYS)}", "ccw")
    turns = ask.number("axis.turns", "how many turns it had gone where it stood longest", 1.0)
    _right(bench.axis, way, turns, index_steps)
    say(f"  index found again {index_steps:+d} steps off")
    return Turned(way=way, turns=turns, microsteps=bench.axis.microsteps, index_steps=index_steps)


def _right(axis: AxisDevice, way: str, turns: float, index_steps: int) -> None:
    again = "then teach the holder again; nothing was written."
    if way not in WAYS:
        raise UsageError(f"axis.way: {way!r} won't do.", next_action=f"Answer one of {', '.join(WAYS)}.")
    if way == NONE or turns <= 0:
        raise UsageError(
            "the axis did not turn the shaft.", next_action=f"Check motor supply, current and coupling, {again}"
        )
    if way == "cw":
        raise UsageError(
            "positive steps turn the axis clockwise.",
            next_action=f"Reverse it at the controller ($3) or exchange the ends of one motor winding, {again}",
        )
    if abs(turns - 1.0) > TURNS:
        whole = round(axis.microsteps / turns)
        raise UsageError(
            f"{axis.full_steps} x {axis.microsteps} steps made {turns:g} turns of the mark, not one.",
            next_action=f"Set the driver to {axis.microsteps} microsteps, or axis.microsteps = {whole} in the bench "
            f"file, {again}",
        )
    if abs(index_steps) > INDEX_STEPS:
        raise UsageError(
            f"the index was found {index_steps:+d} steps off after one turn and back.",
            next_action=f"Look for lost steps, a loose coupling or an index edge on a step boundary, {again}",
        )


def datum_deg(bench: BenchFile | None, ask: Questions, say: Callable[[str], None], turn: Look) -> float:
    """Angle of the axis at which the mark lines up with the datum (mech deg from the index), by approach.

    Without an axis (bench None) it is asked for as a number.
    """
    device = bench.axis if bench is not None else None
    if device is None:
        return ask.number("index_to_datum_deg", "mechanical angle from the index to it, ccw +, deg", 0.0)
    from sequences.teaching import stand_at

    step_deg = 360.0 / device.steps_per_turn
    steps, n = 0, 1
    while True:
        at = f"shaft {steps * step_deg:.4g} deg (mechanical) from the index"
        more_deg = ask.number(f"datum.turn.{n}", f"{at}: turn by how much more, ccw +, deg; 0 when it lines up", 0.0)
        moved = round(more_deg / step_deg)
        if not moved:
            return steps * step_deg
        steps, n = steps + moved, n + 1
        say(f"  standing {steps * step_deg:.4g} deg from the index for 8 s: look now")
        turn(partial(stand_at, steps=steps))
